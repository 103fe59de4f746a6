"""The field form: what is chosen, what the file refuses, what it hides, and that it comes back."""

from __future__ import annotations

import datetime as dt
import json
import shutil
import sqlite3
import zipfile
from pathlib import Path
from xml.etree import ElementTree as ET

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
import shapely

import gisprio
from gisprio.contracts.layers import VISITS
from gisprio.contracts.visits import FORM
from gisprio.faces.main import main
from gisprio.inputs.visits import NUMBERS, WORDS
from gisprio.run.visits import choose_banks, write_visits
from makers import straight_valley


@pytest.fixture(scope="module")
def world(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("form")
    gisprio.run(gisprio.read_settings(straight_valley().write(folder)))
    return folder


@pytest.fixture
def results(world) -> Path:
    place = world / "results"
    for name in ("visits.gpkg", "visits.kmz", "visits.gpx"):
        (place / name).unlink(missing_ok=True)
    return place


def ranked(count: int) -> pd.DataFrame:
    number = range(count)
    return pd.DataFrame({
        "bank_id": [f"B{n:03d}" for n in number], "rank": [n + 1 for n in number],
        "need": [("both", "gap_only", "none")[n % 3] for n in number], "strahler_order": [1 + n % 2 for n in number],
    })  # fmt: skip


def test_the_first_ranks_and_a_random_quarter_that_looks_like_the_rest():
    chosen = choose_banks(ranked(260), 24, seed=5)
    assert chosen["chosen"].value_counts().to_dict() == {"top": 24, "random": 6}
    assert sorted(chosen.loc[chosen["chosen"] == "top", "rank"]) == list(range(1, 25))
    drawn = chosen[chosen["chosen"] == "random"]
    assert drawn["rank"].min() > 24
    assert drawn.groupby(["need", "strahler_order"]).size().tolist() == [1] * 6
    assert chosen["bank_id"].is_unique
    assert not chosen["rank"].is_monotonic_increasing
    pd.testing.assert_frame_equal(chosen, choose_banks(ranked(260), 24, seed=5))
    assert choose_banks(ranked(260), 24, seed=6)["bank_id"].tolist() != chosen["bank_id"].tolist()


def test_fewer_banks_than_asked_for_are_all_chosen():
    assert choose_banks(ranked(5), 20, seed=1)["chosen"].tolist() == ["top"] * 5
    assert choose_banks(ranked(7), 6, seed=1)["chosen"].value_counts().to_dict() == {"top": 6, "random": 1}


def test_the_form_holds_places_and_no_score(results, capsys):
    assert main(["visits", str(results), "--top", "8"]) == 0
    told = capsys.readouterr().out
    assert "has 10 places: 8 of the first ranks and 2 drawn at random" in told
    assert "ask before you go onto anybody's land" in told
    form = pyogrio.read_dataframe(results / "visits.gpkg", layer="visits")
    assert form["visit_id"].tolist() == [f"V{n:03d}" for n in range(1, 11)]
    assert not [name for name in form.columns if "rank" in name or "score" in name or "priority" in name]
    banks = gisprio.open_results(results).banks.set_index("bank_id")
    away = [banks.geometry[one.bank_id].distance(one.geometry) for one in form.itertuples()]
    assert max(away) < 0.01
    at = gpd.GeoSeries(form.geometry, crs=form.crs).to_crs(4326)
    assert form["latitude"].tolist() == pytest.approx(at.y.tolist(), abs=1e-6)
    with sqlite3.connect(results / "visits.gpkg") as base:
        qml = base.execute("SELECT styleQML FROM layer_styles").fetchone()[0]
    tree = ET.fromstring(qml.split("\n", 1)[1])
    kinds = {field.get("name"): field.find("editWidget").get("type") for field in tree.iter("field") if len(field)}
    assert {name for name, kind in kinds.items() if kind == "Hidden"} == {"bank_id", "chosen", "run"}
    assert kinds["material"] == "ValueMap"
    assert kinds["bank_height_m"] == "Range"
    assert {field.name for field in FORM} <= set(kinds)
    pages = tree.findall("attributeEditorForm/attributeEditorContainer")
    assert [page.get("name") for page in pages] == ["Place", "Bank", "Plants", "Pins, photo points"]
    shown = [field.get("name") for page in pages for field in page]
    assert sorted(shown) == sorted({*form.columns} - {"geometry", "bank_id", "chosen", "run"})
    fixed = [field.get("name") for field in tree.find("editable") if field.get("editable") == "0"]
    assert fixed == ["place", "latitude", "longitude", "bank_id", "chosen", "run"]


RIGHT_AND_WRONG = {
    "material": ("sand", "marble"), "bank_height_m": (1.5, 400.0), "root_density_pct": (30.0, -1.0),
    "erodes": ("yes", "maybe"), "verdict": ("wrong line", "no"), "bank_angle_deg": (90.0, "steep"),
    "date": ("2026-05-31", "spring"), "plants_alive": (12, 12.5), "bare_pct": (40.0, 101.0), "pin_m": (0.16, 10.5),
    "photo_bearing_deg": (359.5, 361.0), "pin_lost": ("yes", "perhaps"),
}  # fmt: skip


def test_the_file_itself_refuses_what_is_not_on_its_lists(results):
    write_visits(results, top=4)
    form = pyogrio.read_dataframe(results / "visits.gpkg", layer="visits").iloc[:1]
    seen = {column: [right] for column, (right, _) in RIGHT_AND_WRONG.items()}
    row = gpd.GeoDataFrame({"visit_id": ["X"], "side": ["left"]} | seen, geometry=form.geometry, crs=form.crs)
    pyogrio.write_dataframe(row, results / "visits.gpkg", layer="visits", append=True)
    with sqlite3.connect(results / "visits.gpkg") as base:
        for name, function in (
            ("ST_IsEmpty", lambda g: 0),
            *((f"ST_{end}", lambda g: 0.0) for end in ("MinX", "MaxX", "MinY", "MaxY")),
        ):
            base.create_function(name, 1, function)
        rules = dict(base.execute("SELECT column_name, constraint_name FROM gpkg_data_columns"))
        for column, (_, wrong) in RIGHT_AND_WRONG.items():
            with pytest.raises(sqlite3.IntegrityError, match=f"CHECK constraint failed: .*{column}"):
                base.execute(f"UPDATE visits SET {column} = ? WHERE visit_id = 'X'", (wrong,))
            assert rules[column] == (None if column == "date" else f"visits_{column}")


def test_the_form_and_what_reads_it_back_agree():
    fields = {field.name: field for field in FORM}
    seen = {column.name for column in VISITS.columns if column.kind == "float"}
    assert set(NUMBERS) == seen - {"date_y", "erodes", "pin_lost"}
    assert {name: fields[name].among for name in WORDS} == WORDS


def test_a_filled_form_is_never_written_over_and_comes_back(results, world, capsys):
    write_visits(results, top=4)
    form = pyogrio.read_dataframe(results / "visits.gpkg", layer="visits").set_crs(32633, allow_override=True)
    first = form.iloc[[0]].assign(visit_id="mine", date="2026-05-31", erodes="yes", bank_height_m=1.7)
    write_visits(results, top=4)  # an empty one may be
    pyogrio.write_dataframe(first, results / "visits.gpkg", layer="visits", append=True)
    before = (results / "visits.gpkg").read_bytes()
    assert main(["visits", str(results)]) == 2
    assert "visits.gpkg has been filled in at 1 places." in capsys.readouterr().err
    assert (results / "visits.gpkg").read_bytes() == before
    given = world / "filled.gpkg"
    given.write_bytes(before)
    config = world / "tiny.toml"
    config.write_text(config.read_text().replace("[layers]", '[layers]\nvisits = "filled.gpkg"', 1))
    again = gisprio.run(gisprio.read_settings(config), out=world / "again")
    brought = gisprio.open_results(again.folder).visits
    assert brought["visit_id"].tolist() == ["mine"]
    assert brought["bank_height_m"].tolist() == [1.7]
    bank = gisprio.open_results(again.folder).banks.set_index("bank_id").loc[first["bank_id"].item()]
    assert bank["observed_erosion_score"] > 0


def test_a_form_in_feet_refuses_in_feet_and_is_told_from_one_in_metres(results, world):
    config = world / "us.toml"
    config.write_text((world / "tiny.toml").read_text() + '\n[report]\nunits = "us"\n')
    settings = gisprio.read_settings(config)
    record = json.loads((results / "run.json").read_text())
    record["settings"]["report"]["units"] = settings.report.units
    us = world / "us"
    shutil.copytree(results, us, ignore=shutil.ignore_patterns(".gisprio"))
    (us / "run.json").write_text(json.dumps(record))
    write_visits(us, top=4)
    names = set(pyogrio.read_info(us / "visits.gpkg", layer="visits")["fields"])
    assert {"bank_height_ft", "pin_in", "root_density_pct"} <= names
    assert not [name for name in names if name.endswith("_m")]
    with sqlite3.connect(us / "visits.gpkg") as base:
        told = "SELECT title, max FROM gpkg_data_columns JOIN gpkg_data_column_constraints USING (constraint_name)"
        assert base.execute(f"{told} WHERE column_name = 'bank_height_ft'").fetchone() == (
            "Bank height above the toe, ft", 328.0,
        )  # fmt: skip
    form = pyogrio.read_dataframe(us / "visits.gpkg", layer="visits")
    first, given = form.iloc[[0]], {"layer": "visits", "append": True}
    pyogrio.write_dataframe(first.assign(bank_height_ft=328.0), us / "visits.gpkg", **given)
    with pytest.raises(gisprio.contracts.errors.InputError, match="has been filled in at 1 places"):
        write_visits(us)
    with pytest.raises(Exception, match="CHECK constraint failed"):
        pyogrio.write_dataframe(first.assign(bank_height_ft=329.0), us / "visits.gpkg", **given)


def test_points_for_phones_hold_no_markup_of_names(results):
    write_visits(results, top=4)
    with zipfile.ZipFile(results / "visits.kmz") as packed:
        kml = "".join(packed.read(name).decode() for name in packed.namelist() if name.endswith(".kml"))
    assert kml.count("<Placemark") == 5
    points = pyogrio.read_dataframe(results / "visits.gpx", layer="waypoints")
    assert points["name"].tolist() == [f"V{n:03d}" for n in range(1, 6)]
    assert shapely.get_type_id(points.geometry.values).tolist() == [0] * 5


def test_only_where_people_may_go_unless_from_the_road(results, tmp_path):
    contacts = tmp_path / "contacts.csv"
    contacts.write_text("property_id,status,access_ok_until\nleft-up,agreed,2026-06-01\nright-up,declined,2030-01-01\n")
    day = dt.date(2026, 6, 1)
    told = write_visits(results, top=50, contacts=contacts, day=day)
    form = pyogrio.read_dataframe(results / "visits.gpkg", layer="visits")
    frontages = gisprio.open_results(results).frontages
    allowed = set(frontages.loc[frontages["property_id"] == "left-up", "bank_id"])
    assert set(form["bank_id"]) == allowed
    assert told.closed > 0
    with pytest.raises(gisprio.contracts.errors.InputError) as caught:
        write_visits(results, contacts=contacts, day=day + dt.timedelta(days=1))
    assert str(caught.value) == (
        "No owner lets people in on that day.\n"
        "  Wanted: ranked banks, with access_ok_until of the table of contacts in date.\n"
        "  Do: ask for leave, or add --roadside."
    )
    everywhere = write_visits(results, top=50, contacts=contacts, day=day, roadside=True)
    assert everywhere.top > told.top


def test_a_file_that_is_no_form_is_refused_and_left_alone(results, capsys):
    ranked_bytes = (results / "ranked.gpkg").read_bytes()
    for content in (b"my notes", ranked_bytes):
        (results / "visits.gpkg").write_bytes(content)
        assert main(["visits", str(results)]) == 2
        assert "visits.gpkg is there and is no form that gisprio visits wrote." in capsys.readouterr().err
        assert (results / "visits.gpkg").read_bytes() == content


def test_the_same_seed_gives_the_same_bytes(results, monkeypatch):
    names = ("visits.gpkg", "visits.kmz", "visits.gpx")
    write_visits(results, top=4)
    before = [(results / name).read_bytes() for name in names]
    monkeypatch.setattr("time.time", lambda: 2_000_000_000.0)
    write_visits(results, top=4)
    assert [(results / name).read_bytes() for name in names] == before
