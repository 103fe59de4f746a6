"""Sheets are written to ``sheets/`` of a result folder: which, under which names, and what becomes of earlier ones."""

from __future__ import annotations

import json
import re
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyproj
import pytest
from PIL import Image

from gisprio.contracts.cards import Results
from gisprio.contracts.errors import InputError, MissingPart, SettingsError
from gisprio.contracts.grids import ArraySource, Grid, Lattice
from gisprio.contracts.settings import Report, Sheets
from gisprio.run.sheets import file_names, read_logo, write_sheets
from sheet_pages import read_sheet
from tagged_pages import tag_faults
from unit.products.product_world import make_settings
from unit.products.sheet_world import CRS, gap, make_tables

GAPS = [gap(0, "left", 0, 200, 20.0), gap(0, "right", 40, 100)]
RECORD = {
    "gisprio": "0.1", "settings": {}, "inputs": {"dem": "a"}, "crs": "", "files": {},
    "started": "2026-03-04T09:30:00+00:00",
}  # fmt: skip


def make_world() -> Results:
    no_heights = ArraySource(Grid(np.empty((0, 0), np.float32), Lattice(0.0, 0.0, 10.0)))
    wkt = pyproj.CRS.from_user_input(CRS).to_wkt()
    return Results(make_tables(GAPS), no_heights, make_settings(), RECORD, wkt, backdrop=lambda: None)


@pytest.fixture
def world(monkeypatch):
    """Give a function that says which results are read back from any folder."""

    def hold(results: Results) -> Results:
        monkeypatch.setattr("gisprio.run.sheets.results_of", lambda folder: results)
        return results

    hold(make_world())
    return hold


def names_in(folder: Path) -> list[str]:
    return sorted(path.name for path in (folder / "sheets").iterdir())


def test_all_by_rank_and_the_same_bytes_again(world, tmp_path):
    written = write_sheets(tmp_path)
    assert written.files == ("EAST.pdf", "WEST.pdf")
    assert written.told() == (
        f"2 properties have a sheet in {tmp_path / 'sheets'}.\n"
        "1 gets none: 1 without a gap.\n"
        "No contact is given: the sheets have lines to write it on. Give [report] contact."
    )
    before = {name: (tmp_path / "sheets" / name).read_bytes() for name in names_in(tmp_path)}
    assert set(before) == {"EAST.pdf", "WEST.pdf", "sheets.json"}
    write_sheets(tmp_path)
    assert {name: (tmp_path / "sheets" / name).read_bytes() for name in names_in(tmp_path)} == before


def test_only_the_first_or_only_some(world, tmp_path):
    assert write_sheets(tmp_path, top=1).told().split("\n")[2] == "1 more would have one (--top 1)."
    assert names_in(tmp_path) == ["EAST.pdf", "sheets.json"]
    written = write_sheets(tmp_path, properties=["WEST", "FAR"], paper="letter")
    assert (written.files, written.without) == (("WEST.pdf",), {"no_gap": 1})
    assert read_sheet(tmp_path / "sheets" / "WEST.pdf").size == pytest.approx((215.9, 279.4), abs=0.1)
    manifest = json.loads((tmp_path / "sheets" / "sheets.json").read_text())
    assert set(manifest["files"]) == {"EAST.pdf", "WEST.pdf"}  # one run: the earlier ones hold
    assert f"run {manifest['run'][:12]}".encode() in (tmp_path / "sheets" / "WEST.pdf").read_bytes()


def test_sheets_of_another_run_go_and_other_files_stay(world, tmp_path):
    write_sheets(tmp_path)
    (tmp_path / "sheets" / "mine.pdf").write_text("mine")
    (tmp_path / "sheets" / "WEST.pdf").write_text("written on by hand")
    world(replace(make_world(), record={**RECORD, "inputs": {"dem": "b"}}))
    write_sheets(tmp_path, properties=["WEST"])
    assert names_in(tmp_path) == ["WEST.pdf", "mine.pdf", "sheets.json"]
    world(make_world())
    (tmp_path / "sheets" / "WEST.pdf").write_text("written on by hand")
    write_sheets(tmp_path, properties=["EAST"])
    assert names_in(tmp_path) == ["EAST.pdf", "WEST.pdf", "mine.pdf", "sheets.json"]


def test_a_second_language_is_a_file_of_its_own(world, tmp_path):
    Image.new("RGBA", (40, 20), (0, 90, 0, 128)).save(tmp_path / "logo.png")
    settings = make_settings().model_copy(
        update={
            "folder": tmp_path,
            "sheets": Sheets(second_language="es", logo="logo.png"),
            "report": Report(units="us", contact="Fennick Valley Partners"),
        }
    )
    written = write_sheets(tmp_path, top=1, config=settings)
    assert written.files == ("EAST.pdf", "EAST-es.pdf")
    english, spanish = (read_sheet(tmp_path / "sheets" / name) for name in written.files)
    assert "The stream on property EAST" in english.text
    assert "El arroyo en la finca EAST" in spanish.text
    assert all("Fennick Valley Partners" in sheet.text and sheet.pictures == 1 for sheet in (english, spanish))


def test_tagged_by_the_command_or_by_the_settings(world, tmp_path, monkeypatch):
    write_sheets(tmp_path, top=1, tagged=True)
    path = tmp_path / "sheets" / "EAST.pdf"
    by_command = path.read_bytes()
    assert tag_faults(path) == []
    write_sheets(tmp_path, top=1)
    assert path.read_bytes() != by_command
    tagged = make_settings().model_copy(update={"sheets": Sheets(tagged=True)})
    write_sheets(tmp_path, top=1, config=tagged)
    assert path.read_bytes() == by_command
    monkeypatch.setitem(sys.modules, "pikepdf", None)
    with pytest.raises(MissingPart):
        write_sheets(tmp_path, config=tagged)
    assert path.read_bytes() == by_command


def test_unknown_properties_are_told_together(world, tmp_path):
    with pytest.raises(InputError) as caught:
        write_sheets(tmp_path, properties=["EASTS", "EAST", "none"])
    assert str(caught.value) == (
        "no property of these results is called EASTS, none.\n"
        "  Wanted: property_id as in properties.csv: properties with a bank in their strip.\n"
        "  Do: did you mean EAST?"
    )


def test_results_without_properties(world, tmp_path):
    tables = make_tables(GAPS)
    world(replace(make_world(), tables={**tables, "properties": tables["properties"].iloc[:0]}))
    with pytest.raises(InputError) as caught:
        write_sheets(tmp_path)
    assert str(caught.value) == (
        f"{tmp_path} holds no properties.\n"
        "  Wanted: results of a run with [layers] properties, some with a bank in their strip.\n"
        "  Do: give the layer in the config and run again."
    )


def test_a_relative_path_wants_the_config(world, tmp_path):
    settings = make_settings().model_copy(update={"sheets": Sheets(logo="logo.png")})
    world(replace(make_world(), settings=settings))
    with pytest.raises(SettingsError) as caught:
        write_sheets(tmp_path)
    assert str(caught.value) == (
        "[sheets] logo: logo.png is a path relative to the config, and results do not say where that is.\n"
        "  Wanted: the config, or an absolute path.\n"
        "  Do: add --config CONFIG."
    )


def test_a_logo_that_is_no_picture(tmp_path):
    (tmp_path / "logo.png").write_text("no picture")
    with pytest.raises(InputError) as caught:
        read_logo(tmp_path / "logo.png")
    assert str(caught.value) == (
        f"[sheets] logo: {tmp_path / 'logo.png'} cannot be read as a picture.\n"
        "  Wanted: a PNG or JPEG file.\n"
        "  Do: mend the path, or leave the key out."
    )


def test_file_names_hold_no_signs_of_paths_and_differ():
    names = file_names(["TB-0107", "../../etc", "a/b", "a b", "..", "é"])
    assert names[0] == "TB-0107"
    assert len(set(names)) == len(names)
    assert all(re.fullmatch(r"[A-Za-z0-9_-][A-Za-z0-9_.-]*", name) for name in names)
