"""Shares of cover classes in strips, on ground that can be counted by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from gisprio.compute.banks.shares import strip_shares
from gisprio.contracts.grids import ArraySource, Grid, Lattice
from gisprio.contracts.words import COVERS

WOODY, CROP = COVERS.index("woody"), COVERS.index("crop")
LEGEND = pd.DataFrame(
    {
        "code": [1, 4, 300],
        "name": ["wood", "field", "road"],
        "cover": ["woody", "crop", "developed"],
        "c_factor": np.nan,
    }
).assign(min_width_m=np.nan)


def source(codes: np.ndarray, nodata: float | None = None) -> ArraySource:
    """Give cells of 2 m whose upper left corner is 100, 200."""
    return ArraySource(Grid(codes, Lattice(100.0, 200.0, 2.0), 0, 0, nodata))


def eastward(*y: float) -> pd.DataFrame:
    """Give bank points at x = 100 that look east."""
    return pd.DataFrame({"x": 100.0, "y": y, "out_x": 1.0, "out_y": 0.0})


@pytest.mark.parametrize("kind", [np.uint8, np.int32])
def test_shares_are_those_counted_by_hand(kind: type) -> None:
    codes = np.full((10, 10), 4, kind)
    codes[:, :3] = 1  # wood for 6 of 12 m
    codes[5:, :] = 1  # the lower half is wood
    shares = strip_shares(eastward(199.0, 197.0, 183.0, 195.0), np.array([0, 0, 1, 2]), source(codes), LEGEND, 12.0)
    assert shares[:, WOODY].tolist() == [0.5, 1.0, 0.5]
    assert shares[:, CROP].tolist() == [0.5, 0.0, 0.5]
    assert shares.sum(axis=1).tolist() == [1.0, 1.0, 1.0]


def test_unknown_ground_counts_for_nothing() -> None:
    codes = np.full((4, 4), 4, np.int32)
    codes[0, :] = [1, 7, -(2**31), 300]  # 7 is in no legend
    got = strip_shares(eastward(199.0, 197.0, 150.0), np.array([0, 1, 2]), source(codes, -(2**31)), LEGEND, 20.0)
    assert got[0, [WOODY, COVERS.index("developed")]].tolist() == [0.5, 0.5]  # beyond 8 m there are no cells
    assert got[1, CROP] == 1.0
    assert np.isnan(got[2]).all()


def test_nodata_that_the_legend_names_is_unknown() -> None:
    codes = np.array([[1, 1, 4, 4]], np.uint8)
    assert strip_shares(eastward(199.0), np.array([0]), source(codes, 4.0), LEGEND, 8.0)[0, WOODY] == 1.0


def test_no_banks_no_shares() -> None:
    nothing = strip_shares(eastward(), np.empty(0, np.int64), source(np.ones((2, 2), np.uint8)), LEGEND, 8.0)
    assert nothing.shape == (0, len(COVERS))


def test_threads_change_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(4)
    codes = rng.choice(np.array([1, 4], np.uint8), (60, 60))
    angle, bank = rng.uniform(0, 6, 90), np.repeat(np.arange(30), 3)
    points = pd.DataFrame({"x": rng.uniform(110, 200, 90), "y": rng.uniform(90, 190, 90)})
    points = points.assign(out_x=np.cos(angle), out_y=np.sin(angle))
    got = []
    for threads in (1, 2, 7):
        monkeypatch.setattr("gisprio.compute.banks.shares.WORKERS", threads)
        got.append(strip_shares(points, bank, source(codes), LEGEND, 12.0))
    assert np.array_equal(got[0], got[1], equal_nan=True)
    assert np.array_equal(got[0], got[2], equal_nan=True)
