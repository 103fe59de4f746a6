"""Finished results read back: products come out as in the run, and a map is written again without one."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pyogrio
import pytest
import shapely

from gisprio.contracts.cards import write_function
from gisprio.contracts.errors import InputError
from gisprio.faces.cli import cli
from gisprio.faces.main import main
from gisprio.products import PRODUCTS
from gisprio.run.fingerprints import file_digest
from gisprio.run.lock import locked
from gisprio.run.maps import MAPS, write_map_again
from gisprio.run.record import digest_of_run
from gisprio.run.reopened import results_of
from gisprio.run.report import write_report_again
from unit.products.test_report import SHORTLIST
from unit.run.results_world import make_results_folder

OTHER_RUN = ", without the shortlist: it was made of another run. Run gisprio shortlist again."
AS_THEY_ARE = ("ranked.gpkg", "backdrop.tif")
"""Products that are read back."""


@pytest.fixture(scope="module")
def folder(sample_results, tmp_path_factory) -> Path:
    copy = tmp_path_factory.mktemp("reopened") / "results"
    shutil.copytree(sample_results, copy, ignore=shutil.ignore_patterns(".gisprio"))
    return copy


@pytest.fixture(scope="module")
def results(folder):
    return results_of(folder)


@pytest.mark.parametrize("product", [one for one in PRODUCTS if one.file not in AS_THEY_ARE], ids=lambda one: one.file)
def test_products_come_out_as_in_the_run(folder, results, product, tmp_path):
    write_function(product)(tmp_path / product.file, results)
    if product.optional and not (folder / product.file).exists():
        assert not (tmp_path / product.file).exists()
        return
    assert (tmp_path / product.file).read_bytes() == (folder / product.file).read_bytes()


def test_maps_are_written_again_and_the_record_tells_them(folder, capsys):
    before = {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}
    assert main(["map", str(folder)]) == 0
    for audience in ("board", "public"):
        assert main(["map", str(folder), "--audience", audience]) == 0
    names = ("map.html", "map-board.html", "map-public.html")
    assert capsys.readouterr().out == "".join(f"Wrote {folder / name}.\n" for name in names)
    after = {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}
    assert {name for name in after if after[name] != before.get(name)} == {*names[1:], "run.json"}
    record = json.loads(after["run.json"])
    assert record["files"] == {name: file_digest(folder / name) for name in after if name != "run.json"}
    assert {**record, "files": 0} == {**json.loads(before["run.json"]), "files": 0}


def test_every_audience_can_be_asked_for():
    (audience,) = (option for option in cli.commands["map"].params if option.name == "audience")
    assert list(audience.type.choices) == list(MAPS)
    assert all(file in audience.help for file, _ in MAPS.values())


def test_a_map_waits_for_no_run_and_overwrites_nothing_of_others(folder, tmp_path):
    with locked(folder, []), pytest.raises(InputError, match=r"is in use by another run: process \d+"):
        write_map_again(folder)
    copy = tmp_path / "results"
    shutil.copytree(folder, copy)
    record = json.loads((copy / "run.json").read_text())
    record["files"].pop("map-board.html", None)
    (copy / "run.json").write_text(json.dumps(record))
    (copy / "map-board.html").write_text("mine")
    with pytest.raises(InputError) as caught:
        write_map_again(copy, "board")
    assert str(caught.value) == (
        f"{copy} holds files that are not from a run of gisprio and have the names of results: map-board.html.\n"
        "  Wanted: a folder where no file of another origin would be overwritten.\n"
        "  Do: move them away, or give another folder in [run] output or --out."
    )
    assert (copy / "map-board.html").read_text() == "mine"


def test_older_results_lack_what_a_map_is_made_from(tmp_path):
    place = make_results_folder(tmp_path, with_store=False)
    with pytest.raises(InputError) as caught:
        write_map_again(place)
    lacking = ["sites", "flow_points", "crossings", "knickpoints", "constraints", "works_done", "scars", "visits"]
    more = ("long_profiles", "frontages", "factors")
    named = ", ".join(f"layer {name} of ranked.gpkg" for name in (*lacking, *more))
    assert str(caught.value) == (
        f"{place} lacks what a map is made from: {named}, backdrop.tif.\n"
        "  Wanted: results of a gisprio that keeps them, as this one does.\n"
        "  Do: run again; what is kept in .gisprio makes that quick."
    )
    assert not (place / ".gisprio").exists()


def test_settings_of_another_version_are_told(folder, tmp_path):
    copy = _with_record(folder, tmp_path, lambda record: record["settings"]["robustness"].update(luck=7))
    with pytest.raises(InputError) as caught:
        results_of(copy)
    assert str(caught.value) == (
        f"the settings in {copy / 'run.json'} are not those of this gisprio: robustness.luck.\n"
        "  Wanted: run.json as a run of this version writes it.\n"
        "  Do: run again."
    )


def test_a_picture_that_cannot_be_read_is_told(folder, tmp_path):
    copy = _with_record(folder, tmp_path, lambda record: None)
    (copy / "backdrop.tif").write_bytes(b"no picture")
    with pytest.raises(InputError) as caught:
        write_map_again(copy)
    assert str(caught.value) == (
        f"{copy / 'backdrop.tif'} cannot be read.\n"
        "  Wanted: the file that the run wrote.\n"
        "  Do: run again; what is kept in .gisprio makes that quick."
    )
    assert (copy / "map.html").read_bytes() == (folder / "map.html").read_bytes()


def _with_record(folder: Path, tmp_path: Path, change) -> Path:
    copy = tmp_path / "results"
    copy.mkdir()
    for name in ("ranked.gpkg", "backdrop.tif", "map.html"):
        shutil.copy(folder / name, copy)
    record = json.loads((folder / "run.json").read_text())
    change(record)
    (copy / "run.json").write_text(json.dumps(record))
    return copy


def test_what_is_read_back_is_of_the_kinds_of_the_contract(folder, results):
    raw = pyogrio.read_dataframe(folder / "ranked.gpkg", layer="banks")
    assert raw["rank"].dtype == "float64"  # a null among whole numbers
    assert results.tables["banks"]["rank"].dtype == "Int64"
    assert results.tables["long_profiles"]["crossing"].dtype == "bool"
    gaps = results.tables["gaps"].geometry
    assert len(gaps) > (gaps.geom_type == "Polygon").sum() > 0
    assert (shapely.get_num_geometries(gaps[gaps.geom_type == "MultiPolygon"]) > 1).all()


def test_the_report_takes_the_shortlist_of_this_very_run_alone(folder, tmp_path, capsys):
    copy = tmp_path / "results"
    shutil.copytree(folder, copy)
    plain = (copy / "report.html").read_bytes()
    assert main(["report", str(copy)]) == 0
    assert capsys.readouterr().out == f"Wrote {copy / 'report.html'}. There is no shortlist in {copy}.\n"
    assert (copy / "report.html").read_bytes() == plain
    run = digest_of_run(json.loads((copy / "run.json").read_text()))[:12]
    for digest, told, headings in (
        (run, ", with the shortlist.", 1),
        ("0" * 12, OTHER_RUN, 0),
        (run, ", with the s", 1),
    ):
        (copy / "shortlist.json").write_text(json.dumps({**SHORTLIST, "run": digest}))
        assert main(["report", str(copy)]) == 0
        assert told in capsys.readouterr().out
        page = (copy / "report.html").read_text("utf-8")
        assert page.count("<h2>Shortlist</h2>") == headings
        assert ("2 of 9 candidate sites" in page) == bool(headings)
    record = json.loads((copy / "run.json").read_text())
    assert record["files"]["report.html"] == file_digest(copy / "report.html")
    (copy / "shortlist.json").write_text("[1, 2]")
    with pytest.raises(InputError) as caught:
        write_report_again(copy)
    assert str(caught.value) == (
        f"{copy / 'shortlist.json'} cannot be read.\n"
        "  Wanted: the file that gisprio shortlist wrote.\n"
        "  Do: run gisprio shortlist again, or move the file away."
    )
