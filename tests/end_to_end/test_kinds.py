"""Every kind of stream through one run: measured, only natural ranked, the others with their reason; bank lines."""

from __future__ import annotations

import pandas as pd
import pytest

import gisprio
from gisprio.contracts.words import STREAM_KINDS
from gisprio.run.engine import run as engine_run
from gisprio.run.explain import explain_id
from makers import SLOPE, frame, straight_valley

STEP = 400.0
DRAWN = ("natural", "ditch", "piped", "lake_path", "tidal", "canal", "unconfirmed")
"""Kinds of the data, 400 m each from the head down; then 200 m natural that lie below the tide's height."""
REASONS = {
    "natural": None,
    "ditch": "a ditch",
    "piped": "piped",
    "lake_path": "standing water, without a bank",
    "tidal": "tidal",
    "canal": "a canal",
    "unconfirmed": "not confirmed to be a stream",
}
NO_POWER = {"piped", "lake_path", "tidal"}
RANKS = ("rank", "erosion_rank", "gap_rank", "rank_p05", "rank_p50", "rank_p95", "top_share", "priority")


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    """The straight valley, in tiles of 600 m, which only see what lies near them."""
    tide = 100 - SLOPE * 2800
    world = straight_valley(run="tile_m = 600", streams=f"tidal_below_m = {tide}\nbank_line_error_m = 0.5")
    place, layers = world.place, world.layers
    lines = [place.line((n * STEP, 0), ((n + 1) * STEP, 0)) for n in range(7)] + [place.line((2800, 0), (3000, 0))]
    layers["streams"] = frame(lines, kind=[*DRAWN, "natural"])
    old, new = place.line((-10, 4), (3000, 4)), place.line((-10, 4), (100, 4), (100, 8), (300, 8), (300, 4), (3000, 4))
    layers["bank_lines"] = frame([old, new], flown=["2010", "2020"])
    config = world.write(tmp_path_factory.mktemp("kinds"))
    config.write_text(config.read_text().replace("[columns]\n", '[columns]\nbank_lines.date = "flown"\n'))
    settings = gisprio.read_settings(config)
    engine_run(settings)
    return settings.output()


@pytest.fixture(scope="module")
def tables(results):
    opened = gisprio.open_results(results)
    return pd.DataFrame(opened.banks), pd.DataFrame(opened.reaches), opened.findings


@pytest.mark.parametrize("kind", STREAM_KINDS)
def test_each_kind_gives_its_reason_and_only_natural_is_ranked(tables, kind):
    assert set(REASONS) == set(STREAM_KINDS) == set(DRAWN)
    banks, reaches, _ = tables
    own, lines = banks[banks["kind"] == kind], reaches[reaches["kind"] == kind]
    assert lines["length_m"].sum() == pytest.approx(STEP + 200 * (kind == "tidal"), abs=60)
    assert len(own) == 2 * len(lines) >= 4
    if kind == "natural":
        assert own["not_ranked"].isna().all()
        assert own[list(RANKS)].notna().all().all()
        return
    assert set(own["not_ranked"]) == set(lines["not_ranked"]) == {REASONS[kind]}
    assert set(own["why"]) == {f"Not ranked: {REASONS[kind]}."}
    assert own[[*RANKS, "need"]].isna().all().all()
    assert lines[["rank", "rank_p05", "rank_p95", "top_share", "priority"]].isna().all().all()


@pytest.mark.parametrize("kind", STREAM_KINDS)
def test_power_is_null_where_there_is_none_to_tell(tables, kind):
    reaches = tables[1][tables[1]["kind"] == kind]
    power = reaches["unit_stream_power_w_m2"]
    assert power.isna().all() if kind in NO_POWER else power.notna().all()
    assert reaches["drainage_area_km2"].notna().all()


def test_kinds_that_are_not_ranked_are_said_by_reason(tables):
    findings = tables[2]
    said = findings.loc[findings["check"] == "not_ranked", "says"].tolist()
    assert sorted(text.split(": ")[1].rstrip(".") for text in said) == sorted(filter(None, REASONS.values()))
    tide = findings.loc[findings["check"] == "tidal_below", "says"].item()
    assert tide.startswith("0.2")
    assert "of 3.000 km of stream lie below [streams] tidal_below_m = 86 m, from an outlet upward" in tide


def test_observed_retreat_reaches_words_scores_and_explain(tables, results):
    """4 m outward in ten years on 200 m of the left bank, 1.96 x .5 x sqrt(2) / 10 = .14 m/y detectable."""
    banks = tables[0].set_index("bank_id")
    moved = banks[banks["retreat_m_y"] > 0]
    assert set(moved["side"]) == {"left"}
    assert moved["retreat_m_y"].max() == pytest.approx(0.4)
    assert moved["erosion_score"].max() == pytest.approx(80 + 20 * 0.16 / 1.16, abs=0.1)
    assert moved["why"].str.startswith("Erodes").any()
    assert not banks.loc[banks.index.difference(moved.index), "why"].str.contains("rodes").any()
    text = explain_id(results, moved["erosion_score"].idxmax())
    assert "  bank lines of two dates: retreat 0.40 m/y; smallest detectable 0.14 m/y" in text
    assert "Retreat: 0.40 m/y (measured), score 82.8: the erosion score is not below it" in text
