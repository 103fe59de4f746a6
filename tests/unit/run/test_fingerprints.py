"""Digests see content and nothing else; keys name their parts."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from pyproj import CRS

from gisprio.contracts.digests import table_digest
from gisprio.contracts.findings import Finding
from gisprio.contracts.grids import Grid, Lattice
from gisprio.run import fingerprints
from gisprio.run.fingerprints import grid_digest, joined, key_of, libraries_digest, section_digests
from gisprio.run.store import Store
from unit.run.fake_chain import make_settings


def make_table() -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(
        {
            "name": pd.Series(["a", None, "ü"], dtype="str"),
            "rank": pd.array([1, None, 3], dtype="Int64"),
            "value": [0.5, np.nan, -1.0],
            "flag": [True, False, True],
            "maybe": pd.array([True, None, False], dtype="boolean"),
        },
        geometry=[shapely.Point(0, 0), shapely.Point(1, 0), shapely.LineString([(0, 0), (1, 1)])],
        crs="EPSG:32633",
    )


def test_equal_content_gives_equal_digests():
    table = make_table()
    other = make_table()
    other.index = [5, 6, 7]
    other = other[sorted(other.columns)]
    assert table_digest(table) == table_digest(other)


@pytest.mark.parametrize(
    ("column", "value"),
    [("name", "b"), ("name", None), ("rank", 2), ("rank", pd.NA), ("value", 0.25), ("value", np.nan),
     ("flag", False), ("maybe", pd.NA), ("geometry", shapely.Point(0, 1))],
)  # fmt: skip
def test_every_cell_counts(column, value):
    other = make_table()
    other.loc[0, column] = value
    assert table_digest(other) != table_digest(make_table())


def test_order_of_rows_names_and_kinds_count():
    table = make_table()
    digests = {
        table_digest(table),
        table_digest(table.iloc[::-1]),
        table_digest(table.rename(columns={"flag": "flags"})),
        table_digest(table.astype({"value": "float32"})),
        table_digest(table[:2]),
        table_digest(table.set_crs("EPSG:32634", allow_override=True)),
    }
    assert len(digests) == 6
    assert table_digest(pd.DataFrame({"a": ["ab", "c"]})) != table_digest(pd.DataFrame({"a": ["a", "bc"]}))


def test_place_and_kind_of_a_grid_count():
    values = np.arange(6, dtype=np.float32).reshape(2, 3)
    grid = Grid(values, Lattice(0.0, 0.0, 10.0))
    others = [
        Grid(values + 1, grid.lattice),
        Grid(values.reshape(3, 2), grid.lattice),
        Grid(values.astype(float), grid.lattice),
        Grid(values, Lattice(0.0, 0.0, 5.0)),
        Grid(values, grid.lattice, row=1),
        Grid(values, grid.lattice, nodata=0.0),
    ]
    assert len({grid_digest(one) for one in [grid, *others]}) == 7
    assert grid_digest(Grid(values.copy(), Lattice(0.0, 0.0, 10.0))) == grid_digest(grid)


def test_a_section_counts_alone(tmp_path):
    one = make_settings(tmp_path, setback={"width_m": 30.0})
    other = make_settings(tmp_path, setback={"width_m": 10.0})
    digests = [section_digests(settings, ("setback", "streams")) for settings in (one, other)]
    assert set(digests[0]) == {"section setback", "section streams"}
    assert digests[0]["section streams"] == digests[1]["section streams"]
    assert digests[0]["section setback"] != digests[1]["section setback"]


def test_key_depends_on_stage_and_every_part():
    assert key_of("a", {"x": "1", "y": "2"}) == key_of("a", {"y": "2", "x": "1"})
    keys = [key_of("a", {"x": "1"}), key_of("b", {"x": "1"}), key_of("a", {"x": "2"}), key_of("a", {"y": "1"})]
    assert len(set(keys)) == 4


def test_parts_of_tiles_are_joined_by_name():
    both = joined([{"code": "c", "table a": "1"}, {"code": "c", "table a": "2"}])
    assert both["code"] == "c"
    assert both["table a"] == joined([{"table a": "1"}, {"table a": "2"}])["table a"]
    assert both["table a"] != joined([{"table a": "2"}, {"table a": "1"}])["table a"]


def test_the_version_of_a_library_counts(monkeypatch):
    before = libraries_digest()
    assert libraries_digest() == before
    monkeypatch.setattr(fingerprints, "version", lambda name: "9.9" if name == "numpy" else "1")
    assert libraries_digest() != before


def test_what_is_kept_comes_back_equal(tmp_path):
    crs = CRS.from_user_input("EPSG:32633")
    store = Store(tmp_path, crs)
    table, grid = make_table(), Grid(np.eye(3, dtype=np.float32), Lattice(1.5, 2.5, 10.0), 3, 4, -9.0)
    plain = pd.DataFrame(table.drop(columns="geometry"))
    found = Finding("note", "streams", "made_up", "s1", "It's “so”.", "Nothing.")
    assert store.find("stage", "k" * 64) is None
    store.keep("stage", "k" * 64, {"table": table, "plain": plain, "grid": grid}, [found], 1.5)
    entry = store.find("stage", "k" * 64)
    assert table_digest(entry.table("table")) == table_digest(table) == entry.digests["table"]
    assert table_digest(entry.table("plain")) == table_digest(plain) == entry.digests["plain"]
    assert entry.table("table").crs == crs
    assert grid_digest(entry.grid("grid")) == grid_digest(grid) == entry.digests["grid"]
    assert isinstance(entry.grid("grid").values, np.memmap)
    assert entry.findings == (found,)
    assert store.find("stage", "other") is None


@pytest.mark.parametrize("name", ["table.parquet", "entry.json"])
def test_an_entry_that_a_power_cut_left_short_is_no_entry(tmp_path, name):
    store = Store(tmp_path, CRS.from_user_input("EPSG:32633"))
    entry = store.keep("stage", "key", {"table": make_table()}, [], 0.0)
    assert store.find("stage", "key") == entry
    (entry.folder / name).write_bytes((entry.folder / name).read_bytes()[:40])
    assert store.find("stage", "key") is None
    assert store.keep("stage", "key", {"table": make_table()}, [], 0.0) == store.find("stage", "key")


def test_what_could_not_be_kept_leaves_nothing(tmp_path, monkeypatch):
    def full(*_args, **_options):
        raise OSError(28, "No space left on device")

    store = Store(tmp_path, CRS.from_user_input("EPSG:32633"))
    monkeypatch.setattr(np, "save", full)
    with pytest.raises(OSError, match="No space left"):
        store.keep("stage", "key", {"grid": Grid(np.eye(2), Lattice(0.0, 0.0, 1.0))}, [], 0.0)
    assert [path.name for path in (tmp_path / ".gisprio" / "kept" / "stage").iterdir()] == []


def test_an_empty_table_comes_back_equal(tmp_path):
    store = Store(tmp_path, CRS.from_user_input("EPSG:32633"))
    entry = store.keep("stage", "key", {"table": make_table()[:0]}, [], 0.0)
    back = entry.table("table")
    assert len(back) == 0
    assert table_digest(back) == table_digest(make_table()[:0])
