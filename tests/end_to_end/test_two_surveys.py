"""A straight valley whose head is measured half a metre higher by another survey: nothing measures the step."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import gisprio
from gisprio.compute.terrain import relief
from gisprio.contracts.grids import surveyed_window
from gisprio.run.engine import run as engine_run
from makers import LENGTH_M, SLOPE, straight_height, straight_valley

SEAM_M = 1500.0
"""Distance of the seam from the head of the stream [m]."""
WAYS = {"above": 0.5, "below": -0.5}


def run(folder, offset_m):
    world = straight_valley()
    u0, v0, _, v1 = world.extent
    world.finer["lidar.tif"] = ((u0, v0, SEAM_M, v1), 5.0, lambda u, v: straight_height(u, v) + offset_m)
    settings = gisprio.read_settings(world.write(folder))
    engine_run(settings)
    return gisprio.open_results(settings.output()), settings.output()


@pytest.fixture(scope="module", params=WAYS)
def way(request, tmp_path_factory):
    """Run once with the head measured half a metre above and once below; give the word, results and their folder."""
    return request.param, *run(tmp_path_factory.mktemp(request.param), WAYS[request.param])


def told(results, check):
    return results.findings[results.findings["check"] == check]


def test_the_slope_is_that_of_each_side(way):
    slope = way[1].reaches["slope_m_m"].to_numpy(float)
    np.testing.assert_allclose(slope, SLOPE, rtol=1e-3)


def test_the_offset_is_told_to_the_centimetre(way):
    ((says, layer),) = told(way[1], "dem_offset")[["says", "layer"]].to_numpy()
    assert layer == "dem"
    assert says.startswith(f"lidar.tif lies 0.50 m {way[0]} dem.tif where they overlap (median of ")


def test_the_seam_is_told_with_its_reach_and_is_no_step(way):
    _, results, folder = way
    ((says,),) = told(results, "dem_seam")[["says"]].to_numpy()
    profile = pd.read_csv(folder / "profiles.csv")
    at = profile[profile["seam"].astype(bool)]
    assert at["from_mouth_m"].tolist() == [LENGTH_M - SEAM_M + 5.0]
    assert says == (
        f"Streams pass from one survey of the DEM to another at 1 place, in {at['reach_id'].iloc[0]}: 0.2 of 3.0 km of "
        "reaches. No slope and no step is measured across a seam; the slope of such a reach is that of one side."
    )
    assert told(results, "knickpoint").empty


def test_lines_lie_on_the_low_on_both_sides_of_the_seam(way):
    assert way[1].banks["line_offset_m"].abs().max() <= 5.0


@pytest.mark.parametrize("way", list(WAYS)[:1])  # a run of its own each, and the other way is alike
def test_were_the_seam_not_known_its_step_would_be_measured(tmp_path, monkeypatch, way):
    def of_one(source, bounds):
        grid, survey = surveyed_window(source, bounds)
        survey.values[survey.values > 0] = 0
        return grid, survey

    monkeypatch.setattr(relief, "surveyed_window", of_one)
    wrong, _ = run(tmp_path, WAYS[way])
    assert told(wrong, "dem_seam").empty
    off = np.abs(wrong.reaches["slope_m_m"].to_numpy(float) - SLOPE).max()
    assert off > 0.1 * SLOPE or len(told(wrong, "knickpoint"))
