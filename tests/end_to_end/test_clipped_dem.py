"""A DEM that begins halfway down the valley: no area without an inflow, and the known one with it, in the results."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

import gisprio
from gisprio.contracts.findings import findings_from
from gisprio.inputs.checks import check_inputs
from gisprio.inputs.project import read_inputs
from gisprio.run.engine import run as engine_run
from makers import frame, straight_valley

FROM_M = 1000.0
INFLOW_KM2 = 40.0


def run(folder, **layers):
    world = straight_valley()
    world.extent = (FROM_M + 5.0, *world.extent[1:])
    world.layers |= layers
    settings = gisprio.read_settings(world.write(folder))
    engine_run(settings)
    results = gisprio.open_results(settings.output())
    return settings, results, {finding.check: finding for finding in findings_from(results.findings)}


def test_without_an_inflow_the_reason_stands_in_the_results(tmp_path):
    _, results, said = run(tmp_path)
    assert results.reaches["drainage_area_km2"].isna().all()
    assert set(results.reaches["drainage_area_says"]) == {"a stream above comes in from beyond the DEM"}
    assert said["area_missing"].severity == "warning"


def test_an_inflow_at_the_edge_is_carried_down(tmp_path):
    """1,190 m x 3,400 m drain on the whole DEM; below 1,100 m there are 1.19 x 1.9 km2 at the outlet."""
    point = frame([shapely.Point(straight_valley().place.on_map(1100.0, 20.0))], area=[INFLOW_KM2])
    settings, results, said = run(tmp_path, inflows=point)
    reaches = results.reaches.sort_values("drainage_area_km2", ascending=False)
    known = reaches["drainage_area_km2"].dropna()
    assert known.iloc[0] == pytest.approx(INFLOW_KM2 + 1.19 * 1.9, rel=0.01)
    assert (np.diff(known) < 0).all()
    assert len(known) == 10  # 200 m each from the outlet; the one that begins at 2,000 m lies above the inflow
    assert reaches["drainage_area_says"].notna().sum() == len(reaches) - 10
    assert "off_stream" not in said
    far = frame([shapely.Point(straight_valley().place.on_map(-5000.0, 0.0))], area=[INFLOW_KM2])
    far.to_file(tmp_path / "inflows.gpkg", driver="GPKG")
    checks = {finding.check for finding in check_inputs(read_inputs(settings), settings)}
    assert "no_overlap" not in checks  # left out with a finding when it is placed
