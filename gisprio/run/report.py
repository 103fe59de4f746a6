"""The report of finished results, written again with what was made since: the shortlist of this very run."""

from __future__ import annotations

import json
from functools import partial
from pathlib import Path
from typing import Any

from gisprio.contracts.errors import InputError
from gisprio.products.report import write_report
from gisprio.run.maps import write_page_again
from gisprio.run.record import digest_of_run
from gisprio.run.results import open_results

REPORT, SHORTLIST = "report.html", "shortlist.json"


def write_report_again(folder: str | Path) -> list[str]:
    """Write ``report.html`` of finished results again, with the shortlist where it was made of them.

    Parameters
    ----------
    folder
        A result folder.

    Returns
    -------
    list of str
        What was written, and what became of the shortlist.

    Raises
    ------
    InputError
        It is not a result folder, it lacks what pages are made from, a run is at work in it, or ``shortlist.json``
        cannot be read.
    SettingsError, RunError
        The folder may not be written, or the disk or memory gave out; the results are whole.
    """
    opened = open_results(folder)
    made = read_shortlist(opened.folder)
    own = made if made is not None and made.get("run") == digest_of_run(opened.record)[:12] else None
    path = write_page_again(folder, REPORT, partial(write_report, shortlist=own))
    if made is None:
        return [f"Wrote {path}. There is no shortlist in {opened.folder}."]
    if own is None:
        return [f"Wrote {path}, without the shortlist: it was made of another run. Run gisprio shortlist again."]
    return [f"Wrote {path}, with the shortlist."]


def read_shortlist(folder: Path) -> dict[str, Any] | None:
    """Read ``shortlist.json`` of a result folder; None where there is none.

    Raises
    ------
    InputError
        It cannot be read.
    """
    path = folder / SHORTLIST
    if not path.exists():
        return None
    try:
        content = json.loads(path.read_text("utf-8"))
    except (OSError, UnicodeDecodeError, json.JSONDecodeError):
        content = None
    if not isinstance(content, dict):
        raise InputError(
            f"{path} cannot be read.",
            wanted="the file that gisprio shortlist wrote.",
            do="run gisprio shortlist again, or move the file away.",
        )
    return content
