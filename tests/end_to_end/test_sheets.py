"""Sheets of the sample by the command. How they are written is tested in ``tests/unit/run/test_sheets.py``."""

from __future__ import annotations

import shutil

from gisprio.faces.main import main
from gisprio.products.sheets.plots import find_plots
from gisprio.products.sheets.sheet import PAPERS
from gisprio.run.reopened import results_of
from sheet_pages import faults_of, read_sheet

FILES = ("run.json", "ranked.gpkg", "backdrop.tif")


def test_the_first_three_are_true_and_the_others_are_told(sample_results, tmp_path, capsys):
    for name in FILES:  # the results that other tests read stay as they are
        shutil.copy(sample_results / name, tmp_path)
    assert main(["sheets", str(tmp_path), "--top", "3", "--paper", "letter"]) == 0
    lines = capsys.readouterr().out.splitlines()
    tables = results_of(tmp_path).tables
    found = find_plots(tables)
    none = sum(found.without.values())
    assert none + len(found.plots) == len(tables["properties"])
    assert lines[0] == f"3 properties have a sheet in {tmp_path / 'sheets'}."
    assert lines[1].startswith(f"{none} get none: {found.without['no_gap']} without a gap, ")
    assert lines[2:] == [
        f"{len(found.plots) - 3} more would have one (--top 3).",
        "No contact is given: the sheets have lines to write it on. Give [report] contact.",
    ]
    ids = tables["properties"]["property_id"].tolist()
    for plot in found.plots[:3]:
        sheet = read_sheet(tmp_path / "sheets" / f"{plot.property_id}.pdf")
        others = [name for name in ids if name != plot.property_id]
        assert faults_of(sheet, plot, tables["reaches"].geometry.to_numpy(), others, PAPERS["letter"]) == []
        assert sheet.pictures == 1  # the hillshade
