"""What goes wrong where lines and ground disagree: burned ground, missing codes, lines beside their channel.

Failures and their remedies as manuals of hydrography tell them: ground lowered for routing must not give slopes, -9998
stands for a missing slope or area in NHDPlus, and a line beside its channel shows by the ratio of areas.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from gisprio.compute.banks.bank_lines import find_bank_lines
from gisprio.compute.banks.stations import lay_stations
from gisprio.compute.banks.valleys import measure_valleys
from gisprio.compute.factors.unit_stream_power import CARD, unit_stream_power
from gisprio.compute.network.curves import read_curve
from gisprio.compute.network.hydraulics import bankfull_flow
from gisprio.compute.scoring.values import value_score
from gisprio.compute.terrain.flow import lowered
from gisprio.inputs.layers import as_numbers
from makers import HEAD_M, LENGTH_M, VALLEY_HALF_M, Place, straight_height
from network_world import heights, streams, whole_chain
from tables import nearby, settings, source

pytestmark = pytest.mark.reference

AREA_KM2 = 2 * VALLEY_HALF_M * (LENGTH_M + HEAD_M) / 1e6


def measured_on(dem, burn_m):
    """Give reaches and valleys of the straight valley, its stream lowered by ``burn_m`` for routing."""
    known = settings(streams={"burn_m": burn_m})
    made = whole_chain(streams([Place().line((0, 0), (LENGTH_M, 0))]), dem, known)
    core = {name: made[name] for name in ("segments", "reach_measures", "stretches")}
    core |= lay_stations(core, {"segments": core["segments"]}, {}, known)
    core |= find_bank_lines(core, nearby(segments=core["segments"]), {}, known)
    return made["reach_measures"], measure_valleys(core, {}, made["sources"], known)["valleys"]


def test_slope_and_valley_are_those_of_the_raw_ground_however_deep_the_stream_is_burned():
    """And the ground that was given is as it was; a burned DEM would have given other values."""
    dem = heights()
    before = dem.grid.values.copy()
    reaches, valleys = measured_on(dem, 10.0)
    deeper, deeper_valleys = measured_on(dem, 500.0)
    columns = ["slope_m_m", "slope_se_m_m"]
    pd.testing.assert_frame_equal(deeper[columns], reaches[columns], check_exact=True)
    pd.testing.assert_frame_equal(deeper_valleys, valleys, check_exact=True)
    np.testing.assert_array_equal(dem.grid.values, before)
    trench = np.zeros(before.shape, bool)
    trench[80:200, before.shape[1] // 2] = True
    burned = lowered(before.astype(float), trench, np.zeros_like(trench), 10.0, 2.5)
    lattice = dem.grid.lattice
    other, _ = measured_on(source(burned.astype(np.float32), lattice.x0, lattice.y0, lattice.cell_m), 10.0)
    assert (other["slope_m_m"] - reaches["slope_m_m"]).abs().max() > 0.001


def test_a_slope_of_minus_9998_is_missing_and_its_power_is_not_scored():
    flow = bankfull_flow(
        read_curve("usa"), np.full(3, 10.0), np.array([0.005, -9998.0, np.nan]), manning_low=0.04, slope_cap=0.03
    )
    assert flow["unit_stream_power_w_m2"].isna().tolist() == [False, True, True]
    assert flow["bankfull_discharge_m3_s"].isna().tolist() == [False, True, True]
    measured = unit_stream_power(flow.assign(freedom_to_move=1.0))
    assert measured["basis"].tolist() == ["modelled", "missing", "missing"]
    scores = value_score(measured["value"].to_numpy(), CARD.nodes, logarithmic=CARD.logarithmic)
    assert np.isnan(scores).tolist() == [False, True, True]


def test_an_area_of_minus_9998_is_missing_and_said():
    area, said = as_numbers("streams", "area_km2", pd.Series([4.0, -9998.0, -9999.0]), 0.0, np.inf)
    np.testing.assert_array_equal(area, [4.0, np.nan, np.nan])
    assert len(said) == 1
    assert "-9998" in said[0].says


def steep(u, v):
    """Four times as steep as the straight valley."""
    side = np.abs(v)
    return straight_height(u, v) + 0.3 * np.where(side <= VALLEY_HALF_M, side, 2 * VALLEY_HALF_M - side)


@pytest.mark.parametrize(
    ("height", "off_m", "flagged"), [(steep, 0, False), (steep, 30, True), (straight_height, 30, False)]
)
def test_a_line_30_m_beside_its_channel_is_flagged_by_the_ratio_of_areas(height, off_m, flagged):
    """On steep ground the far side of the valley passes the line by: the published 4.046 km2 differs from the routed.

    On gentle ground the ramp down to the line, 25 m for lines good to 5 m, still leads all of it there.
    """
    line = Place().line((0, off_m), (LENGTH_M, off_m))
    known = settings(streams={"line_error_m": 5.0})
    made = whole_chain(streams([line], area_km2=AREA_KM2), heights(height), known)
    assert ("area_differs" in made["findings"]) == flagged, sorted(made["findings"])


@pytest.mark.parametrize(
    ("height", "off_m", "flagged"), [(steep, 0, False), (steep, 30, True), (straight_height, 30, False)]
)
def test_the_same_line_is_flagged_without_any_area_to_compare_with(height, off_m, flagged):
    """The DEM's own channel beside the line carries more than the line was given."""
    line = Place().line((0, off_m), (LENGTH_M, off_m))
    made = whole_chain(streams([line]), heights(height), settings(streams={"line_error_m": 5.0}))
    doubts = made["reach_measures"]["drainage_area_doubt"]
    assert doubts.notna().mean() == (1.0 if flagged else 0.0), doubts.tolist()
    assert ("area_doubt" in made["findings"]) == flagged
