"""What a tile gets: the rows of its own segments, and the rows near them."""

from __future__ import annotations

from collections.abc import Iterator

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.compute.banks.bank_lines import SEARCH_LEAST_M, SEARCH_WIDTHS
from gisprio.compute.banks.valleys import VALLEY_LEAST_M
from gisprio.contracts.constants import UNCONFINED_RATIO
from gisprio.contracts.errors import ContractError
from gisprio.contracts.grids import Bounds
from gisprio.contracts.settings import Settings
from gisprio.run.tiles import Tile


def halo_width(settings: Settings, reaches: pd.DataFrame | None, cell_m: float) -> float:
    """Give how far around its segments a tile sees [m].

    Parameters
    ----------
    settings
        Sections ``setback`` and ``streams`` are read.
    reaches
        Layer ``reach_measures``; None before it is made.
    cell_m
        Cell of the heights [m].

    Notes
    -----
    H = 2 (A + s + o) + w + L, with A the reach of the transects that look for the bank line, s the widest setback of
    all rules, o their longest opening, w the widest bankfull width of the run and L the smoothing length of the centre
    line, the largest of 2 w, 3 cells and 3 line errors: the strips of two streams meet no further apart.
    """
    widest = widest_m(reaches)
    smoothing = max(2 * widest, 3 * cell_m, 3 * settings.streams.line_error_m)
    across = max(SEARCH_LEAST_M, SEARCH_WIDTHS * widest)
    return 2 * (across + settings.setback.widest_m + settings.setback.widest_opening_m) + widest + smoothing


def grid_width(settings: Settings, reaches: pd.DataFrame | None, cell_m: float) -> float:
    """Give how far around its segments a tile sees on grids [m]: what stages ask for, and two cells more.

    Parameters
    ----------
    settings
        Sections ``setback`` and ``factor`` are read.
    reaches
        Layer ``reach_measures``; None before it is made.
    cell_m
        Cell of the heights [m].

    Notes
    -----
    The valley floor is looked for out to the width ratio of an open valley a side; own layers as far as their
    ``within_m``. All of it begins at the bank line, which lies within the reach of the transects.
    """
    transects = halo_width(settings, reaches, cell_m)
    widest = widest_m(reaches)
    own = [factor.within_m or 0.0 for factor in settings.factor.values()]
    beyond = max(VALLEY_LEAST_M, UNCONFINED_RATIO.value * widest, *own)
    return transects + beyond + settings.setback.widest_m + settings.setback.widest_opening_m + 2 * cell_m


def widest_m(reaches: pd.DataFrame | None) -> float:
    """Give the widest bankfull width of the run [m]; 0 before it is known."""
    if reaches is None or "bankfull_width_m" not in reaches or not reaches["bankfull_width_m"].notna().any():
        return 0.0
    return float(reaches["bankfull_width_m"].max())


def core_rows(name: str, table: pd.DataFrame, tile: Tile, reaches: pd.DataFrame | None) -> pd.DataFrame:
    """Give the rows of a whole table that belong to a tile's segments, index renewed.

    Parameters
    ----------
    name
        Name of the table, for the message.
    table
        Whole table with ``segment_no``, or with ``reach_no`` only.
    tile
        The tile.
    reaches
        Layer ``reach_measures``, which says the segment of a reach.

    Raises
    ------
    ContractError
        The table has neither number.
    """
    if "segment_no" in table.columns:
        numbers = table["segment_no"]
    elif "reach_no" in table.columns and reaches is not None:
        numbers = table["reach_no"].map(reaches.set_index("reach_no")["segment_no"])
    else:
        raise ContractError(
            f"table {name} cannot be cut into tiles: it has no segment_no and no reach_no.",
            wanted="a table of segments or reaches in the reads of a piece stage.",
            do="name it under as_is in run/stages.py if it is needed whole.",
        )
    return table[numbers.isin(tile.segment_nos).to_numpy()].reset_index(drop=True)


def near_box(segments: gpd.GeoDataFrame, tile: Tile, width_m: float) -> Bounds:
    """Give the box of a tile's segments, grown on all sides [m]."""
    own = segments.geometry.to_numpy()[segments["segment_no"].isin(tile.segment_nos).to_numpy()]
    x0, y0, x1, y1 = shapely.total_bounds(own).tolist()
    return x0 - width_m, y0 - width_m, x1 + width_m, y1 + width_m


class Surroundings:
    """Finds the rows of whole tables near a tile; boxes of the shapes are measured once a table.

    Parameters
    ----------
    segments
        Layer ``segments``.
    width_m
        How far a tile sees [m].
    grid_width_m
        How far it sees on grids [m].
    """

    def __init__(self, segments: gpd.GeoDataFrame, width_m: float, grid_width_m: float) -> None:
        self.grid_width_m = grid_width_m
        self._segments = segments
        self.width_m = width_m
        self._boxes: dict[str, NDArray[np.float64]] = {}
        numbers = segments["segment_no"].tolist()
        self._length = dict(zip(numbers, segments["length_m"].tolist(), strict=True))
        self._ways = [
            dict(zip(numbers, segments[column].tolist(), strict=True))
            for column in ("downstream_no", "main_upstream_no")
        ]

    def frame(self, tile: Tile) -> Bounds:
        """Give the box of grids that a tile sees [m]."""
        return near_box(self._segments, tile, self.grid_width_m)

    def rows(self, name: str, table: pd.DataFrame, tile: Tile) -> pd.DataFrame:
        """Give the rows whose box meets the tile's box; of ``segments`` also neighbours along the network.

        Row order stays, the index is renewed. The tile's own segments are among the rows.
        """
        if not isinstance(table, gpd.GeoDataFrame):
            raise ContractError(
                f"table {name} has no geometry, so it has no rows near a tile.",
                wanted="a table with geometry in the halo of a piece stage.",
                do="name it under as_is in run/stages.py if it is needed whole.",
            )
        if name not in self._boxes:
            self._boxes[name] = shapely.bounds(table.geometry.to_numpy()).reshape(-1, 4)
        boxes = self._boxes[name]
        x0, y0, x1, y1 = near_box(self._segments, tile, self.width_m)
        near = (boxes[:, 0] <= x1) & (boxes[:, 2] >= x0) & (boxes[:, 1] <= y1) & (boxes[:, 3] >= y0)
        if name == "segments":
            near |= table["segment_no"].isin(set(self._along_network(tile))).to_numpy()
        return table[near].reset_index(drop=True)

    def _along_network(self, tile: Tile) -> Iterator[int]:
        """Walk from each segment downstream, and up the main stem, for twice the width."""
        for start in tile.segment_nos.tolist():
            for way in self._ways:
                walked, at, seen = 0.0, way[start], {start}
                while at in self._length and at not in seen:
                    yield at
                    seen.add(at)
                    walked += self._length[at]
                    if walked >= 2 * self.width_m:
                        break
                    at = way[at]


def put_together(parts: list[pd.DataFrame], key: tuple[str, ...]) -> pd.DataFrame:
    """Put the tables of tiles together, sorted by key, so that the tiles leave no trace.

    Parameters
    ----------
    parts
        At least one table, all of one layer.
    key
        Key of the layer; empty means the number columns that are there.
    """
    filled = [part for part in parts if len(part)] or parts[:1]
    whole = filled[0] if len(filled) == 1 else pd.concat(filled, ignore_index=True)
    by = [name for name in key or ("segment_no", "reach_no", "station_no", "side") if name in whole.columns]
    return whole.sort_values(by, kind="stable", ignore_index=True) if by else whole
