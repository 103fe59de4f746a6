"""Writes every landowner sheet of a result folder twice over, in two languages, units and papers, and reads all back.

    python -m tests.benchmarks.sheets FOLDER

Prints how long writing took, and what is wrong with any sheet (``tests/sheet_pages.py``). The goal: nothing, and
200 sheets in under 180 s on 2 cores; else the exit code is 1.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
from pathlib import Path
from time import perf_counter

from gisprio.contracts.settings import Report, Settings, Sheets
from gisprio.products.sheets.plots import find_plots
from gisprio.products.sheets.sheet import PAPERS
from gisprio.run.reopened import results_of
from gisprio.run.sheets import file_names, write_sheets
from tests.sheet_pages import faults_of, read_sheet

FILES = ("run.json", "ranked.gpkg", "backdrop.tif")
VARIANTS = (
    (Sheets(paper="a4", language="en"), Report(units="si", contact="Fennick Valley Partners, Mill Lane 4")),
    (Sheets(paper="letter", language="es"), Report(units="us")),
)


def main() -> int:
    """Write, time and check; 0 when nothing is wrong."""
    choices = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    choices.add_argument("folder", type=Path)
    given = choices.parse_args().folder
    with tempfile.TemporaryDirectory() as place:
        for name in FILES:
            shutil.copy(given / name, place)
        settings = results_of(place).settings
        took, sheets, wrong = 0.0, 0, 0
        for sheets_section, report in VARIANTS:
            began = perf_counter()
            own = settings.model_copy(update={"sheets": sheets_section, "report": report})
            print(write_sheets(place, config=own).told())  # noqa: T201
            took += perf_counter() - began
            count, faults = check_all(Path(place), own)
            sheets, wrong = sheets + count, wrong + faults
    print(f"{sheets} sheets in {took:.1f} s; {wrong} with something wrong.")  # noqa: T201
    return int(wrong > 0 or took > 180 * sheets / 200)


def check_all(folder: Path, settings: Settings) -> tuple[int, int]:
    """Read the sheets of a folder back; give how many there are and how many are wrong."""
    tables = results_of(folder).tables
    ids = tables["properties"]["property_id"].tolist()
    streams = tables["reaches"].geometry.to_numpy()
    plots = find_plots(tables).plots
    wrong = 0
    for plot, name in zip(plots, file_names([plot.property_id for plot in plots]), strict=True):
        sheet = read_sheet(folder / "sheets" / f"{name}.pdf")
        others = [other for other in ids if other != plot.property_id]
        faults = faults_of(sheet, plot, streams, others, PAPERS[settings.sheets.paper])
        if faults:
            wrong += 1
            print(f"{plot.property_id} ({settings.sheets.language}): {', '.join(faults)}")  # noqa: T201
    return len(plots), wrong


if __name__ == "__main__":
    sys.exit(main())
