"""Ground of bank strips on properties: the area of every pair that meets.

Measured: `gisprio.compute.land.shared_ground.shared_areas` on 10,000 strips, 30 m wide and 200 m long, beside 5,000
winding reaches, and 20,000 properties; the whole stage that does this for gaps, `share_properties`, calls it. Anchor:
`geopandas.overlay(strips, properties, how="intersection", keep_geom_type=True)` and `.area` of it. Both start from
polygons at hand. Goal: at most 0.5 times its time, with the same areas pair by pair to 1e-9.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import shapely

from tests.benchmarks.fresh import Measured, best_of_turns, timed
from tests.benchmarks.lines import CRS, strips, winding_reaches
from tests.benchmarks.rows import Part, Row

if TYPE_CHECKING:
    from tests.benchmarks.session import Session

REACHES, PROPERTIES = 5_000, 20_000
SIDE_M = 10_000.0
GOAL_TIMES, GOAL_AREA = 0.5, 1e-9


def layers() -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Make the strips and the properties."""
    polygons = strips(winding_reaches(REACHES, SIDE_M))
    count = round(PROPERTIES**0.5)
    nodes = np.stack(np.meshgrid(np.arange(count + 1), np.arange(count + 1)), axis=-1) * (SIDE_M / count)
    nodes[1:-1, 1:-1] += np.random.default_rng(3).uniform(-0.3, 0.3, nodes[1:-1, 1:-1].shape) * (SIDE_M / count)
    ring = [nodes[:-1, :-1], nodes[:-1, 1:], nodes[1:, 1:], nodes[1:, :-1]]
    lots = shapely.polygons(np.stack(ring, axis=2).reshape(-1, 4, 2))
    return (
        gpd.GeoDataFrame({"strip": range(len(polygons))}, geometry=polygons, crs=CRS),
        gpd.GeoDataFrame({"property": range(len(lots))}, geometry=lots, crs=CRS),
    )


def shared(out: str) -> Measured:
    """Measure gisprio; leave the areas in a file."""
    from gisprio.compute.land.shared_ground import shared_areas

    one, other = layers()
    shared_areas(np.asarray(one.geometry.array[:100]), np.asarray(other.geometry.array))
    seconds, pairs = timed(lambda: shared_areas(np.asarray(one.geometry.array), np.asarray(other.geometry.array)))
    pairs = pairs[pairs["area_m2"] > 0]
    np.save(out, np.column_stack([pairs["strip"], pairs["property"], pairs["area_m2"]]))
    return {"seconds": seconds}


def overlaid(out: str) -> Measured:
    """Measure the overlay; leave the areas in a file."""
    one, other = layers()
    gpd.overlay(one[:100], other, how="intersection", keep_geom_type=True)

    def work() -> gpd.GeoDataFrame:
        pairs = gpd.overlay(one, other, how="intersection", keep_geom_type=True)
        return pairs.assign(area_m2=pairs.geometry.area)

    seconds, pairs = timed(work)
    pairs = pairs.sort_values(["strip", "property"])
    np.save(out, np.column_stack([pairs["strip"], pairs["property"], pairs["area_m2"]]))
    return {"seconds": seconds}


def unlike(one: Path, other: Path) -> float:
    """Give the largest relative difference of the areas of a pair; 1 where one side has not the same pairs."""
    own, their = np.load(one), np.load(other)
    if own.shape != their.shape or (own[:, :2] != their[:, :2]).any():
        return 1.0
    return float((np.abs(own[:, 2] - their[:, 2]) / their[:, 2]).max())


def rows(session: Session) -> Sequence[Row]:
    """Measure both sides, and compare the areas."""
    own, their = session.folder / "shared.npy", session.folder / "overlaid.npy"
    best = best_of_turns(
        own=("strips_on_properties:shared", {"out": str(own)}),
        their=("strips_on_properties:overlaid", {"out": str(their)}),
    )
    times = [best[side]["seconds"] for side in ("own", "their")]
    pairs = len(np.load(their))
    work = f"areas of {2 * REACHES:,} strips on {PROPERTIES:,} properties, {pairs:,} pairs"
    against = f'`geopandas.overlay(how="intersection")`: {times[0]:.2f} against {times[1]:.2f} s'
    return [
        Row(work, times[0] / times[1], against, GOAL_TIMES),
        Row("largest difference of an area among them", unlike(own, their), "relative to those areas", GOAL_AREA, ""),
    ]


PART = Part("strips_on_properties", rows)
