"""Shares of cover classes in 30 m strips on both sides of 5,000 reaches: 10,000 strips, eight classes.

Measured: reading the raster (`rasterio.open(path, num_threads=2).read(1)`) and
`gisprio.compute.banks.shares.strip_shares` with a station each 5 m. Beside it, without a goal, the whole stage
`measure_cover` on the same stations, once, which gives widths, what is missing, errors and more. Anchor:
`exact_extract(path, strips, ["unique", "frac"], strategy="raster-sequential", output="pandas")`. Stations and strips
are at hand on either side.

Goals: at least 40 times as fast on cells of 10 m, 20 times on cells of 1 m; mean absolute error of a share at most .006
from exactextract's exact coverage, on reaches whose bends have radii of 88 m and more. (It grows with bends, in which a
fan of transects and a strip of even width weigh the bank differently: .015 with bends down to 28 m.) Cells of 1 m: a
tenth of the reaches on a tenth of the ground (9e6 cells), with `--large` all of them (1e8).
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
import shapely
from affine import Affine
from numpy.typing import NDArray

from gisprio.contracts.grids import ArraySource, Grid, Lattice
from tests.benchmarks.fresh import Measured, best_of_turns, in_own_process, timed
from tests.benchmarks.lines import CRS, LENGTH_M, WIDTH_M, strips, winding_reaches
from tests.benchmarks.rows import Part, Row
from tests.benchmarks.worlds import between, noise

if TYPE_CHECKING:
    from tests.benchmarks.session import Session

REACHES, SIDE_M = 5_000, 10_000.0
STATION_M = 5.0
GOALS = {10.0: 40.0, 1.0: 20.0}
GOAL_ERROR = 0.006
COVERS = ("woody", "herbaceous", "pasture", "crop", "bare", "developed", "wetland", "water")


def write_cover(path: Path, side_m: float, cell_m: float, seed: int = 2) -> None:
    """Write land cover of eight classes in patches of tens to hundreds of metres; lower left corner 0, 0."""
    coarse = round(side_m / 10.0)
    rng = np.random.default_rng(seed)
    large, small = noise(coarse, 60.0, rng), noise(coarse, 12.0, rng)
    at = (np.arange(round(side_m / cell_m)) + 0.5) * (cell_m / 10.0) - 0.5
    codes = np.empty((len(at), len(at)), np.uint8)
    for first in range(0, len(at), 1_000):
        some = at[first : first + 1_000]
        kind = np.digitize(between(large, some, at), [-0.7, 0.0, 0.7])
        codes[first : first + 1_000] = 1 + 2 * kind + (between(small, some, at) > 0.3)
    profile = {"driver": "GTiff", "width": len(at), "height": len(at), "count": 1, "dtype": "uint8", "crs": CRS}
    profile |= {"transform": Affine(cell_m, 0, 0, 0, -cell_m, side_m), "tiled": True, "compress": "deflate"}
    with rasterio.open(path, "w", **profile, blockxsize=512, blockysize=512, num_threads=2) as out:
        out.write(codes, 1)


def legend() -> pd.DataFrame:
    """Give a legend of eight classes."""
    return pd.DataFrame({"code": range(1, 9), "name": COVERS, "cover": COVERS, "c_factor": np.nan, "min_width_m": 1.0})


def bank_points(lines: NDArray[np.object_]) -> pd.DataFrame:
    """Give the bank points of both sides of each line, those of a bank together; the line is the bank line."""
    per_line = round(LENGTH_M / STATION_M)
    at = (np.arange(per_line) + 0.5) / per_line
    repeated, places = np.repeat(lines, per_line), np.tile(at, len(lines))
    near = 0.5 / LENGTH_M
    here, before, after = (
        shapely.get_coordinates(shapely.line_interpolate_point(repeated, places + move, normalized=True))
        for move in (0.0, -near, near)
    )
    along = (after - before) / np.linalg.norm(after - before, axis=1, keepdims=True)
    table = pd.DataFrame({"x": here[:, 0], "y": here[:, 1], "line": np.repeat(np.arange(len(lines)), per_line)})
    table["station_no"] = np.tile(np.arange(per_line), len(lines))
    sides = [
        table.assign(side=side, out_x=-sign * along[:, 1], out_y=sign * along[:, 0])
        for side, sign in enumerate((1.0, -1.0))
    ]
    both = pd.concat(sides).sort_values(["line", "side", "station_no"], kind="stable", ignore_index=True)
    return both.assign(segment_no=both["line"], bank=2 * both["line"] + both["side"])


def source_of(path: str) -> ArraySource:
    """Read a raster whole, as a grid source."""
    with rasterio.open(path, num_threads=2) as file:
        a = file.transform
        return ArraySource(Grid(file.read(1), Lattice(a[2], a[5], a[0])))


def by_transects(path: str, side_m: float, reaches: int, out: str) -> Measured:
    """Measure gisprio; leave the shares in a file."""
    from gisprio.compute.banks.shares import strip_shares

    points = bank_points(winding_reaches(reaches, side_m))
    bank = points["bank"].to_numpy()

    def work() -> tuple[float, NDArray[np.float64]]:
        reading, source = timed(lambda: source_of(path))
        return reading, strip_shares(points, bank, source, legend(), WIDTH_M)

    small = ArraySource(Grid(np.ones((2, 2), np.uint8), Lattice(0.0, side_m, 1.0)))
    strip_shares(points[:80], bank[:80], small, legend(), WIDTH_M)  # compiled, or loaded
    seconds, (reading, shares) = timed(work)
    np.save(out, shares[:, : len(COVERS)])
    return {"seconds": seconds, "reading_s": reading}


def by_stage(path: str, side_m: float, reaches: int) -> Measured:
    """Measure the stage that measures cover."""
    from gisprio.compute.banks.cover import measure_cover
    from gisprio.contracts.layers import WETLANDS
    from gisprio.contracts.schema import empty
    from gisprio.contracts.settings import Settings

    points = bank_points(winding_reaches(reaches, side_m)).assign(bank_line_basis="half_width")
    key = points[["segment_no", "station_no", "side"]]
    core = {
        "bank_points": points,
        "side_setbacks": key.assign(setback_m=WIDTH_M, counted_m=WIDTH_M, inner_m=np.nan),
        "side_ground": key.assign(owned_m=np.nan),
        "side_works": key.assign(cover_from_m=np.nan, cover_to_m=np.nan, planted=False),
    }
    halo = {"legend": legend(), "wetlands": empty(WETLANDS, CRS)}
    settings = Settings.model_validate(
        {
            "run": {"name": "Shares", "output": "results"},
            "layers": {"dem": "dem.tif", "land_cover": "cover.tif"},
            "land_cover": {"legend": "legend.csv"},
            "setback": {"width_m": WIDTH_M},
        }
    )
    return {"seconds": timed(lambda: measure_cover(core, halo, {"land_cover": source_of(path)}, settings))[0]}


def by_exactextract(path: str, side_m: float, reaches: int, out: str) -> Measured:
    """Measure exactextract; leave the shares in a file."""
    from exactextract import exact_extract

    polygons = strips(winding_reaches(reaches, side_m))
    layer = gpd.GeoDataFrame({"bank": range(len(polygons))}, geometry=polygons, crs=CRS)

    def extract(some: gpd.GeoDataFrame) -> pd.DataFrame:
        return exact_extract(path, some, ["unique", "frac"], strategy="raster-sequential", output="pandas")

    extract(layer[:10])
    seconds, found = timed(lambda: extract(layer))
    shares = np.zeros((len(layer), len(COVERS)))
    for bank, (codes, parts) in enumerate(zip(found["unique"], found["frac"], strict=True)):
        shares[bank, np.asarray(codes, int) - 1] = parts
    np.save(out, shares)
    return {"seconds": seconds}


def rows(session: Session) -> Sequence[Row]:
    """Measure cells of 10 m and of 1 m."""
    made: list[Row] = []
    for cell_m, goal in GOALS.items():
        part = 1.0 if cell_m == 10.0 or "bank_shares" in session.large else 0.3
        side_m, reaches = SIDE_M * part, round(REACHES * part**2)
        path = session.folder / f"shares_{cell_m:g}.tif"
        write_cover(path, side_m, cell_m)
        made += compared(session, {"path": str(path), "side_m": side_m, "reaches": reaches}, cell_m, goal)
    return made


def compared(session: Session, world: dict[str, str | float | int], cell_m: float, goal: float) -> list[Row]:
    """Compare all sides on one raster."""
    own, exact = (str(session.folder / f"{name}_{cell_m:g}.npy") for name in ("own", "exact"))
    best = best_of_turns(
        own=("bank_shares:by_transects", {**world, "out": own}),
        exact=("bank_shares:by_exactextract", {**world, "out": exact}),
    )
    best["stage"] = in_own_process("bank_shares:by_stage", **world)
    session.say(f"  {best}")
    error = float(np.abs(np.load(own) - np.load(exact)).mean())
    of = f"{2 * int(world['reaches']):,} strips, cells of {cell_m:g} m"
    anchor = '`exact_extract(path, strips, ["unique", "frac"], strategy="raster-sequential")`'
    times = {name: one["seconds"] for name, one in best.items()}
    return [
        Row(
            f"class shares of {of}: times as fast",
            times["exact"] / times["own"],
            f"{anchor}: {times['exact']:.2f} against {times['own']:.3f} s",
            goal,
            least=True,
        ),
        Row("mean error of a share", error, "its exact coverage", GOAL_ERROR, ""),
        Row(
            f"all that the cover stage measures, {of}: times as fast",
            times["exact"] / times["stage"],
            f"the same, shares only: {times['exact']:.2f} against {times['stage']:.2f} s",
            least=True,
        ),
    ]


PART = Part("bank_shares", rows)
