"""ranked.gpkg: what is written is what is read back, styled, and the same bytes twice."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pyogrio
import pyproj
import pytest

from gisprio.contracts.words import MEASURES
from gisprio.products.ranked import LAYERS, write_ranked
from unit.products.product_world import WKT_ONLY, make_results


@pytest.fixture(scope="module")
def results():
    return make_results()


@pytest.fixture(scope="module")
def ranked(results, tmp_path_factory):
    path = tmp_path_factory.mktemp("ranked") / "ranked.gpkg"
    write_ranked(path, results)
    return path


def test_the_layers_are_there_with_their_descriptions(ranked):
    names = [name for name, _ in pyogrio.list_layers(ranked)]
    places = ["reaches", "banks", "gaps", "sites", "properties", "flow_points"]
    places += ["crossings", "knickpoints", "constraints", "works_done", "scars", "visits"]
    assert names[:12] == places
    tables = ["bank_setbacks", "factors", "findings", "frontages", "layer_styles", "long_profiles", "monitoring"]
    assert sorted(names[12:]) == tables
    with closing(sqlite3.connect(ranked)) as base:
        said = dict(base.execute("SELECT table_name, description FROM gpkg_contents"))
    assert said["reaches"] == "Reaches, drawn downstream."
    assert said["findings"] == "What was noticed."


@pytest.mark.parametrize("layer", LAYERS, ids=lambda layer: layer.name)
def test_a_layer_reads_back_equal(ranked, results, layer):
    want = results.tables[layer.name]
    got = pyogrio.read_dataframe(ranked, layer=layer.name)
    assert [c for c in got.columns if c != "geometry"] == [c for c in want.columns if c != "geometry"]
    assert len(got) == len(want)
    for name in want.columns:
        if name == "geometry":
            wanted = want.geometry.reset_index(drop=True).normalize()
            assert wanted.geom_equals(_single(got.geometry).normalize()).all()
            continue
        null = want[name].isna().to_numpy()
        assert (got[name].isna().to_numpy() == null).all(), name
        assert (got[name].to_numpy()[~null] == want[name].to_numpy()[~null]).all(), name


def _single(shapes):
    return shapes.map(lambda s: s.geoms[0] if s.geom_type.startswith("Multi") and len(s.geoms) == 1 else s)


def test_nulls_are_null_and_ranks_whole_numbers_in_the_file(ranked):
    with closing(sqlite3.connect(ranked)) as base:
        kinds = {row[1]: row[2] for row in base.execute("PRAGMA table_info(banks)")}
        assert kinds["rank"] == "INTEGER"
        assert kinds["priority"] == "REAL"
        assert kinds["why"] == "TEXT"
        assert base.execute("SELECT count(*) FROM banks WHERE rank IS NULL").fetchone() == (4,)
        assert base.execute("SELECT count(*) FROM banks WHERE bank_height_m IS NULL").fetchone() == (48,)
        assert base.execute("SELECT min(rank), max(rank) FROM banks").fetchone() == (1, 44)


def test_layers_open_styled(ranked):
    with closing(sqlite3.connect(ranked)) as base:
        rows = base.execute("SELECT f_table_name, styleQML, useAsDefault FROM layer_styles ORDER BY id").fetchall()
        kind = base.execute("SELECT data_type FROM gpkg_contents WHERE table_name = 'layer_styles'").fetchone()
    assert kind == ("attributes",)
    marks = ["crossings", "knickpoints", "constraints", "works_done", "scars", "visits"]
    assert [row[0] for row in rows] == ["reaches", "banks", "gaps", "sites", "properties", "flow_points", *marks]
    assert {row[2] for row in rows} == {1}
    rules = ET.fromstring(rows[1][1]).find("renderer-v2/rules")
    assert [rule.get("filter") for rule in rules] == [
        '"rank" >= 1 AND "rank" <= 3',
        '"rank" >= 4 AND "rank" <= 5',
        '"rank" >= 6 AND "rank" <= 11',
        '"rank" >= 12 AND "rank" <= 22',
        '"rank" >= 23 AND "rank" <= 44',
        '"rank" IS NULL',
    ]
    assert [rule.get("label") for rule in rules][:2] == ["Priority: Top 5 %", "Priority: 5 to 10 %"]
    symbols = ET.fromstring(rows[1][1]).findall("renderer-v2/symbols/symbol")
    assert len(symbols) == 6
    assert ET.fromstring(rows[0][1]).find("renderer-v2/symbols/symbol").get("type") == "line"


def test_every_field_says_what_it_holds(ranked):
    """Of the layers as they are in the file, columns of factors too; the extension that tells it is named."""
    with closing(sqlite3.connect(ranked)) as base:
        told = {(table, name): says for table, name, says in base.execute(
            "SELECT table_name, column_name, description FROM gpkg_data_columns")}  # fmt: skip
        named = base.execute("SELECT table_name FROM gpkg_extensions WHERE extension_name = 'gpkg_schema'").fetchall()
    fields = {layer.name: pyogrio.read_info(ranked, layer=layer.name)["fields"] for layer in LAYERS}
    assert set(told) == {(layer, str(name)) for layer, names in fields.items() for name in names}
    assert told["banks", "bank_height_m"].endswith("Unit: m. Empty where it is not known or does not apply.")
    assert told["banks", "outer_bend_score"].endswith(", 0 to 100. Empty where it is not known or does not apply.")
    assert min(map(len, told.values())) > 3
    assert sorted(name for (name,) in named) == ["gpkg_data_column_constraints", "gpkg_data_columns"]


def test_each_measure_of_sites_has_a_hatch_of_its_own(ranked):
    with closing(sqlite3.connect(ranked)) as base:
        qml = base.execute("SELECT styleQML FROM layer_styles WHERE f_table_name = 'sites'").fetchone()[0]
    rules = ET.fromstring(qml).find("renderer-v2/rules")
    assert [rule.get("filter") for rule in rules] == [f"\"measure\" = '{word}'" for word in MEASURES]
    patterns = [prop.get("v") for prop in ET.fromstring(qml).iter("prop") if prop.get("k") == "style"]
    assert len(set(patterns)) == len(patterns) == len(MEASURES)


def test_equal_results_give_equal_bytes(ranked, results, tmp_path):
    write_ranked(tmp_path / "again.gpkg", results)
    assert (tmp_path / "again.gpkg").read_bytes() == ranked.read_bytes()


def test_a_file_that_is_there_is_replaced(results, tmp_path):
    path = tmp_path / "ranked.gpkg"
    write_ranked(path, results)
    write_ranked(path, results)
    assert len(pyogrio.read_dataframe(path, layer="banks")) == 48


def test_a_system_without_a_code_and_a_run_without_gaps_or_properties(tmp_path):
    results = make_results(8, crs=WKT_ONLY, coarse=True, properties=False)
    write_ranked(tmp_path / "ranked.gpkg", results)
    banks = pyogrio.read_dataframe(tmp_path / "ranked.gpkg", layer="banks")
    assert pyproj.CRS(banks.crs).to_epsg() is None
    assert pyproj.CRS(banks.crs).coordinate_operation.method_name == "Lambert Conic Conformal (2SP)"
    assert banks["gap_length_m"].isna().all()
    assert len(banks) == 16
    for name in ("gaps", "properties"):
        empty = pyogrio.read_dataframe(tmp_path / "ranked.gpkg", layer=name)
        assert len(empty) == 0
        assert pyogrio.read_info(tmp_path / "ranked.gpkg", layer=name)["geometry_type"] == "MultiPolygon"


def test_writing_edits_nothing(results, tmp_path: Path):
    before = results.tables["banks"].copy(deep=True)
    write_ranked(tmp_path / "ranked.gpkg", results)
    assert results.tables["banks"].equals(before)
    assert np.array_equal(results.tables["banks"].columns, before.columns)


def test_styles_of_what_lies_along_the_streams(ranked):
    with closing(sqlite3.connect(ranked)) as base:
        styles = dict(base.execute("SELECT f_table_name, styleQML FROM layer_styles"))
    kinds = {"crossings": "marker", "knickpoints": "marker", "constraints": "fill", "works_done": "fill"}
    kinds["scars"], kinds["visits"] = "line", "marker"
    drawn = {}
    for name, kind in kinds.items():
        style = ET.fromstring(styles[name])
        symbols = style.findall("renderer-v2/symbols/symbol")
        assert {symbol.get("type") for symbol in symbols} == {kind}
        props = {prop.get("k"): prop.get("v") for prop in symbols[0].iter("prop")}
        drawn[name] = props.get("name") or props.get("style") or props["line_width"]
        assert style.findtext("layerGeometryType") == {"marker": "0", "line": "1", "fill": "2"}[kind]
    assert drawn == {
        "crossings": "square", "knickpoints": "diamond", "constraints": "cross", "works_done": "dense5",
        "scars": "0.80", "visits": "circle",
    }  # fmt: skip
