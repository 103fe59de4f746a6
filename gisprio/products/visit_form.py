"""The field form: a GeoPackage that refuses what is not on its lists, styled with a form; and its points for phones."""

from __future__ import annotations

import html
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from xml.sax.saxutils import quoteattr
from zipfile import ZIP_DEFLATED, ZipFile, ZipInfo

import geopandas as gpd
import pyogrio

from gisprio.contracts.visits import FORM, VISIT_SIDES, FormField
from gisprio.products.field_notes import add_schema_tables
from gisprio.products.ranked import GPKG_VERSION, STAMP, add_styles

LAYER = "visits"
HIDDEN = ("bank_id", "chosen", "run")
"""Columns that reading back needs and that the form does not show: who looks should not know why a place was chosen."""
GIVEN = {
    "visit_id": "Place number",
    "place": "Place",
    "side": "Bank, looking downstream",
    "latitude": "Latitude",
    "longitude": "Longitude",
}
"""What the form calls the columns that are filled in already."""
OPEN = ("visit_id", "side")
"""Those that may be changed: a new point, as for a second pin, needs them."""
FIRST_TAB = FORM[0].group
_LABELS = (
    '<labeling type="simple"><settings>'
    '<text-style fieldName="visit_id" isExpression="0" fontSize="9" fontSizeUnit="Point" fontWeight="75"'
    ' textOpacity="1" textColor="32,36,43,255">'
    '<text-buffer bufferDraw="1" bufferSize="0.8" bufferSizeUnits="MM" bufferColor="255,255,255,255"/></text-style>'
    '<placement placement="6" offsetType="1" dist="0.6" distUnits="MM"/></settings></labeling>\n'
)


def write_form(path: Path, places: gpd.GeoDataFrame, fields: Sequence[FormField] = FORM) -> None:
    """Write the form.

    Parameters
    ----------
    path
        File to write; one that is there is replaced.
    places
        Points with ``visit_id``, ``place``, ``side``, ``latitude``, ``longitude`` and the columns of ``HIDDEN``; no
        score and no rank.
    fields
        Fields of the form, in the units that people fill in.

    Notes
    -----
    GDAL writes the places and closes the file; only then SQLite adds the fields, each with a CHECK of its own, so that
    the file itself refuses what is not on the list, whatever program writes to it.
    """
    path.unlink(missing_ok=True)
    options = {"DESCRIPTION": "Places to visit, with a form to fill in.", "GEOMETRY_NAME": "geom"}
    pyogrio.write_dataframe(
        places.rename_geometry("geom"),
        path,
        layer=LAYER,
        driver="GPKG",
        geometry_type="Point",
        layer_options=options,
        dataset_options={"VERSION": GPKG_VERSION},
    )
    with closing(sqlite3.connect(path)) as base, base:
        add_schema_tables(base)
        for field in fields:
            _add_field(base, field)
        qml = form_qml(list(places.columns.drop(places.geometry.name)), fields)
        add_styles(base, {LAYER: qml}, "Places to visit, and their form.")
        base.execute("UPDATE gpkg_contents SET last_change = ?", (STAMP,))


def _add_field(base: sqlite3.Connection, field: FormField) -> None:
    kind = {"date": "DATE", "number": "INTEGER" if field.whole else "REAL"}.get(field.kind, "TEXT")
    base.execute(f'ALTER TABLE {LAYER} ADD COLUMN "{field.name}" {kind} {_check(field)}')
    rule = f"{LAYER}_{field.name}" if field.among or field.kind == "number" else None
    base.execute(
        "INSERT INTO gpkg_data_columns (table_name, column_name, name, title, constraint_name) VALUES (?, ?, ?, ?, ?)",
        (LAYER, field.name, field.name, field.label, rule),
    )
    told = "INSERT INTO gpkg_data_column_constraints VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
    for word in field.among:
        base.execute(told, (rule, "enum", word, None, None, None, None, word))
    if field.kind == "number":
        base.execute(told, (rule, "range", None, field.low, True, field.high, True, field.label))


def _check(field: FormField) -> str:
    """Give the rule that the file holds a field to; all words are gisprio's own."""
    name = f'"{field.name}"'
    if field.among:
        words = ", ".join(f"'{word}'" for word in field.among)
        return f"CHECK ({name} IS NULL OR {name} IN ({words}))"
    if field.kind == "number":
        typed = "= 'integer'" if field.whole else "!= 'text'"
        return f"CHECK ({name} IS NULL OR (typeof({name}) {typed} AND {name} BETWEEN {field.low} AND {field.high}))"
    if field.kind == "date":
        return f"CHECK ({name} IS NULL OR date({name}) IS NOT NULL)"
    return ""


def form_qml(given: Sequence[str], form: Sequence[FormField] = FORM) -> str:
    """Give the form and the symbol as QML text: pick lists, ranges, a calendar, photographs; hidden columns hidden.

    Parameters
    ----------
    given
        Columns that are there before the form's.
    form
        Fields of the form.
    """
    fields = {field.name: field for field in form}
    columns = [*given, *fields]
    widgets = "".join(
        f"<field name={quoteattr(name)}><editWidget type={quoteattr(kind)}><config>{config}</config></editWidget>"
        "</field>\n"
        for name in columns
        for kind, config in [_widget(name, fields.get(name))]
    )
    labels = GIVEN | {field.name: field.label for field in form}
    aliases = "".join(
        f'<alias field={quoteattr(name)} index="{number}" name={quoteattr(labels[name])}/>\n'
        for number, name in enumerate(columns, 1)
        if name in labels
    )
    open_to_all = {*fields, *OPEN}
    fixed = "".join(f'<field name={quoteattr(name)} editable="{int(name in open_to_all)}"/>\n' for name in columns)
    marker = (
        '<layer class="SimpleMarker" enabled="1" locked="0" pass="0"><prop k="name" v="circle"/>'
        '<prop k="color" v="255,255,255,255"/><prop k="outline_color" v="11,90,107,255"/>'
        '<prop k="outline_width" v="0.8"/><prop k="size" v="3.6"/></layer>'
    )
    return (
        "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n"
        '<qgis version="3.22" styleCategories="Symbology|Labeling|Fields|Forms" labelsEnabled="1">\n'
        '<renderer-v2 type="singleSymbol"><symbols><symbol name="0" type="marker" alpha="1">'
        f"{marker}</symbol></symbols></renderer-v2>\n{_LABELS}"
        f"<fieldConfiguration>\n{widgets}</fieldConfiguration>\n<aliases>\n{aliases}</aliases>\n"
        f"<editable>\n{fixed}</editable>\n{_tabs(given, form)}<layerGeometryType>0</layerGeometryType>\n</qgis>\n"
    )


def _tabs(given: Sequence[str], form: Sequence[FormField]) -> str:
    """Give the pages of the form: what is there already on the first, then each field below its heading."""
    groups: dict[str, list[str]] = {FIRST_TAB: [name for name in given if name not in HIDDEN]}
    for field in form:
        groups.setdefault(field.group, []).append(field.name)
    numbers = {name: number for number, name in enumerate([*given, *(field.name for field in form)], 1)}
    pages = "".join(
        f'<attributeEditorContainer name={quoteattr(group)} groupBox="0" columnCount="1" showLabel="1">\n'
        + "".join(
            f'<attributeEditorField name={quoteattr(name)} index="{numbers[name]}" showLabel="1"/>\n' for name in names
        )
        + "</attributeEditorContainer>\n"
        for group, names in groups.items()
    )
    return f"<editorlayout>tablayout</editorlayout>\n<attributeEditorForm>\n{pages}</attributeEditorForm>\n"


def _widget(name: str, field: FormField | None) -> tuple[str, str]:
    """Give the widget of a column and its configuration."""
    if name in HIDDEN:
        return "Hidden", "<Option/>"
    if name == "side":
        field = FormField("side", "choice", "", VISIT_SIDES)
    if field is None or field.kind == "words":
        lines = "true" if name == "notes" else "false"
        return "TextEdit", _options(f'<Option name="IsMultiline" type="bool" value="{lines}"/>')
    if field.among:
        words = "".join(
            f'<Option type="Map"><Option name={quoteattr(word)} type="QString" value={quoteattr(word)}/></Option>'
            for word in field.among
        )
        return "ValueMap", _options(f'<Option name="map" type="List">{words}</Option>')
    if field.kind == "number":
        step, digits = _steps(field)
        bounds = (("Min", "double", field.low), ("Max", "double", field.high), ("Step", "double", step),
                  ("Precision", "int", digits))  # fmt: skip
        told = "".join(f'<Option name="{key}" type="{kind}" value="{value:g}"/>' for key, kind, value in bounds)
        return "Range", _options(f'{told}<Option name="AllowNull" type="bool" value="true"/>')
    if field.kind == "date":
        told = "".join(
            f'<Option name="{key}" type="QString" value="yyyy-MM-dd"/>' for key in ("display_format", "field_format")
        )
        more = "".join(f'<Option name="{key}" type="bool" value="true"/>' for key in ("allow_null", "calendar_popup"))
        return "DateTime", _options(told + more)
    return "ExternalResource", _options('<Option name="DocumentViewer" type="int" value="1"/>')


def _steps(field: FormField) -> tuple[float, int]:
    """Give the step of a number's buttons, and its decimals."""
    if field.whole:
        return 1, 0
    return (0.1, 2) if field.unit in ("m", "ft", "in") else (5, 0)


def _options(inside: str) -> str:
    return f'<Option type="Map">{inside}</Option>'


def write_points(kmz: Path, gpx: Path, places: gpd.GeoDataFrame) -> None:
    """Write the places as KMZ and GPX for phones: a name each and where it is.

    Viewers show a description of KMZ as HTML, so its text is escaped there.
    """
    named = gpd.GeoDataFrame(
        {"name": places["visit_id"], "desc": places["place"]}, geometry=places.geometry.to_numpy(), crs=places.crs
    ).to_crs(4326)
    escaped = named.assign(desc=[html.escape(text) for text in named["desc"]]).rename(columns={"desc": "description"})
    for path, driver, layer, points in ((kmz, "LIBKML", LAYER, escaped), (gpx, "GPX", "waypoints", named)):
        path.unlink(missing_ok=True)
        pyogrio.write_dataframe(points, path, driver=driver, layer=layer)
    _fix_dates(kmz)


def _fix_dates(kmz: Path) -> None:
    """Pack an archive again with a fixed date in place of the clock's: the same places give the same bytes."""
    with ZipFile(kmz) as made:
        parts = {name: made.read(name) for name in made.namelist()}
    with ZipFile(kmz, "w") as again:
        for name, content in parts.items():
            again.writestr(ZipInfo(name), content, ZIP_DEFLATED)
