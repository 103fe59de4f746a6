"""Stations: points along every segment, with the direction square to the smoothed line and its curvature."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.contracts.cards import Sources, Tables
from gisprio.contracts.layers import STATIONS
from gisprio.contracts.schema import empty
from gisprio.contracts.settings import Settings

Floats = NDArray[np.floating]
SMOOTHING_WIDTHS = 2.0
SMOOTHING_LINE_ERRORS = 3.0


def lay_stations(core: Tables, halo: Tables, sources: Sources, settings: Settings) -> dict[str, pd.DataFrame]:
    """Lay stations along the segments of a piece.

    Parameters
    ----------
    core
        ``segments``, ``reach_measures`` and ``stretches`` of the piece.
    halo
        ``segments`` up and down the network, so that smoothing does not stop at a confluence.
    sources
        None.
    settings
        Section ``streams``.

    Returns
    -------
    dict
        ``stations``: one row every ``station_spacing_m``, in the middle of the length it stands for.

    Notes
    -----
    Smoothing length [m] = max(2 bankfull widths, 3 line errors), as the equal-variance Gaussian of a moving mean:
    sigma = length / sqrt(12). The error of a line drawn from the heights is a cell at least. A radius under 3 line
    errors is missing: it measures the digitiser. The line goes on through a confluence along the main path; a tributary
    goes straight on.
    """
    spacing = settings.streams.station_spacing_m
    lines = _Lines.of(core["segments"], halo["segments"])
    pieces = []
    for segment in core["segments"].itertuples(index=False):
        reaches = core["reach_measures"]
        reaches = reaches[reaches["segment_no"] == segment.segment_no]
        stretches = core["stretches"]
        stretches = stretches[stretches["segment_no"] == segment.segment_no]
        line = shapely.get_coordinates(segment.geometry)
        pieces.append(_segment_stations(segment, line, lines, reaches, stretches, spacing))
    if not pieces:
        return {"stations": empty(STATIONS)}
    return {"stations": pd.concat(pieces, ignore_index=True)}


@dataclass(frozen=True)
class _Lines:
    """Lines and main neighbours by segment."""

    coordinates: dict[int, Floats]
    down: dict[int, int]
    up: dict[int, int]

    @classmethod
    def of(cls, *tables: pd.DataFrame) -> _Lines:
        coordinates, down, up = {}, {}, {}
        for table in tables:
            for row in table.itertuples(index=False):
                coordinates[row.segment_no] = shapely.get_coordinates(row.geometry)
                down[row.segment_no] = row.downstream_no
                up[row.segment_no] = row.main_upstream_no
        return cls(coordinates, down, up)

    def above(self, segment_no: int, reach: float) -> Floats:
        """Give the last ``reach`` metres of line above a segment, drawn downstream; (n, 2)."""
        parts: list[Floats] = []
        seen, number, length = {segment_no}, self.up.get(segment_no, -1), 0.0
        while number in self.coordinates and number not in seen and length < reach:
            parts.insert(0, self.coordinates[number])
            length += along_line(self.coordinates[number])[-1]
            seen.add(number)
            number = self.up.get(number, -1)
        return np.concatenate(parts) if parts else np.empty((0, 2))

    def below(self, segment_no: int, reach: float) -> Floats:
        """Give the first ``reach`` metres of line below a segment, drawn downstream; (n, 2).

        A tributary ends where it joins: the corner into the main stem is no bend of its own.
        """
        parts: list[Floats] = []
        seen, number, length = {segment_no}, self._continues(segment_no), 0.0
        while number in self.coordinates and number not in seen and length < reach:
            parts.append(self.coordinates[number])
            length += along_line(self.coordinates[number])[-1]
            seen.add(number)
            number = self._continues(number)
        return np.concatenate(parts) if parts else np.empty((0, 2))

    def _continues(self, segment_no: int) -> int:
        """Give the segment below of which this one is the main upstream; -1 where it is a tributary or the end."""
        below = self.down.get(segment_no, -1)
        return below if self.up.get(below, -1) == segment_no else -1


def along_line(points: Floats) -> Floats:
    """Distance along a line at each vertex [m]."""
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])


def station_borders(length: float, spacing: float) -> Floats:
    """Cut a length in fixed steps from 0; the last step takes what is left. (n + 1,) [m]."""
    count = max(1, int(np.ceil(length / spacing - 1e-6)))
    borders = np.arange(count + 1) * spacing
    borders[-1] = length
    return borders


def smoothing_length(width_m: float, line_error_m: float) -> float:
    """Length over which a line is smoothed [m]; the width may be missing (NaN)."""
    wide = 0.0 if np.isnan(width_m) else SMOOTHING_WIDTHS * width_m
    return max(wide, SMOOTHING_LINE_ERRORS * line_error_m)


def _segment_stations(
    segment: object,
    line: Floats,
    lines: _Lines,
    reaches: pd.DataFrame,
    stretches: pd.DataFrame,
    spacing: float,
) -> pd.DataFrame:
    number = int(segment.segment_no)  # type: ignore[attr-defined]
    line_error = float(segment.line_error_m)  # type: ignore[attr-defined]
    length = float(along_line(line)[-1])
    borders = station_borders(length, spacing)
    at = (borders[:-1] + borders[1:]) / 2
    reach_row = np.clip(np.searchsorted(reaches["from_m"].to_numpy(), at, side="right") - 1, 0, len(reaches) - 1)
    widths = reaches["bankfull_width_m"].to_numpy(float)
    smooth = smoothing_length(float(widths[0]), line_error)  # at the lower end: wherever reaches are cut
    x, y, left_x, left_y, curvature = directions(
        line, lines.above(number, 3 * smooth), lines.below(number, 3 * smooth), length - at, smooth
    )
    curvature[np.abs(curvature) > 1 / (3 * line_error)] = np.nan
    stretch_row = np.clip(np.searchsorted(stretches["from_m"].to_numpy(), at, side="right") - 1, 0, len(stretches) - 1)
    return pd.DataFrame(
        {
            "segment_no": number,
            "station_no": np.arange(len(at)),
            "reach_no": reaches["reach_no"].to_numpy()[reach_row],
            "at_m": at,
            "from_m": borders[:-1],
            "to_m": borders[1:],
            "kind": stretches["kind"].to_numpy()[stretch_row],
            "x": x,
            "y": y,
            "left_x": left_x,
            "left_y": left_y,
            "curvature_1_m": curvature,
            "bankfull_width_m": widths[reach_row],
            "line_error_m": line_error,
        }
    )


def directions(
    line: Floats, above: Floats, below: Floats, at: Floats, smooth: float
) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Give places on a line, the unit vectors to the left of the smoothed line there, and its curvature.

    Parameters
    ----------
    line
        (n, 2) vertices drawn downstream [m].
    above, below
        (k, 2) vertices before and after it, possibly none.
    at
        (m,) distances from the line's upper end [m].
    smooth
        Smoothing length [m].

    Returns
    -------
    tuple
        x, y [m], left_x, left_y [-], curvature [1/m, positive where the line bends to the left]; each (m,).
    """
    along = along_line(line)
    x, y = np.interp(at, along, line[:, 0]), np.interp(at, along, line[:, 1])
    step = min(smooth / 6.0, 5.0)
    dense_at, dense = _extended(line, above, below, 2 * smooth, step)
    sigma = smooth / np.sqrt(12.0) / step
    half = int(np.ceil(3 * sigma))
    kernel = np.exp(-0.5 * (np.arange(-half, half + 1) / sigma) ** 2)
    kernel /= kernel.sum()
    soft = np.column_stack([np.convolve(dense[:, i], kernel, "valid") for i in (0, 1)])
    soft_at = dense_at[half : len(dense_at) - half]
    d1 = np.gradient(soft, step, axis=0)
    d2 = np.gradient(d1, step, axis=0)
    speed = np.hypot(d1[:, 0], d1[:, 1])
    bend = (d1[:, 0] * d2[:, 1] - d1[:, 1] * d2[:, 0]) / np.maximum(speed, 1e-9) ** 3
    tx, ty = np.interp(at, soft_at, d1[:, 0]), np.interp(at, soft_at, d1[:, 1])
    norm = np.maximum(np.hypot(tx, ty), 1e-9)
    return x, y, -ty / norm, tx / norm, np.interp(at, soft_at, bend)


def _extended(line: Floats, above: Floats, below: Floats, reach: float, step: float) -> tuple[Floats, Floats]:
    """Resample a line with ``reach`` metres before and after it; ends without neighbours are mirrored in a point."""
    along = along_line(line)
    length = along[-1]
    margin = int(np.ceil(reach / step))
    inner = max(2, int(np.ceil(length / step)) + 1)
    at = np.arange(-margin, inner + margin) * step
    whole = [line]
    offset = 0.0
    if len(above):
        whole.insert(0, above)
        offset = along_line(above)[-1] + float(np.hypot(*(line[0] - above[-1])))
    if len(below):
        whole.append(below)
    points = np.concatenate(whole)
    total = along_line(points)
    place = at + offset
    return at, np.column_stack([_mirrored(place, total, points[:, i]) for i in (0, 1)])


def _mirrored(place: Floats, along: Floats, values: Floats) -> Floats:
    """Interpolate; beyond an end go on as the mirror image in that end."""
    end = along[-1]
    inside = np.interp(place, along, values)
    before = 2 * values[0] - np.interp(-place, along, values)
    after = 2 * values[-1] - np.interp(2 * end - place, along, values)
    return np.where(place < 0, before, np.where(place > end, after, inside))
