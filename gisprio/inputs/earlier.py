"""Reads the candidates of an earlier shortlist back, to find its sites again by place."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pyogrio
import pyproj
from pyogrio.errors import DataLayerError, DataSourceError

from gisprio.contracts.errors import InputError
from gisprio.contracts.shortlist import CANDIDATES
from gisprio.contracts.words import SIDES

FILE = "shortlist.gpkg"
_NEEDED = ("site_id", "side", "chosen")


def read_earlier(path: Path, crs: str) -> gpd.GeoDataFrame:
    """Read layer ``candidates`` of an earlier shortlist.

    Parameters
    ----------
    path
        ``shortlist.gpkg``, or the folder that holds it.
    crs
        The working system of this run as WKT: lines are brought into it.

    Raises
    ------
    InputError
        It is not there, or no shortlist.
    """
    file = path / FILE if path.is_dir() else path
    try:
        frame = pyogrio.read_dataframe(file, layer=CANDIDATES.name)
    except (DataLayerError, DataSourceError, OSError) as error:
        raise _wrong(path) from error
    lines = isinstance(frame, gpd.GeoDataFrame) and bool((frame.geom_type == "LineString").all())
    if not lines or not set(_NEEDED) <= set(frame) or not set(frame["side"]) <= set(SIDES) or frame.crs is None:
        raise _wrong(path)
    return frame[[*_NEEDED, "geometry"]].to_crs(pyproj.CRS.from_wkt(crs))


def _wrong(path: Path) -> InputError:
    return InputError(
        f"{path} is no earlier shortlist.",
        wanted=f"{FILE} as gisprio shortlist wrote it, or the folder it lies in.",
        do="give that file or folder, or leave --earlier out.",
    )
