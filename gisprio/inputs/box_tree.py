"""Boxes that can be asked which of them a window touches: an R-tree, kept on disk for later runs and for workers."""

from __future__ import annotations

import json
import os
import shutil
import threading
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from gisprio.contracts.grids import Bounds
from gisprio.inputs.digests import bytes_digest, text_digest

FEW = 16
"""So many boxes are looked at one by one; for more there is a tree."""
_PARTS = ("tree.idx", "tree.dat")


class BoxTree:
    """Boxes by number; which of them come near a window is found without looking at all of them.

    Parameters
    ----------
    boxes
        x0, y0, x1, y1 of each; None comes near no window.
    folder
        Where trees are kept; None: nowhere.

    Notes
    -----
    The library writes to the files of a tree that it closes, even if nothing changed. So what is kept is never opened:
    a copy is, and only if its bytes are those that were kept.
    """

    def __init__(self, boxes: Sequence[Bounds | None], folder: Path | None = None) -> None:
        self.boxes = tuple(boxes)
        self.folder = folder
        self._start()

    def _start(self) -> None:
        self._lock = threading.Lock()
        self._opened: Any = None
        self._copy: TemporaryDirectory[str] | None = None

    def __getstate__(self) -> dict[str, Any]:
        return {"boxes": self.boxes, "folder": self.folder}

    def __setstate__(self, state: dict[str, Any]) -> None:
        self.__dict__.update(state)
        self._start()

    def near(self, bounds: Bounds, margin: float) -> list[int]:
        """Give the numbers of the boxes that come within a margin of a window, in order.

        Parameters
        ----------
        bounds
            The window: x0, y0, x1, y1.
        margin
            How near, along either axis.
        """
        found: Sequence[int] = range(len(self.boxes))
        if len(self.boxes) > FEW:
            (x0, x1), (y0, y1), reach = sorted(bounds[::2]), sorted(bounds[1::2]), 1.001 * margin
            with self._lock:
                found = sorted(self._tree().intersection((x0 - reach, y0 - reach, x1 + reach, y1 + reach)))
        boxes = ((number, self.boxes[number]) for number in found)
        return [number for number, box in boxes if box is not None and _touch(box, bounds, margin)]

    def keep(self) -> None:
        """Keep the tree in the folder, whole or not at all.

        Raises
        ------
        OSError
            The disk is full or not writable.
        """
        place = self.place
        if place is None or _kept_bytes(place) is not None:
            return
        beside = place.with_name(f"{place.name}.part{os.getpid()}")
        with TemporaryDirectory(prefix="gisprio-") as made, ExitStack() as cleaning:
            self._build(f"{made}/tree").close()
            parts = {name: Path(made, name).read_bytes() for name in _PARTS}
            cleaning.callback(shutil.rmtree, beside, ignore_errors=True)
            beside.mkdir(parents=True, exist_ok=True)
            for name, content in parts.items():
                (beside / name).write_bytes(content)
            sums = {name: bytes_digest(content) for name, content in parts.items()}
            (beside / "sums.json").write_text(json.dumps(sums), "utf-8")
            shutil.rmtree(place, ignore_errors=True)
            os.replace(beside, place)

    def close(self) -> None:
        """Close the tree; it is opened again when asked."""
        with self._lock:
            if self._opened is not None:
                self._opened.close()
            if self._copy is not None:
                self._copy.cleanup()
            self._opened = self._copy = None

    @property
    def place(self) -> Path | None:
        """Where the tree is kept, by the digest of its boxes; None where it is not worth keeping."""
        if self.folder is None or len(self.boxes) <= FEW:
            return None
        return self.folder / text_digest(self.boxes)[:32]

    def _tree(self) -> Any:
        if self._opened is None:
            place = self.place
            parts = _kept_bytes(place) if place is not None else None
            self._opened = self._build() if parts is None else self._open_copy(parts)
        return self._opened

    def _open_copy(self, parts: dict[str, bytes]) -> Any:
        from rtree.index import Index

        self._copy = TemporaryDirectory(prefix="gisprio-")
        for name, content in parts.items():
            Path(self._copy.name, name).write_bytes(content)
        return Index(f"{self._copy.name}/tree")

    def _build(self, path: str | None = None) -> Any:
        from rtree.index import Index

        rows = [(number, box, None) for number, box in enumerate(self.boxes) if box is not None]
        given = [path] if path is not None else []
        return Index(*given, iter(rows)) if rows else Index(*given)


def keep_trees(trees: Sequence[BoxTree]) -> None:
    """Keep some trees, and drop all others from their folders.

    Raises
    ------
    OSError
        The disk is full or not writable.
    """
    for tree in trees:
        tree.keep()
    used = {tree.place for tree in trees}
    for folder in {tree.folder for tree in trees if tree.folder is not None and tree.folder.is_dir()}:
        for place in sorted(folder.iterdir()):
            if place not in used and ".part" not in place.name:
                shutil.rmtree(place, ignore_errors=True)


def _kept_bytes(place: Path) -> dict[str, bytes] | None:
    """Give the files of a tree that is kept; None where there is none, or not as it was written."""
    try:
        sums = json.loads((place / "sums.json").read_text("utf-8"))
        parts = {name: (place / name).read_bytes() for name in _PARTS}
    except (OSError, ValueError):
        return None
    return parts if sums == {name: bytes_digest(content) for name, content in parts.items()} else None


def _touch(one: Bounds, other: Bounds, margin: float) -> bool:
    """Say whether two boxes come nearer than a margin."""
    apart_x = one[0] > other[2] + margin or other[0] > one[2] + margin
    return not (apart_x or one[1] > other[3] + margin or other[1] > one[3] + margin)
