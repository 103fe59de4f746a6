"""Minor paths of divergences: no power of their own; far from the main path ranked and told apart, near it islands."""

from __future__ import annotations

import numpy as np
import pytest

from gisprio.compute.network.islands import find_islands
from makers import Place
from network_world import heights, streams, whole_chain

P = Place()


def divided(off, minor_kind="natural"):
    """The straight valley with a side channel ``off`` metres beside the main one from 1,000 to 2,000 m."""
    lines = [
        P.line((0, 0), (1000, 0)),
        P.line((1000, 0), (2000, 0)),
        P.line((1000, 0), (1000 + off, off), (2000 - off, off), (2000, 0)),
        P.line((2000, 0), (3000, 0)),
    ]
    kinds = ["natural", "natural", minor_kind, "natural"]
    return whole_chain(streams(lines, kind=kinds, divergence=[None, 1, 2, None]), heights())


@pytest.fixture(scope="module")
def far():
    """A channel 150 m off: over 10 widths, ground of its own."""
    return divided(150)


def minor_reaches(chain):
    reaches = chain["reach_measures"]
    return chain["segments"]["minor"].to_numpy(bool)[reaches["segment_no"]]


def test_a_minor_path_over_wide_ground_is_measured_and_told_apart(far):
    reaches, minor = far["reach_measures"], minor_reaches(far)
    assert len(find_islands(far, {}, {})["islands"]) == 0
    assert reaches.loc[minor, ["unit_stream_power_w_m2", "froude"]].isna().all().all()
    assert reaches.loc[minor, ["bankfull_width_m", "drainage_area_km2"]].notna().all().all()
    assert set(reaches.loc[minor, "kind"]) == {"natural"}
    assert set(reaches.loc[minor, "drainage_area_doubt"]) == {
        "a minor path: its own ground alone, and a share of the main path's water that is not known"
    }
    others = reaches[~minor]
    assert others["unit_stream_power_w_m2"].notna().all()
    assert not others["drainage_area_doubt"].fillna("").str.contains("minor").any()


def test_how_much_is_minor_is_said_and_what_it_means(far):
    finding = far["findings"]["minor_path"]
    minor, reaches = minor_reaches(far), far["reach_measures"]
    km = 2 * 150 * np.sqrt(2) / 1000 + 0.7
    assert reaches.loc[minor, "length_m"].sum() / 1000 == pytest.approx(km)
    assert (finding.severity, finding.layer) == ("note", "reaches")
    assert finding.says == (
        f"{minor.sum()} of {len(reaches)} reaches ({km:.3f} km) are minor paths: how much of the main path's water "
        "they take is not known, so that their area is that of their own ground, their width is at least what it says "
        "and stream power is null. They are ranked as channels of their own; only where the ground between is an "
        "island, up to 10 widths wide, its sides are not."
    )
    assert finding.do == ("Look at them before their rank is believed; give the kind of those that are dry or closed.")


def test_near_the_main_path_the_ground_between_is_an_island():
    near = divided(15)
    assert len(find_islands(near, {}, {})["islands"]) == 1
    assert minor_reaches(near).any()


def test_without_a_divergence_nothing_is_said():
    chain = whole_chain(streams([P.line((0, 0), (3000, 0))]), heights())
    assert "minor_path" not in chain["findings"]
    assert chain["reach_measures"]["unit_stream_power_w_m2"].notna().all()
