"""Stream lines by name with ground of their own, joined on a plane that falls: order and area of each by hand."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.compute.network.areas import network_areas
from gisprio.compute.network.join import join_streams
from gisprio.compute.terrain.flow import stream_pieces
from gisprio.contracts.findings import Finding, findings_from
from gisprio.contracts.layers import SEGMENTS, SOURCE_PARTS
from gisprio.contracts.schema import check
from makers import Place
from network_world import heights, streams
from tables import settings

P = Place(0.0, 0.0)
EXTENT = (-300.0, -1200.0, 4200.0, 1200.0)
Points = Sequence[tuple[float, float]]


def plane(u: NDArray, v: NDArray) -> NDArray:
    """Give ground that falls by 2 m in 100 m along u and is level across."""
    return 200 - 0.02 * u + 0.0 * v


def joined(
    lines: dict[str, Points],
    height: Callable[[NDArray, NDArray], NDArray] = plane,
    cut_at: float | None = None,
    **columns: dict[str, object],
) -> tuple[pd.DataFrame, pd.DataFrame, dict[str, Finding]]:
    """Join named lines, (u, v) each; columns by name of line. Segments, source parts, findings by check.

    ``cut_at``, a share of its length, draws each line in two.
    """
    names, drawn = list(lines), [P.line(*points) for points in lines.values()]
    if cut_at is not None:
        spans = ((0.0, cut_at), (cut_at, 1.0))
        drawn = [shapely.ops.substring(line, *span, normalized=True) for line in drawn for span in spans]
        names = [name for name in names for _ in spans]
    given = {column: [values.get(name) for name in names] for column, values in columns.items()}
    layer = streams(drawn, source_id=names, name=names, **given)
    out = join_streams(
        {"stream_lines": layer}, {"elevation": heights(height, P, EXTENT)}, settings().part(("streams",))
    )
    said = {finding.check: finding for finding in findings_from(out["findings"])}
    return check(SEGMENTS, out["segments"]), check(SOURCE_PARTS, out["source_parts"]), said


def judged(
    lines: dict[str, Points],
    own_km2: dict[str, float],
    height: Callable[[NDArray, NDArray], NDArray] = plane,
    cut_at: float | None = None,
    **columns: dict[str, object],
) -> pd.DataFrame:
    """Give for each named line, at its lower end: ``km2``, ``order``, ``minor``, ``into`` (line below; None: outlet).

    The ground of a line lies in its middle; lines are at least 150 m long, or a piece would reach over their ends.
    """
    segments, parts, _ = joined(lines, height, cut_at, **columns)
    runs = parts.groupby(["segment_no", "name"]).agg(from_m=("from_m", "min"), to_m=("to_m", "max")).reset_index()
    runs = runs.sort_values(["segment_no", "from_m"])
    pieces = stream_pieces(segments).assign(area_m2=0.0, cut=False)
    whole = runs.assign(length=runs["to_m"] - runs["from_m"]).groupby("name")["length"].sum()
    for run in runs.itertuples():
        here = (pieces["segment_no"] == run.segment_no) & (pieces["from_m"] == 50 * ((run.from_m + run.to_m) // 100))
        pieces.loc[here, "area_m2"] += own_km2[run.name] * 1e6 * (run.to_m - run.from_m) / whole[run.name]
    areas = network_areas(segments, pieces)
    uppermost = runs.groupby("segment_no")["name"].last()
    before = runs.groupby("segment_no")["name"].shift()
    rows = {}
    for run, earlier in zip(runs.itertuples(), before, strict=True):
        segment = segments.iloc[run.segment_no]
        below = earlier if isinstance(earlier, str) else uppermost.get(segment["downstream_no"])
        if below != run.name:
            km2 = areas.routed(np.array([run.segment_no]), np.array([run.from_m]))[0]
            rows[run.name] = (km2, segment["strahler_order"], segment["minor"], below)
    made = pd.DataFrame(rows, index=["km2", "order", "minor", "into"]).T
    return made.astype({"km2": float, "order": int, "minor": bool})
