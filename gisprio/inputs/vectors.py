"""Vector layers: read, brought to the working system, and repaired; every repair is a finding."""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import PurePath
from typing import Any, Literal

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely
from numpy.typing import NDArray
from pyogrio.errors import DataLayerError, DataSourceError
from pyproj import CRS

from gisprio.contracts.findings import Finding, listed
from gisprio.contracts.grids import Bounds
from gisprio.inputs.crs import horizontal, no_crs
from gisprio.inputs.faults import Fault, nearest
from gisprio.inputs.paths import Place

Shape = Literal["line", "polygon", "point", "any"]

FEATURE = "gisprio_feature"
"""Column of tidy layers: number of the row a geometry came from."""

_PARQUET = (".parquet", ".geoparquet")
_POINTS, _LINES, _POLYGONS = (0, 4), (1, 2, 5), (3, 6)
_WANTED = {"line": (1, 5), "polygon": (3, 6), "point": (0, 4), "any": (0, 1, 3, 4, 5, 6)}
_PLURAL = {"line": "lines", "polygon": "polygons", "point": "points", "any": "points, lines or polygons"}


@dataclass(frozen=True, slots=True)
class VectorFile:
    """A vector file as read, in its own system.

    Parameters
    ----------
    layer, place
        The layer it belongs to and the file.
    frame
        Its rows; the index is the feature number of the file.
    crs
        Its horizontal system.
    """

    layer: str
    place: Place
    frame: gpd.GeoDataFrame
    crs: CRS

    @property
    def bounds(self) -> Bounds | None:
        """Extent in its own system; None where no row has a place."""
        x0, y0, x1, y1 = (float(value) for value in self.frame.total_bounds)
        return (x0, y0, x1, y1) if np.isfinite([x0, y0, x1, y1]).all() else None


def spatial_layers(place: Place) -> list[str]:
    """Give the names of the layers with geometry inside a vector file; none where it is not one."""
    try:
        listing = pyogrio.list_layers(place.path)
    except (DataSourceError, DataLayerError):
        return []
    return [str(name) for name, geometry in listing if geometry is not None]


def is_vector(place: Place) -> bool:
    """Say whether a file holds features rather than cells: by its ending, else by a look inside."""
    suffix = place.path.lower().rpartition(".")[2]
    if suffix in ("tif", "tiff", "img", "vrt"):
        return False
    return suffix in ("parquet", "geoparquet") or bool(spatial_layers(place))


def read_vector(layer: str, place: Place) -> tuple[VectorFile | None, list[Fault], list[Finding]]:
    """Read one vector file.

    Parameters
    ----------
    layer
        Layer of the config.
    place
        The file, and the layer inside it.

    Returns
    -------
    file, faults, findings
        The file, or None with the faults that make it useless.
    """
    told: list[Finding] = []
    try:
        if PurePath(place.path).suffix.lower() in _PARQUET:
            frame = gpd.read_parquet(place.path)
        else:
            names = spatial_layers(place)
            faults = list(_sublayer_faults(layer, place, names))
            if faults:
                return None, faults, told
            with warnings.catch_warnings(record=True) as caught:
                warnings.simplefilter("always")
                frame = pyogrio.read_dataframe(place.path, layer=place.sublayer or names[0], fid_as_index=True)
            told += _measures_left_out(layer, place, [str(one.message) for one in caught])
    except (DataSourceError, DataLayerError, ValueError, OSError):
        return None, [_unreadable(layer, place)], told
    if not isinstance(frame, gpd.GeoDataFrame):
        return None, [_unreadable(layer, place)], told
    if frame.crs is None:
        return None, [no_crs(place.name)], told
    crs = horizontal(CRS.from_user_input(frame.crs))
    return VectorFile(layer, place, frame.set_crs(crs, allow_override=True), crs), [], told


def _unreadable(layer: str, place: Place) -> Fault:
    return Fault(
        f"[layers] {layer}: {place.name} cannot be read as a vector layer.",
        "a file that GDAL reads, such as GeoPackage or Shapefile, or GeoParquet.",
        "open it in your GIS to see whether it is whole, and save it as GeoPackage.",
    )


def _sublayer_faults(layer: str, place: Place, names: Sequence[str]) -> Iterator[Fault]:
    if not names:
        yield _unreadable(layer, place)
    elif place.sublayer and place.sublayer not in names:
        like = nearest(place.sublayer, names)
        yield Fault(
            f'[layers] {layer}: {place.name.partition("|")[0]} has no layer "{place.sublayer}".',
            f"one of {', '.join(names)}.",
            f"write |{like} if that is what you meant." if like else "write one of these names behind the |.",
        )
    elif not place.sublayer and len(names) > 1:
        yield Fault(
            f"[layers] {layer}: {place.name} holds {len(names)} layers.",
            f'one of them, as in "{place.name}|{names[0]}"; it has {", ".join(names)}.',
            "write | and the name behind the path.",
        )


def _measures_left_out(layer: str, place: Place, messages: Sequence[str]) -> Iterator[Finding]:
    if any("Measured (M)" in message for message in messages):
        says = f"{place.name} carries measures (M) along its geometries; they are not used."
        yield Finding("note", layer, "measures", "", says, "nothing to do.")


def column_faults(file: VectorFile, wanted: dict[str, str | None]) -> Iterator[Fault]:
    """Find configured columns that a file does not have.

    Parameters
    ----------
    file
        The file.
    wanted
        Key below ``[columns]``, such as ``streams.id``, to the column's name; None where it is not configured.
    """
    columns = attribute_columns(file)
    for key, column in wanted.items():
        if column is not None and column not in columns:
            like = nearest(column, columns)
            yield Fault(
                f'[columns] {key}: {file.place.name} has no column "{column}".',
                f"one of {', '.join(columns)}." if columns else "a layer with columns.",
                f'write {key} = "{like}" if that is what you meant.' if like else f"correct or leave out {key}.",
            )


def attribute_columns(file: VectorFile) -> list[str]:
    """Give the names of a file's columns, the geometry left out."""
    return [str(name) for name in file.frame.columns if name != file.frame.geometry.name]


def tidy(files: Sequence[VectorFile], crs: CRS, shape: Shape) -> tuple[gpd.GeoDataFrame, list[Finding], list[Fault]]:
    """Bring the files of one layer to the working system and to clean single geometries.

    Parameters
    ----------
    files
        The files; they belong to one layer.
    crs
        The working system.
    shape
        What the layer holds.

    Returns
    -------
    frame, findings, faults
        All rows with a usable geometry: lines and points as single parts, polygons valid, two dimensions, columns as in
        the files. A file without any geometry of the shape is a fault.
    """
    parts: list[gpd.GeoDataFrame] = []
    findings: list[Finding] = []
    faults: list[Fault] = []
    rows = 0
    for file in files:
        frame, told, fault = _tidy_file(file, crs, shape)
        number = {feature: rows + at for at, feature in enumerate(file.frame.index)}
        parts.append(frame.assign(**{FEATURE: frame.index.map(number)}))
        rows += len(file.frame)
        findings += told
        faults += fault
    whole = gpd.GeoDataFrame(pd.concat(parts, ignore_index=True), geometry="geometry", crs=crs)
    return whole, findings, faults


def _tidy_file(file: VectorFile, crs: CRS, shape: Shape) -> tuple[gpd.GeoDataFrame, list[Finding], list[Fault]]:
    tell = _Teller(file)
    frame = file.frame.rename_geometry("geometry") if file.frame.geometry.name != "geometry" else file.frame
    there = ~(frame.geometry.isna() | frame.geometry.is_empty)
    tell.rows("warning", "no_geometry", ~there, "without a geometry, left out", "draw them, or delete the rows.")
    frame = frame[there]
    high = np.asarray(shapely.has_z(frame.geometry.array))
    tell.rows(
        "note",
        "three_dimensions",
        pd.Series(high, frame.index),
        "with heights (Z), which are not used",
        "nothing to do.",
    )
    shapes = np.asarray(shapely.force_2d(frame.geometry.to_numpy()), dtype=object)
    shapes, ok = _of_shape(shapes, shape)
    faults = []
    if len(shapes) and not ok.any():
        faults = [_wrong_shape(file, shape)]
    tell.rows(
        "warning", "wrong_geometry", pd.Series(~ok, frame.index),
        f"that are no {_PLURAL[shape]}, left out", f"give a layer of {_PLURAL[shape]} only.",
    )  # fmt: skip
    frame = frame[ok].set_geometry(gpd.GeoSeries(shapes[ok], index=frame.index[ok], crs=file.crs))
    if frame.empty:
        return frame.to_crs(crs), tell.findings, faults
    frame = frame.to_crs(crs)
    placed = np.isfinite(frame.geometry.bounds.to_numpy()).all(axis=1)
    tell.rows(
        "warning", "not_placed", pd.Series(~placed, frame.index),
        "that the working system cannot hold, left out", "cut the layer to your area.",
    )  # fmt: skip
    frame = frame[placed]
    frame = _TIDIED[shape](frame, tell)
    return frame, tell.findings, faults


class _Teller:
    """Gathers the findings of one file."""

    def __init__(self, file: VectorFile) -> None:
        self.file = file
        self.findings: list[Finding] = []

    def rows(self, severity: Any, check: str, which: pd.Series, what: str, do: str) -> None:
        """Tell of the rows where ``which`` is true, if any: ``3 of 80 rows ..., as feature 4, 7, 9``."""
        count = int(which.sum())
        if count:
            ids = listed(which.index[which.to_numpy(bool)])
            total = len(self.file.frame)
            says = f"{self.file.place.name} has {count} of {total} rows {what}: feature {ids}."
            self.findings.append(Finding(severity, self.file.layer, check, "", says, do))


def _of_shape(shapes: NDArray[Any], shape: Shape) -> tuple[NDArray[Any], NDArray[np.bool_]]:
    """Take rings as lines and the fitting parts of collections; say what fits."""
    kinds = shapely.get_type_id(shapes)
    got = shapes.copy()
    for at in np.flatnonzero(kinds == 7):
        got[at] = _parts_of(shapes[at], shape)
    if shape == "line":
        for at in np.flatnonzero(kinds == 2):
            got[at] = shapely.linestrings(shapely.get_coordinates(shapes[at]))
    wanted = (*_WANTED[shape], 7) if shape == "any" else _WANTED[shape]
    ok = np.isin(shapely.get_type_id(got), wanted) & ~shapely.is_empty(got)
    return got, ok


def _parts_of(collection: Any, shape: Shape) -> Any:
    parts = shapely.get_parts(collection)
    nested = [_parts_of(part, shape) if shapely.get_type_id(part) == 7 else part for part in parts]
    fitting = [part for part in nested if part is not None and shapely.get_type_id(part) in _WANTED[shape]]
    singles = shapely.get_parts(np.array(fitting, dtype=object))
    if not len(singles):
        return None
    collect = {
        "line": shapely.multilinestrings,
        "polygon": shapely.multipolygons,
        "point": shapely.multipoints,
        "any": shapely.geometrycollections,
    }
    return collect[shape](singles)


def _wrong_shape(file: VectorFile, shape: Shape) -> Fault:
    kinds = sorted(set(file.frame.geom_type.dropna()))
    return Fault(
        f"[layers] {file.layer}: {file.place.name} holds {', '.join(kinds)}.",
        f"{_PLURAL[shape]}.",
        f"give a layer of {_PLURAL[shape]}, or convert it in your GIS.",
    )


def _tidy_polygons(frame: gpd.GeoDataFrame, tell: _Teller) -> gpd.GeoDataFrame:
    """Make polygons valid; what leaves no ground is dropped."""
    shapes = frame.geometry.to_numpy()
    bad = ~shapely.is_valid(shapes)
    made = shapes.copy()
    for at in np.flatnonzero(bad):
        mended = shapely.make_valid(shapes[at], method="structure", keep_collapsed=False)
        made[at] = _parts_of(shapely.geometrycollections([mended]), "polygon")
    ground = np.array([one is not None and one.area > 0 for one in made], bool)
    tell.rows(
        "note", "repaired", pd.Series(bad & ground, frame.index),
        "whose border crosses or touches itself, repaired", "look at them in your GIS if their shape matters.",
    )  # fmt: skip
    tell.rows("warning", "no_area", pd.Series(~ground, frame.index), "without any area, left out", "draw them again.")
    return frame.set_geometry(gpd.GeoSeries(made, index=frame.index, crs=frame.crs))[ground]


def _tidy_lines(frame: gpd.GeoDataFrame, tell: _Teller) -> gpd.GeoDataFrame:
    """Cut lines of several parts into single ones; what has no length is dropped."""
    single = frame.explode(index_parts=False)
    long = single.geometry.length.to_numpy() > 0
    lost = pd.Series(~long, single.index)
    tell.rows("warning", "no_length", lost, "without any length, left out", "draw them again, or delete them.")
    return single[long]


def _tidy_any(frame: gpd.GeoDataFrame, tell: _Teller) -> gpd.GeoDataFrame:
    """Make single geometries of all three kinds clean, each in its own way; rows stay in order."""
    single = frame.explode(index_parts=False)
    kinds = shapely.get_type_id(single.geometry.to_numpy())
    mended = [
        single[np.isin(kinds, (0, 4))],
        _tidy_lines(single[np.isin(kinds, (1, 5))], tell),
        _tidy_polygons(single[np.isin(kinds, (3, 6))], tell),
    ]
    return gpd.GeoDataFrame(pd.concat(mended), geometry="geometry", crs=frame.crs).sort_index(kind="stable")


def _tidy_points(frame: gpd.GeoDataFrame, tell: _Teller) -> gpd.GeoDataFrame:
    """Part points of several places."""
    return frame.explode(index_parts=False)


_TIDIED = {"line": _tidy_lines, "polygon": _tidy_polygons, "point": _tidy_points, "any": _tidy_any}
