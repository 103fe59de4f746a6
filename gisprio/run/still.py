"""Whether the files of the layers stay as they are while a run reads them."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from types import TracebackType

from gisprio.contracts.errors import InputError
from gisprio.contracts.settings import Settings
from gisprio.inputs.paths import expand, given_layers, own_factor_layers

Stamps = dict[tuple[str, Path], tuple[int, int]]
"""Size [B] and date of last change [ns] of a file, by layer and path."""

_JOURNALS = ("-wal", "-journal")
"""What edits of a database may lie in, beside it."""
_OF_SHAPEFILE = (".dbf", ".shx", ".prj", ".cpg")


class StillFiles:
    """Looks at the files of the layers before they are read, and again before results are published.

    In a ``with`` block it says what changed also when the run fails of it, as it does when a file is gone.

    Parameters
    ----------
    settings
        Layers and layers of own factors are looked at; those at an address are not.
    """

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._before = stamps(settings)

    def __enter__(self) -> StillFiles:
        return self

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, _: TracebackType | None) -> None:
        if fault is not None and isinstance(fault, Exception):
            self.refuse_changed()

    def changed(self) -> dict[tuple[str, Path], str]:
        """Give each layer and file that is not as it was, with what became of it."""
        now = stamps(self._settings)
        return {
            file: _became(self._before.get(file), now.get(file))
            for file in sorted({*self._before, *now})
            if self._before.get(file) != now.get(file)
        }

    def refuse_changed(self) -> None:
        """Raise when a file is not as it was.

        Raises
        ------
        InputError
            Naming each of them.
        """
        changed = self.changed()
        if changed:
            raise InputError(
                "layers changed while the run read them; nothing was published.\n"
                + "\n".join(f"    {layer}: {path} {became}" for (layer, path), became in changed.items()),
                wanted="layers that stay as they are while a run is at work.",
                do="run again when they are saved. Earlier results are whole.",
            )


def stamps(settings: Settings) -> Stamps:
    """Give size and date of every file that layers are read from."""
    found: Stamps = {}
    for layer, path in _paths(settings):
        for file in _files(path):
            try:
                about = file.stat()
            except OSError:
                continue
            if about.st_size or not file.name.endswith(_JOURNALS):  # opening a database may lay an empty one beside it
                found[layer, file] = (about.st_size, about.st_mtime_ns)
    return found


def _paths(settings: Settings) -> Iterator[tuple[str, Path]]:
    for layer, given in {**given_layers(settings), **own_factor_layers(settings)}.items():
        for pattern in given:
            for place in expand(pattern, settings.folder):
                if place.is_local:
                    yield layer, Path(place.path)


def _files(path: Path) -> list[Path]:
    """Give the files a data source is made of: itself and what lies beside it, or those of its folder."""
    if path.is_dir():
        return sorted(file for file in path.iterdir() if file.suffix != ".lock")
    journals = [path.with_name(path.name + ending) for ending in _JOURNALS]
    parts = [path.with_suffix(ending) for ending in _OF_SHAPEFILE] if path.suffix.lower() == ".shp" else []
    return [path, *journals, *parts]


def _became(before: tuple[int, int] | None, now: tuple[int, int] | None) -> str:
    if before is None:
        return "came new"
    return "is gone" if now is None else "changed"
