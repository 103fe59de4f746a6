"""Writes the landowner sheets of a result folder to ``sheets/``: a page as PDF for each property that gets one."""

from __future__ import annotations

import difflib
import hashlib
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
import shapely

from gisprio.contracts.cards import Results
from gisprio.contracts.errors import InputError, SettingsError
from gisprio.contracts.settings import Settings
from gisprio.inputs.contacts import read_contacts
from gisprio.products.sheets.backdrop import backdrop_of
from gisprio.products.sheets.drawing import overview_of
from gisprio.products.sheets.pdf import text_width, write_pdf
from gisprio.products.sheets.plots import Plots, find_plots
from gisprio.products.sheets.sheet import SIDE_MM, Setting, make_sheet
from gisprio.products.sheets.tagging import pikepdf_library, write_tagged_pdf
from gisprio.products.sheets.texts import Texts, texts_in
from gisprio.run.fingerprints import file_digest
from gisprio.run.lock import locked
from gisprio.run.places import machine_faults
from gisprio.run.record import digest_of_run
from gisprio.run.reopened import results_of
from gisprio.run.store import read_json, write_json, write_whole

SHEETS = "sheets"
MANIFEST = "sheets.json"
"""Names the run and the files, so that sheets of an earlier run are told from those of this one."""
LOGO_PX = 800
"""A logo has no more pixels along its longer side [own]."""
_WHY = {
    "not_known": "whose gaps the land cover is too coarse to show",
    "no_gap": "without a gap",
    "not_clear": "whose gaps are all uncertain",
    "not_natural": "whose clear gaps are on no natural stream",
    "sliver": "with slivers of a gap only",
    "closed": "that declined or are not to be contacted",
}


@dataclass(frozen=True, slots=True)
class Written:
    """What was written: the folder, the files, properties of the selection without a sheet by reason, notes."""

    folder: Path
    files: tuple[str, ...]
    sheets: int
    without: Mapping[str, int]
    notes: tuple[str, ...] = ()

    def told(self) -> str:
        """Say it in a few lines."""
        lines = [f"{self.sheets} {'property has' if self.sheets == 1 else 'properties have'} a sheet in {self.folder}."]
        none = sum(self.without.values())
        if none:
            reasons = ", ".join(f"{count} {_WHY[reason]}" for reason, count in self.without.items())
            lines.append(f"{none} {'gets' if none == 1 else 'get'} none: {reasons}.")
        return "\n".join([*lines, *self.notes])


def write_sheets(
    folder: str | Path,
    *,
    top: int | None = None,
    properties: Sequence[str] = (),
    paper: str | None = None,
    config: Settings | None = None,
    contacts: Path | None = None,
    tagged: bool = False,
) -> Written:
    """Write the sheets of a result folder.

    Parameters
    ----------
    folder
        A result folder.
    top
        Only the properties of the first ranks that get a sheet, so many; all when absent.
    properties
        Only these; all when empty.
    paper
        ``a4`` or ``letter``; as ``[sheets]`` says when absent.
    config
        Settings whose ``[sheets]`` and ``[report]`` hold in place of those of the run.
    contacts
        The private table of contacts: who declined or wants no contact gets no sheet, and loses one made before.
    tagged
        Tagged sheets, which can be read aloud; as ``[sheets]`` says when false.

    Raises
    ------
    MissingPart
        Tagged sheets are wanted, and pikepdf is not installed.
    InputError
        It is no result folder, a property is unknown, or a file that ``[sheets]`` names cannot be read.
    SettingsError
        ``[sheets]`` is wrong.
    RunError
        The disk is full.
    """
    ready = prepare_sheets(folder, properties=properties, paper=paper, config=config, tagged=tagged)
    home, settings, found, (first, *others) = ready.home, ready.settings, ready.found, ready.pages
    closed = read_contacts(contacts).closed() if contacts is not None else frozenset()
    left_out = [plot.property_id for plot in found.plots if plot.property_id in closed]
    open_ones = [plot for plot in found.plots if plot.property_id not in closed]
    plots = open_ones[:top]
    place = home / SHEETS
    with locked(home, []), machine_faults(home):
        place.mkdir(exist_ok=True)
        files = []
        for plot, name in zip(plots, file_names([plot.property_id for plot in plots]), strict=True):
            for setting in (first, *others):
                ending = "" if setting is first else f"-{setting.texts.language}"
                files.append(f"{name}{ending}.pdf")
                write_whole(place / files[-1], partial(ready.write, page=make_sheet(plot, setting)))
        for name in file_names(left_out):
            for ending in ("", *(f"-{setting.texts.language}" for setting in others)):
                (place / f"{name}{ending}.pdf").unlink(missing_ok=True)
        _keep_manifest(place, first.digest, files)
    without = {**found.without, **({"closed": len(left_out)} if left_out else {})}
    return Written(place, tuple(files), len(plots), without, _notes(len(open_ones), settings, top))


@dataclass(frozen=True, slots=True)
class Ready:
    """What sheets are made of: the result folder, settings, what the pages of each language share, the properties.

    ``write`` writes pages to a path, tagged or not.
    """

    home: Path
    settings: Settings
    pages: tuple[Setting, ...]
    found: Plots
    write: Callable[..., None]


def prepare_sheets(
    folder: str | Path,
    *,
    properties: Sequence[str] = (),
    paper: str | None = None,
    config: Settings | None = None,
    tagged: bool = False,
) -> Ready:
    """Read what sheets are made of; for the parameters see :func:`write_sheets`."""
    results = results_of(folder)
    home = Path(folder).expanduser().resolve()
    tables, settings = results.tables, results.settings
    if config is not None:
        own = {name: getattr(config, name) for name in ("sheets", "report", "folder")}
        settings = settings.model_copy(update=own)
    _refuse_unknown(properties, tables["properties"]["property_id"].tolist(), home)
    if tagged:
        settings = settings.model_copy(update={"sheets": settings.sheets.model_copy(update={"tagged": True})})
    if settings.sheets.tagged:
        pikepdf_library()
    pages = _settings_of_pages(results, settings, paper, named=config is not None)
    write = write_tagged_pdf if settings.sheets.tagged else write_pdf
    return Ready(home, settings, tuple(pages), find_plots(tables, list(properties) or None), write)


def _notes(count: int, settings: Settings, top: int | None) -> tuple[str, ...]:
    notes = []
    if top is not None and count > top:
        notes.append(f"{count - top} more would have one (--top {top}).")
    if not settings.report.contact:
        notes.append("No contact is given: the sheets have lines to write it on. Give [report] contact.")
    return tuple(notes)


def _refuse_unknown(asked: Sequence[str], known: list[str], folder: Path) -> None:
    """Refuse results without properties, and ids that no property has, all at once.

    Raises
    ------
    InputError
        With the nearest id of the first unknown one.
    """
    if not known:
        raise InputError(
            f"{folder} holds no properties.",
            wanted="results of a run with [layers] properties, some with a bank in their strip.",
            do="give the layer in the config and run again.",
        )
    wrong = [name for name in dict.fromkeys(asked) if name not in set(known)]
    if wrong:
        near = difflib.get_close_matches(wrong[0], known, 1)
        raise InputError(
            f"no property of these results is called {', '.join(wrong)}.",
            wanted="property_id as in properties.csv: properties with a bank in their strip.",
            do=f"did you mean {near[0]}?" if near else "look the id up in properties.csv.",
        )


def _settings_of_pages(results: Results, settings: Settings, paper: str | None, *, named: bool) -> list[Setting]:
    """Give what all sheets share, for each language."""
    wanted = settings.sheets
    own = _path_of("texts", wanted.texts, settings, named=named)
    logo = _path_of("logo", wanted.logo, settings, named=named)
    units = settings.report.units
    codes = [code for code in dict.fromkeys((wanted.language, wanted.second_language)) if code]
    texts = [texts_in(code, own, units, spoken=wanted.tagged) for code in codes]
    first = _setting(results, settings, paper or wanted.paper, texts[0])
    first = replace(first, logo=read_logo(logo) if logo is not None else None)
    return [first, *(replace(first, texts=other) for other in texts[1:])]


def _setting(results: Results, settings: Settings, paper: str, texts: Texts) -> Setting:
    reaches = results.tables["reaches"]
    lines = reaches.geometry.to_numpy()
    orders = reaches["strahler_order"].fillna(1).to_numpy(float)
    west, south, east, north = shapely.total_bounds(lines).tolist()
    return Setting(
        texts=texts,
        place=settings.run.name,
        paper=paper,
        streams=lines,
        overview=overview_of(lines, orders, SIDE_MM),
        bounds=(west, south, east, north),
        rule=settings.setback.rule,
        kind=settings.setback.kind,
        rule_title=settings.setback.about.title,
        counts=tuple(settings.setback.counts),
        date=results.record["started"][:10],
        cover_year=settings.land_cover.year,
        digest=digest_of_run(results.record)[:12],
        contact=settings.report.contact,
        measure=text_width,
        backdrop=backdrop_of(results.backdrop() if results.backdrop is not None else None, results.crs),
        tagged=settings.sheets.tagged,
    )


def _path_of(key: str, given: str, settings: Settings, *, named: bool) -> Path | None:
    """Give the path of a file that ``[sheets]`` names; relative ones start at the config.

    Raises
    ------
    SettingsError
        It is relative, and nobody said where the config is.
    """
    if not given:
        return None
    path = Path(given).expanduser()
    if path.is_absolute():
        return path
    if not named:
        raise SettingsError(
            f"[sheets] {key}: {given} is a path relative to the config, and results do not say where that is.",
            wanted="the config, or an absolute path.",
            do="add --config CONFIG.",
        )
    return settings.folder / path


def read_logo(path: Path) -> np.ndarray:
    """Read a picture as (rows, columns, 3) colours, on white where it is transparent.

    Raises
    ------
    InputError
        It is not there or no picture.
    """
    from PIL import Image, UnidentifiedImageError

    try:
        with Image.open(path) as picture:
            picture.thumbnail((LOGO_PX, LOGO_PX))
            shown = picture.convert("RGBA")
    except (OSError, UnidentifiedImageError) as error:
        raise InputError(
            f"[sheets] logo: {path} cannot be read as a picture.",
            wanted="a PNG or JPEG file.",
            do="mend the path, or leave the key out.",
        ) from error
    white = Image.new("RGBA", shown.size, "#ffffff")
    white.alpha_composite(shown)
    return np.asarray(white.convert("RGB"))


def file_names(ids: Sequence[str]) -> list[str]:
    """Name the files of properties: the id, and where it has signs that no file name may have, some of its digest.

    >>> file_names(["TB-0107", "000/2"])
    ['TB-0107', '000_2-4d9b2b']
    """
    names = []
    for given in ids:
        plain = re.sub(r"[^A-Za-z0-9_.-]+", "_", given).strip("._")[:60]
        digest = hashlib.sha256(given.encode("utf-8")).hexdigest()[:6]
        names.append(plain if plain == given else f"{plain}-{digest}".strip("-"))
    return names


def _keep_manifest(place: Path, digest: str, files: Sequence[str]) -> None:
    """Name the files and their run; sheets of another run that nobody changed go."""
    path = place / MANIFEST
    before = read_json(path) or {}
    kept = before.get("files")
    made = {name: file_digest(place / name) for name in files}
    for name, was in kept.items() if isinstance(kept, dict) else ():
        old = place / name
        if name in made or Path(name).name != name or not old.is_file():
            continue
        if before.get("run") == digest:
            made[name] = was
        elif file_digest(old) == was:
            old.unlink()
    write_json(path, {"run": digest, "files": dict(sorted(made.items()))})
