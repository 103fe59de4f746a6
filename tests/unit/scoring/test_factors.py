"""Factors: the registry, and what each says of a hand-made bank."""

import dataclasses
import inspect

import numpy as np
import pandas as pd
import pytest

from gisprio.compute.banks.cover import bank_erodibility
from gisprio.compute.factors import (
    FACTORS,
    adjacent_use,
    bank_angle,
    bank_height_ratio,
    layer_with_factors,
    outer_bend,
)
from gisprio.compute.factors.outer_bend import bend_shear_factor
from gisprio.compute.scoring.keys import shared_weights
from gisprio.compute.scoring.sides import freedom_to_move
from gisprio.compute.scoring.values import nodes_of, value_score
from gisprio.contracts.layers import BANKS, STATION_RESULTS, STATIONS
from gisprio.contracts.settings import Priority
from gisprio.contracts.words import COVERS
from tables import network


@pytest.mark.parametrize("registered", FACTORS, ids=lambda r: r.card.key)
def test_key_is_function_and_file(registered):
    card, function = registered.card, registered.measure
    assert function.__name__ == card.key
    assert inspect.getsourcefile(function).endswith(f"/{card.key}.py")
    assert card.says.endswith(".")
    values = [node[0] for node in card.nodes]
    assert values == sorted(values)
    assert all(0 <= node[1] <= 1 for node in card.nodes)
    assert card.key in getattr(Priority(), card.group)


@pytest.mark.parametrize("registered", FACTORS, ids=lambda r: r.card.key)
def test_card_names_a_source_that_is_listed(registered):
    import tomllib
    from pathlib import Path

    import gisprio

    listed = tomllib.loads((Path(gisprio.__file__).parent / "contracts" / "references.toml").read_text())
    assert set(registered.card.source.split(", ")) <= {*listed, "own"}


def test_layers_carry_value_basis_and_score_of_each_factor():
    names = layer_with_factors(BANKS).names()
    assert {"unit_stream_power_w_m2", "unit_stream_power_basis", "unit_stream_power_score"} <= set(names)
    assert "outer_bend_basis" not in layer_with_factors(STATION_RESULTS).names()
    assert layer_with_factors(STATIONS) is STATIONS


@pytest.mark.reference
@pytest.mark.parametrize(("x", "factor"), [(1, 2), (2.5, 1.9106), (4, 1.6728), (8, 1.1992), (12, 1.05)])
def test_bend_shear_factor(x, factor):
    """FHWA HEC-15, third edition, and HEC-22."""
    assert bend_shear_factor(x) == pytest.approx(factor, abs=1e-4)


def _sides(curvature, width=10.0, spacing=5.0):
    n = len(curvature)
    return pd.DataFrame(
        {
            "segment_no": 0,
            "side": np.repeat([0, 1], n),
            "station_no": np.tile(np.arange(n), 2),
            "at_m": np.tile((np.arange(n) + 0.5) * spacing, 2),
            "curvature_1_m": np.tile(curvature, 2),
            "bankfull_width_m": width,
        }
    )


def test_only_the_outer_bank_scores():
    # bending left going downstream, radius 30 m, width 10 m: the right bank is the outer one, at r/w = 3
    got = outer_bend.outer_bend(_sides(np.full(10, 1 / 30)))
    assert np.isinf(got["value"][:10]).all()
    np.testing.assert_allclose(got["value"][10:], 3.0)
    assert set(got["basis"]) == {"measured"}


def test_a_radius_of_over_a_hundred_widths_is_straight():
    right = outer_bend.outer_bend(_sides(np.array([1 / 990, 1 / 1010, 1e-12])))["value"][3:]
    assert right.iloc[0] == pytest.approx(99.0)  # width 10 m
    assert np.isinf(right.iloc[1:]).all()


def test_a_bend_works_half_to_two_widths_downstream_too():
    curvature = np.zeros(20)
    curvature[10] = 1 / 30  # one station at 52.5 m; downstream is towards 0; width 10 m: lag 5 to 20 m
    right = outer_bend.outer_bend(_sides(curvature))["value"][20:].to_numpy()
    assert np.flatnonzero(np.isfinite(right)).tolist() == [6, 7, 8, 9, 10]


def test_too_tight_to_tell_is_missing_not_straight():
    got = outer_bend.outer_bend(_sides(np.array([np.nan, 0.0, 0.0])))
    assert got["basis"].tolist() == ["missing", "measured", "measured"] * 2
    assert np.isnan(got["value"][0])


@pytest.mark.reference
def test_freedom_to_move_between_the_medians_of_confined_and_open_valleys():
    """Nagel et al. 2014: medians about 2 and about 10."""
    valley = pd.Series([6.0, 12.0, 36.0, 60.0, 600.0, np.nan])
    got = freedom_to_move(valley, pd.Series(6.0, index=valley.index))
    assert got.tolist()[:5] == [0.0, 0.0, 0.5, 1.0, 1.0]
    assert np.isnan(got.iloc[5])


def test_hand_made_network_keeps_its_contract():
    import shapely

    assert len(network(shapely.LineString([(0, 500), (0, 0)]))["reach_measures"]) == 3


def test_adjacent_use_counts_only_behind_a_missing_strip():
    """A use is weighed by the share of the strip that is missing; the config may weigh it otherwise."""
    assert adjacent_use.CARD.scaled_by == "missing_strip"
    sides = pd.DataFrame({"adjacent_use_weight": [0.9, np.nan, 0.8], "coarse_use": [False, False, True]})
    got = adjacent_use.adjacent_use(sides)
    assert got["basis"].tolist() == ["measured", "missing", "modelled"]
    assert got["value"].tolist()[0] == 0.9
    assert set(adjacent_use.USE_WEIGHTS) == set(COVERS)


@pytest.mark.reference
def test_peaked_form_of_bends_is_highest_at_two_and_a_half_to_three_widths():
    """Hickin and Nanson 1984 (peak); the other levels are own."""
    peaked = nodes_of(outer_bend.CARD, Priority(forms={"outer_bend": "peaked"}))
    score = value_score(np.array([1.0, 2.0, 2.5, 3.0, 5.0, 10.0]), peaked)
    assert score.tolist() == [0.4, 0.8, 1.0, 1.0, 0.5, 0.0]
    assert nodes_of(outer_bend.CARD, Priority()) == outer_bend.CARD.nodes
    own = ((1.0, 0.0), (2.0, 1.0))
    assert nodes_of(outer_bend.CARD, Priority(forms={"outer_bend": "peaked"}, nodes={"outer_bend": own})) == own


@pytest.mark.reference
def test_erodibility_under_cover():
    """Julian and Torres 2006: critical shear 1.97 times that of bare soil under grass, 19.2 times under dense trees."""
    classes = np.array([[COVERS.index(name)] * 2 for name in ("bare", "herbaceous", "woody", "crop", "water")], np.int8)
    got = bank_erodibility(classes, np.zeros(classes.shape, bool))
    assert got[:4] == pytest.approx([1.0, 0.508, 0.052, 1.0], abs=5e-4)
    assert np.isnan(got[4])
    half = np.array([[COVERS.index("bare"), COVERS.index("woody")]], np.int8)
    assert bank_erodibility(half, np.zeros((1, 2), bool))[0] == pytest.approx((1 + 1 / 19.2) / 2)


def test_factors_that_measure_the_same_share_one_weight():
    cards = {
        key: dataclasses.replace(outer_bend.CARD, key=key, shares=shares)
        for key, shares in (("a", ""), ("b", "form"), ("c", "form"))
    }
    assert shared_weights({"a": 50.0, "b": 30.0, "c": 10.0}, cards) == {"a": 50.0, "b": 22.5, "c": 7.5}
    assert shared_weights({"a": 50.0, "b": 30.0}, cards) == {"a": 50.0, "b": 30.0}
    assert shared_weights({"b": 0.0, "c": 0.0}, cards) == {"b": 0.0, "c": 0.0}


@pytest.mark.reference
@pytest.mark.parametrize(
    ("card", "value", "score"),
    [
        (bank_height_ratio.CARD, 1.3, 0.4037),
        (bank_height_ratio.CARD, 1.6, 0.5889),
        (bank_height_ratio.CARD, 2.9, 0.9444),
        (bank_height_ratio.CARD, 0.4, 0.0),
        (bank_angle.CARD, 45.0, 0.2389),
        (bank_angle.CARD, 90.0, 0.7667),
    ],
)
def test_scores_of_bank_height_and_angle(card, value, score):
    """Class breaks of Rosgen 2001 (from memory), index less one over nine."""
    got = value_score(np.array([value]), card.nodes, logarithmic=card.logarithmic)
    assert got[0] == pytest.approx(score, abs=1e-4)


def test_bank_height_over_the_mean_bankfull_depth():
    sides = pd.DataFrame({"bank_height_m": [1.5, np.nan, 1.0, 1.0], "bankfull_depth_m": [0.6, 0.6, np.nan, 0.0]})
    got = bank_height_ratio.bank_height_ratio(sides)
    assert got["value"][0] == pytest.approx(2.5)
    assert got["basis"].tolist() == ["modelled", "missing", "missing", "missing"]
    assert got["value"][1:].isna().all()


def test_bank_angle_is_missing_where_the_face_is_too_short():
    got = bank_angle.bank_angle(pd.DataFrame({"bank_angle_deg": [38.0, np.nan]}))
    assert got["basis"].tolist() == ["measured", "missing"]
