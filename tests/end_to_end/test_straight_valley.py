"""A straight stream in an even valley, from layers to results, wherever it lies and however it is drawn.

By hand (see makers.straight_valley): gaps 3,000 m on one side and 500 m on the other to a setback of 30 m.
"""

from __future__ import annotations

import numpy as np
import pytest

import gisprio
from gisprio.run.engine import run as engine_run
from makers import (
    HEAD_M,
    LENGTH_M,
    SLOPE,
    VALLEY_HALF_M,
    Place,
    straight_banks,
    straight_banks_with_error,
    straight_valley,
)

AREA_KM2 = (2 * VALLEY_HALF_M) * (LENGTH_M + HEAD_M) / 1e6
CASES = {
    "south": (Place(), False),
    "turned 90": (Place(quarter_turns=1), False),
    "turned 180": (Place(quarter_turns=2), False),
    "turned 270": (Place(quarter_turns=3), False),
    "mirrored": (Place(mirrored=True), False),
    "far east": (Place(x0=4_000_000.0), False),
    "drawn upstream": (Place(), True),
    "at 1 m": (Place(), False),
    "at 1 m with error": (Place(), False),
}
FINE = {"at 1 m": straight_banks, "at 1 m with error": straight_banks_with_error}
SLOPE_WITHIN = {"at 1 m with error": 0.2}  # the error that slope windows are lengthened to


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    """Run each case once."""
    made = {}
    for name, (place, reverse) in CASES.items():
        world = straight_valley(place, reverse=reverse)
        if name in FINE:
            world.finer["fine.tif"] = ((-400.0, -100.0, 3100.0, 100.0), 1.0, FINE[name])
        config = world.write(tmp_path_factory.mktemp("valley"))
        settings = gisprio.read_settings(config)
        engine_run(settings)
        made[name] = gisprio.open_results(settings.output())
    return made


@pytest.fixture(params=CASES)
def case(request, results):
    """One case: its results, and the names of the side with the narrow strip and of the other."""
    narrow, wide = ("right", "left") if CASES[request.param][0].mirrored else ("left", "right")
    return results[request.param], narrow, wide


def test_gap_lengths_within_one_station(case):
    results, narrow, wide = case
    length = results.gaps.groupby("side")["length_m"].sum()
    assert length[narrow] == pytest.approx(3000, abs=5)
    assert length[wide] == pytest.approx(500, abs=5)


def test_gap_ground_within_five_percent(case):
    results, narrow, wide = case
    area = results.gaps.groupby("side")["area_m2"].sum()
    assert area[narrow] == pytest.approx(3000 * (30 - 12), rel=0.05)
    assert area[wide] == pytest.approx(500 * 30, rel=0.05)


def test_buffer_width(case):
    results, narrow, wide = case
    width = results.banks.groupby("side")["buffer_width_m"].median()
    assert width[narrow] == pytest.approx(12, abs=1.5)
    assert width[wide] == 30.0  # measured to the setback line
    assert set(results.banks["bank_line_basis"]) == {"water_edge"}


@pytest.mark.parametrize("name", CASES)
def test_drainage_area_and_slope(name, results):
    reaches = results[name].reaches
    assert reaches["drainage_area_km2"].max() == pytest.approx(AREA_KM2, rel=0.02)
    assert reaches["slope_m_m"].notna().all()
    np.testing.assert_allclose(reaches["slope_m_m"], SLOPE, rtol=SLOPE_WITHIN.get(name, 0.05))
    assert len(reaches) == 15
    assert reaches["strahler_order"].tolist() == [1] * 15


def test_frontage_of_the_four_parcels(case):
    results, _, _ = case
    frontage = results.properties.set_index("property_id")["frontage_m"]
    assert sorted(frontage.index) == ["left-down", "left-up", "right-down", "right-up"]
    np.testing.assert_allclose(frontage, 1500, atol=20)


def test_most_urgent_banks_lie_along_the_bare_500_m(case):
    results, _, wide = case
    first = results.banks[results.banks["rank"] == 1]
    assert set(first["side"]) == {wide}
    assert set(results.banks["need"]) <= {"gap_only", "none"}  # straight, on a gentle slope: nothing likely to erode
    assert results.banks["outer_bend_score"].max() == 0


def test_reaches_are_drawn_downstream(case):
    results, _, _ = case
    by_area = results.reaches.sort_values("drainage_area_km2")
    for row in by_area.itertuples():
        if row.downstream_reach_id is not None and row.downstream_reach_id == row.downstream_reach_id:
            below = results.reaches.set_index("reach_id").loc[row.downstream_reach_id]
            assert below["drainage_area_km2"] >= row.drainage_area_km2
            assert row.geometry.coords[-1] == pytest.approx(below.geometry.coords[0])


def test_every_case_says_the_same_of_the_same_bank(results):
    """Banks counted from the outlet: scores and ranks of every case are those of the first."""

    def rows(name):
        mirrored = CASES[name][0].mirrored
        banks = results[name].banks
        side = banks["side"].map({"left": "right", "right": "left"}) if mirrored else banks["side"]
        key = [f"{reach.rsplit('-', 1)[1]}-{s}" for reach, s in zip(banks["reach_id"], side, strict=True)]
        return banks.set_axis(key).sort_index()[["gap_length_m", "missing_strip_score", "gap_rank", "need"]]

    plain = rows("south")
    for name in CASES:
        got = rows(name)
        assert got.index.equals(plain.index)
        np.testing.assert_allclose(got["gap_length_m"], plain["gap_length_m"], atol=1e-6, err_msg=name)
        np.testing.assert_allclose(got["missing_strip_score"], plain["missing_strip_score"], atol=0.11, err_msg=name)
        assert got["need"].equals(plain["need"]), name


@pytest.mark.parametrize("name", FINE)
def test_banks_of_1_5_m_at_1_m(name, results):
    banks = results[name].banks
    assert len(banks) == 30
    np.testing.assert_allclose(banks["bank_height_m"], 1.5, atol=0.3)
    depth = results[name].reaches["bankfull_depth_m"].median()
    assert banks["bank_height_ratio"].median() == pytest.approx(1.5 / depth, rel=0.2)
    assert set(banks["bank_height_ratio_basis"]) == {"modelled"}
    assert banks["bank_angle_deg"].isna().all()
    assert banks["bank_angle_says"].str.startswith("the face spans under 3 cells").all()


def test_no_bank_height_at_10_m(results):
    for name in set(CASES) - set(FINE):
        assert results[name].banks["bank_height_m"].isna().all()
        assert set(results[name].banks["bank_height_says"]) == {"the heights here have cells of 10 m"}


def test_a_finished_run_is_ranked_again(results):
    made = results["south"]
    again, banks = made.rank_again().set_index("bank_id"), made.banks.set_index("bank_id")
    land, properties = made.rank_properties_again(made.rank_again()), made.properties.set_index("property_id")
    assert len(properties) == 4
    for got, own in ((again, banks), (land.set_index("property_id"), properties)):
        assert got.index.tolist() == own.index.tolist()
        for column in got:
            same = (got[column] == own[column]) | (got[column].isna() & own[column].isna())
            assert same.all(), column
    gap_only = made.rank_again(weights={"erosion": 0}).set_index("bank_id")
    assert gap_only["priority"].tolist() == np.maximum(banks["gap_score"], 10).round(2).tolist()
    assert (gap_only["priority"] != banks["priority"]).any()
