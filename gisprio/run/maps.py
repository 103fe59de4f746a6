"""Maps of finished results, each for those who read it, written without a run."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path

from gisprio.contracts.cards import Results
from gisprio.products.map import write_map
from gisprio.products.map_split import write_map_of_run, write_maps
from gisprio.products.public_map import write_public_map
from gisprio.run.engine import refuse_foreign
from gisprio.run.lock import locked
from gisprio.run.places import machine_faults
from gisprio.run.publish import RECORD, digests_of, new_folder, publish
from gisprio.run.reopened import refuse_older, results_of
from gisprio.run.results import open_results
from gisprio.run.store import write_json
from gisprio.run.unchanged import mark_results_again, marks_stand

MAPS: Mapping[str, tuple[str, Callable[[Path, Results], None]]] = {
    "team": ("map.html", write_map_of_run),
    "board": ("map-board.html", partial(write_maps, write_one=partial(write_map, audience="board"))),
    "public": ("map-public.html", write_public_map),
}
"""The file of each audience, and who writes it."""


def write_map_again(folder: str | Path, audience: str = "team") -> Path:
    """Write a map of finished results, and tell run.json.

    Parameters
    ----------
    folder
        A result folder.
    audience
        Who reads it, one of :data:`MAPS`.

    Returns
    -------
    Path
        The file. It is replaced whole; the next run that computes anything removes maps that it does not write.

    Raises
    ------
    InputError
        It is not a result folder, it lacks what a map is made from, a run is at work in it, or a file of that name is
        not gisprio's.
    SettingsError, RunError
        The folder may not be written, or the disk or memory gave out; the results are whole.
    """
    return write_page_again(folder, *MAPS[audience])


def write_page_again(folder: str | Path, name: str, write: Callable[[Path, Results], None]) -> Path:
    """Write a page of finished results by a function of path and results, and tell run.json.

    Returns and raises as :func:`write_map_again`.
    """
    opened = open_results(folder)
    refuse_older(opened)
    place = opened.folder
    with machine_faults(place), locked(place, []):
        new = new_folder(place)
        refuse_foreign(place, [name])
        results = results_of(place)  # as the lock finds them
        stood = marks_stand(place)
        write(new / name, results)
        names = sorted(found.name for found in new.iterdir())
        refuse_foreign(place, names)
        files = {**results.record["files"], **digests_of(new, names)}
        write_json(new / RECORD, {**results.record, "files": files})
        publish(place, [*names, RECORD], {})
        if stood:
            mark_results_again(place, [*files, RECORD])
    return place / name
