"""The command ``gisprio sheets`` on the results of the sample."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest
from PIL import Image

from gisprio.contracts.errors import InputError, SettingsError
from gisprio.contracts.settings import Report, Sheets
from gisprio.faces.main import main
from gisprio.products.sheets.plots import find_plots
from gisprio.products.sheets.sheet import PAPERS
from gisprio.run.reopened import results_of
from gisprio.run.sheets import file_names, read_logo, write_sheets
from sheet_pages import faults_of, read_sheet

FILES = ("run.json", "ranked.gpkg", "backdrop.tif")


@pytest.fixture(scope="module")
def results(sample_results, tmp_path_factory) -> Path:
    """Copy what sheets are made of, so that the results that other tests read stay as they were."""
    folder = tmp_path_factory.mktemp("results")
    for name in FILES:
        shutil.copy(sample_results / name, folder)
    return folder


@pytest.fixture(scope="module")
def opened(results):
    return results_of(results)


@pytest.fixture(scope="module")
def first(results):
    """Write the sheets of the first three properties."""
    written = write_sheets(results, top=3)
    return written, {name: (written.folder / name).read_bytes() for name in written.files}


def test_the_first_three_are_true(first, opened):
    written, _ = first
    tables = opened.tables
    ids = tables["properties"]["property_id"].tolist()
    plots = find_plots(tables).plots[:3]
    assert written.files == tuple(f"{plot.property_id}.pdf" for plot in plots)
    for plot in plots:
        sheet = read_sheet(written.folder / f"{plot.property_id}.pdf")
        others = [name for name in ids if name != plot.property_id]
        assert faults_of(sheet, plot, tables["reaches"].geometry.to_numpy(), others, PAPERS["a4"]) == []
        assert sheet.pictures == 1  # the hillshade


def test_what_was_left_out_is_told_in_numbers(first, opened):
    written, _ = first
    everything, none = len(opened.tables["properties"]), sum(written.without.values())
    had = len(find_plots(opened.tables).plots)
    assert none + had == everything
    lines = written.told().split("\n")
    assert lines[0] == f"3 properties have a sheet in {written.folder}."
    assert lines[1].startswith(f"{none} get none: {written.without['no_gap']} without a gap, ")
    assert lines[2:] == [
        f"{had - 3} more would have one (--top 3).",
        "No contact is given: the sheets have lines to write it on. Give [report] contact.",
    ]


def test_same_results_same_bytes(first, results):
    written, before = first
    again = write_sheets(results, top=3)
    assert again.files == written.files
    assert {name: (again.folder / name).read_bytes() for name in again.files} == before


def test_the_command_and_its_options(first, results, opened, capsys):
    (results / "sheets" / "letter to the council.pdf").write_text("not gisprio's")
    name = find_plots(opened.tables).plots[5].property_id
    assert main(["sheets", str(results), "--property", name, "--paper", "letter"]) == 0
    assert capsys.readouterr().out.startswith(f"1 property has a sheet in {results / 'sheets'}.\n")
    assert read_sheet(results / "sheets" / f"{name}.pdf").size == pytest.approx(PAPERS["letter"], abs=0.1)
    manifest = json.loads((results / "sheets" / "sheets.json").read_text())
    assert set(manifest["files"]) == {*first[0].files, f"{name}.pdf"}
    assert f"run {manifest['run']}".encode() in (results / "sheets" / f"{name}.pdf").read_bytes()


def test_sheets_of_another_run_go_and_other_files_stay(sample_results, tmp_path):
    for file in FILES:
        shutil.copy(sample_results / file, tmp_path)
    one, two = (plot.property_id for plot in find_plots(results_of(tmp_path).tables).plots[:2])
    write_sheets(tmp_path, properties=[one])
    (tmp_path / "sheets" / "mine.pdf").write_text("mine")
    record = json.loads((tmp_path / "run.json").read_text("utf-8"))
    record["inputs"]["dem"] = "another"
    (tmp_path / "run.json").write_text(json.dumps(record), "utf-8")
    write_sheets(tmp_path, properties=[two])
    assert sorted(path.name for path in (tmp_path / "sheets").iterdir()) == [f"{two}.pdf", "mine.pdf", "sheets.json"]


def test_a_second_language_is_a_file_of_its_own(results, opened, tmp_path):
    Image.new("RGBA", (40, 20), (0, 90, 0, 255)).save(tmp_path / "logo.png")
    settings = opened.settings.model_copy(
        update={
            "folder": tmp_path,
            "sheets": Sheets(second_language="es", logo="logo.png"),
            "report": Report(units="us", contact="Fennick Valley Partners"),
        }
    )
    written = write_sheets(results, top=1, config=settings)
    english, spanish = written.files
    assert spanish == english.replace(".pdf", "-es.pdf")
    assert written.notes == (f"{len(find_plots(opened.tables).plots) - 1} more would have one (--top 1).",)
    sheet = read_sheet(written.folder / spanish)
    assert "Fennick Valley Partners" in sheet.text
    assert "orilla" in sheet.text
    assert sheet.pictures == 2


def test_unknown_properties_are_told_together(results):
    with pytest.raises(InputError) as caught:
        write_sheets(results, properties=["TB-01O7", "TB-0107", "none"])
    assert str(caught.value) == (
        "no property of these results is called TB-01O7, none.\n"
        "  Wanted: property_id as in properties.csv: properties with a bank in their strip.\n"
        "  Do: did you mean TB-0107?"
    )


def test_a_relative_path_wants_the_config(results, opened, monkeypatch):
    changed = opened.settings.model_copy(update={"sheets": Sheets(logo="logo.png")})
    monkeypatch.setattr("gisprio.run.sheets.results_of", lambda folder: _with(opened, changed))
    with pytest.raises(SettingsError) as caught:
        write_sheets(results)
    assert str(caught.value) == (
        "[sheets] logo: logo.png is a path relative to the config, and results do not say where that is.\n"
        "  Wanted: the config, or an absolute path.\n"
        "  Do: add --config CONFIG."
    )


def _with(opened, settings):
    from dataclasses import replace

    return replace(opened, settings=settings)


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
    names = file_names(["TB-0107", "../../etc", "a/b", "a b", "..", "CON", "é"])
    assert names[0] == "TB-0107"
    assert len(set(names)) == len(names)
    assert all(re.fullmatch(r"[A-Za-z0-9_-][A-Za-z0-9_.-]*", name) for name in names)
