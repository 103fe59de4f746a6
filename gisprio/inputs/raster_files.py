"""Heads of raster files: size, place, system, kind of numbers; no cell is read."""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterator, Sequence
from dataclasses import astuple, dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import rasterio
from pyproj import CRS, Transformer
from rasterio._env import get_gdal_config, set_gdal_config
from rasterio.errors import NotGeoreferencedWarning, RasterioError

from gisprio.contracts.findings import Finding, listed
from gisprio.contracts.grids import Bounds
from gisprio.inputs.crs import height_unit_m, horizontal, named_unit_m, same, transform_bounds, unnamed
from gisprio.inputs.faults import Fault
from gisprio.inputs.paths import Place
from gisprio.inputs.servers import GDAL_OPTIONS, archive_of, url_of

GDAL_CACHE_BYTES = 64 * 2**20
"""Blocks that GDAL keeps decoded, over all files of the process [bytes]."""
_NO_CONTENT = (".ovr", ".xml")
"""Endings of files beside a raster that hold overviews and statistics, not cells."""
_ALIKE = 5
"""Faults or findings that differ in the file alone are told one by one up to here."""


@dataclass(frozen=True, slots=True)
class RasterFile:
    """What the head of a raster file says.

    Parameters
    ----------
    place
        The file.
    crs
        Its horizontal system; None where it names none.
    transform
        Six numbers: x = a column + b row + c, y = d column + e row + f.
    rows, columns
        Its size.
    bounds
        Its extent in its own system.
    bands
        Number of bands; the first is read.
    kind
        Kind of number, as numpy names it.
    scale, offset
        Value = stored x scale + offset.
    height_unit_m
        Metres in one unit of the heights that the system names; None where it names none.
    nodata, mask
        Stored number that means "no data", and the flags of its mask.
    beside
        Files of this machine that decide its cells: itself, those beside it, the sources of a virtual raster, the
        archive it is packed in.
    block
        Rows and columns that are packed together; (1, columns) and the like where it is not cut into tiles.
    version
        What the server says of it; empty for a file of this machine, and where the server says nothing.
    gone
        Sources that a virtual raster names and that are not there.
    far
        Whether cells of it lie beyond this machine.
    """

    place: Place
    crs: CRS | None
    transform: tuple[float, float, float, float, float, float]
    rows: int
    columns: int
    bounds: Bounds
    bands: int
    kind: str
    scale: float
    offset: float
    height_unit_m: float | None
    nodata: float | None = None
    mask: str = ""
    beside: tuple[str, ...] = ()
    block: tuple[int, int] = (1, 1)
    version: str = ""
    gone: tuple[str, ...] = ()
    far: bool = False

    @property
    def north_up(self) -> bool:
        """Whether rows run from north to south, columns from west to east, and cells are square."""
        a, b, _, d, e, _ = self.transform
        return b == 0 and d == 0 and a > 0 and e < 0 and math.isclose(a, -e, rel_tol=1e-6)


def read_head(layer: str, place: Place) -> RasterFile | Fault:
    """Read what the head of a raster file says.

    Parameters
    ----------
    layer
        Its layer, for the message.
    place
        The file.

    Returns
    -------
    RasterFile or Fault
        The fault where it cannot be opened.
    """
    facts = read_facts(layer, place)
    return facts if isinstance(facts, Fault) else head_of(place, facts)


def read_facts(layer: str, place: Place) -> dict[str, Any] | Fault:
    """Read what the head of a raster file says, in words and numbers that JSON can hold.

    Parameters and faults are those of :func:`read_head`.
    """
    try:
        with open_raster(place) as file:
            if file.transform.is_identity:
                return Fault(
                    f"[layers] {layer}: {place.name} does not say where it lies.",
                    "a raster with its corner and cell size, and a coordinate reference system.",
                    "georeference it in your GIS, or put its world file (.tfw) beside it.",
                )
            transform, bounds = file.transform, file.bounds
            archive = archive_of(place)
            packed = {"beside": [archive], "far": [], "gone": []}
            return {
                "wkt": file.crs.to_wkt() if file.crs else None,
                "transform": [transform.a, transform.b, transform.c, transform.d, transform.e, transform.f],
                "rows": file.height,
                "columns": file.width,
                "bounds": [bounds.left, bounds.bottom, bounds.right, bounds.top],
                "bands": file.count,
                "kind": file.dtypes[0],
                "scale": file.scales[0],
                "offset": file.offsets[0],
                "unit": file.units[0],
                "nodata": file.nodata,
                "mask": str(file.mask_flag_enums),
                "block": list(file.block_shapes[0]),
                **(_made_of(place, sorted(file.files)) if archive is None else packed),
            }
    except RasterioError as error:
        url = url_of(place)
        if url is not None:
            return Fault(
                f"[layers] {layer}: {url} cannot be read as a raster: {_why(error)}.",
                "the address of a raster that GDAL reads, on a server that gives parts of a file.",
                "check the address, or download the file and give its path.",
            )
        return Fault(
            f"[layers] {layer}: {place.name} cannot be read as a raster.",
            "a raster that GDAL reads, such as GeoTIFF.",
            "open it in your GIS to see whether it is whole, and save it as GeoTIFF.",
        )


def head_of(place: Place, facts: dict[str, Any], version: str = "") -> RasterFile:
    """Make a head of what :func:`read_facts` read, and of what the server says."""
    crs, height_unit = _system(facts["wkt"])
    return RasterFile(
        place,
        crs,
        tuple(facts["transform"]),
        facts["rows"],
        facts["columns"],
        tuple(facts["bounds"]),
        facts["bands"],
        facts["kind"],
        facts["scale"],
        facts["offset"],
        height_unit or named_unit_m(facts["unit"]),
        facts["nodata"],
        facts["mask"],
        tuple(facts["beside"]),
        tuple(facts["block"]),
        version,
        tuple(facts["gone"]),
        far=bool(facts["far"]) or not (place.is_local or facts["beside"]),
    )


@lru_cache(maxsize=256)
def _system(wkt: str | None) -> tuple[CRS | None, float | None]:
    """Give the horizontal system of WKT, and metres in a unit of its heights; thousands of tiles share one."""
    if wkt is None:
        return None, None
    crs = CRS.from_wkt(wkt)
    return horizontal(crs), height_unit_m(crs)


def _why(error: RasterioError) -> str:
    return str(error).strip(". \n")


def _made_of(place: Place, names: Sequence[str]) -> dict[str, list[str]]:
    """Give the files that hold the cells of a raster, the sources of virtual ones among them.

    Parameters
    ----------
    place
        The raster.
    names
        What GDAL says it is made of.

    Returns
    -------
    dict
        ``beside``: those of this machine. ``far``: those that GDAL reaches by ``/vsi``; the raster itself is left out.
        ``gone``: those that are named and not there.
    """
    found: dict[str, str] = {}
    ahead = list(reversed(names))
    while ahead:
        name = ahead.pop()
        here = Path(name).is_file()
        if name in found or (name == place.path and not here) or name.endswith(_NO_CONTENT) or Path(name).is_dir():
            continue
        found[name] = "beside" if here else "far" if name.startswith("/vsi") else "gone"
        if here and name != place.path and name.lower().endswith(".vrt"):
            with open_raster(Place(name)) as inner:
                ahead += sorted(inner.files, reverse=True)
    return {kind: [name for name, own in found.items() if own == kind] for kind in ("beside", "far", "gone")}


def open_raster(place: Place) -> Any:
    """Open a raster; of one on a server nothing but the file itself is asked for.

    Raises
    ------
    RasterioError
        When it cannot be opened.
    """
    prepare_gdal()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", NotGeoreferencedWarning)
        if url_of(place) is None:
            return rasterio.open(address(place))
        with rasterio.Env(GDAL_DISABLE_READDIR_ON_OPEN="EMPTY_DIR"):
            return rasterio.open(address(place))


@lru_cache(maxsize=1)
def prepare_gdal() -> None:
    """Set for the whole process how many bytes GDAL keeps decoded, and that no server is waited for without end."""
    set_gdal_config("GDAL_CACHEMAX", GDAL_CACHE_BYTES)
    for name, value in GDAL_OPTIONS.items():
        if get_gdal_config(name) is None:
            set_gdal_config(name, value)


Told = TypeVar("Told", Fault, Finding)


def alike_together(told: Sequence[tuple[str, Told]]) -> list[Told]:
    """Put together what is told of many files in the same words.

    Parameters
    ----------
    told
        Name of the file, and the fault or finding that holds the name.

    Returns
    -------
    list
        In the same order; what differs only in the name stands where the first of them stood.
    """
    groups: dict[object, list[tuple[str, Told]]] = {}
    for name, one in told:
        words = astuple(replace(one, says=one.says.replace(name, "\0")))
        groups.setdefault(words, []).append((name, one))
    made: list[Told] = []
    for group in groups.values():
        if len(group) <= _ALIKE:
            made += [one for _, one in group]
            continue
        others = listed((name for name, _ in group[1:]), most=_ALIKE - 1)
        first = group[0][1]
        made.append(replace(first, says=f"{first.says} The same holds for {len(group) - 1} more files: {others}."))
    return made


def head_findings(layer: str, head: RasterFile) -> Iterator[Finding]:
    """Note a system without a registered code, and bands that are not read."""
    if head.crs is not None:
        note = unnamed(layer, head.place.name, head.crs)
        if note is not None:
            yield note
    if head.bands > 1 and layer != "image":
        says = f"{head.place.name} has {head.bands} bands; the first is read."
        yield Finding("note", layer, "bands", "", says, "give a file with one band if another one is meant.")
    if head.far and not head.version:
        says = f"of {head.place.name} only the address is known: that its content changed there will not be noticed."
        do = "run with --fresh after a change there, or download the file and give its path."
        yield Finding("note", layer, "address_only", "", says, do)


def address(place: Place) -> str:
    """Give what GDAL opens: the file, or the named grid inside a GeoPackage."""
    return f"GPKG:{place.path}:{place.sublayer}" if place.sublayer else place.path


def native_cell_m(file: RasterFile, crs: CRS) -> float:
    """Give the side of a square cell as large as the file's cells are on the ground at its middle [m]."""
    a, b, c, d, e, f = file.transform
    if file.crs is None or same(file.crs, crs):
        return math.sqrt(abs(a * e - b * d))
    column, row = file.columns / 2 + np.array([0.0, 1.0, 0.0]), file.rows / 2 + np.array([0.0, 0.0, 1.0])
    to_working = Transformer.from_crs(file.crs, crs, always_xy=True)
    x, y = to_working.transform(a * column + b * row + c, d * column + e * row + f)
    area = abs((x[1] - x[0]) * (y[2] - y[0]) - (x[2] - x[0]) * (y[1] - y[0]))
    if not math.isfinite(area):
        transform_bounds(file.bounds, file.crs, crs)
    return math.sqrt(area)
