"""Ground that two layers share, on boxes whose areas are known."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from gisprio.compute.land import shared_ground
from gisprio.compute.land.shared_ground import shared_areas

LOTS = shapely.box(np.arange(0, 50, 10), 0, np.arange(10, 60, 10), 10)


def test_areas_are_those_of_boxes_and_touching_is_no_ground() -> None:
    strips = np.array([shapely.box(12, 2, 14, 4), shapely.box(8, 0, 20, 1), shapely.box(90, 0, 95, 1)])
    got = shared_areas(strips, LOTS)
    assert got.to_dict("list") == {
        "strip": [0, 1, 1, 1],
        "property": [1, 0, 1, 2],
        "area_m2": [4.0, 2.0, 10.0, 0.0],
    }


def test_multipolygons_and_overlapping_lots() -> None:
    strip = shapely.union_all([shapely.box(1, 1, 2, 2), shapely.box(11, 1, 13, 2)])
    lots = np.array([LOTS[0], LOTS[0], LOTS[1]])
    assert shared_areas(np.array([strip]), lots)["area_m2"].tolist() == [1.0, 1.0, 2.0]


@pytest.mark.parametrize(("strips", "lots"), [(0, 5), (3, 0), (0, 0)])
def test_nothing_shares_nothing(strips: int, lots: int) -> None:
    got = shared_areas(LOTS[:strips], LOTS[:lots])
    assert got.columns.tolist() == ["strip", "property", "area_m2"]
    assert len(got) == 0


def test_jobs_and_threads_change_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    x = np.random.default_rng(1).uniform(0, 45, 40)
    strips = shapely.buffer(shapely.points(x, x / 5), 6)
    whole = shared_areas(strips, LOTS)
    monkeypatch.setattr(shared_ground, "STRIPS_AT_ONCE", 3)
    in_jobs = shared_areas(strips, LOTS)
    monkeypatch.setattr(shared_ground, "THREADS", 1)
    assert whole.equals(in_jobs)
    assert whole.equals(shared_areas(strips, LOTS))
    assert whole["strip"].is_monotonic_increasing
    assert whole["strip"].nunique() == 40
