"""Progress of a run on standard error: bars on a terminal, a line a stage elsewhere."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskID, TextColumn, TimeElapsedColumn
from rich.text import Text

from gisprio.run.chain import Progress as Watcher
from gisprio.run.engine import Unwatched


class PipeConsole(Console):
    """A console that lets a closed pipe be seen by the command, which turns it into its exit code."""

    def on_broken_pipe(self) -> None:
        """Raise again what rich would turn into an exit of its own."""
        raise BrokenPipeError


class Bars:
    """One bar a stage.

    Parameters
    ----------
    progress
        The bars, started.
    """

    def __init__(self, progress: Progress) -> None:
        self._progress = progress
        self._tasks: dict[str, TaskID] = {}

    def step(self, stage: str, done: int, total: int, seconds: float) -> None:
        """Move the bar of a stage."""
        if stage not in self._tasks:
            self._tasks[stage] = self._progress.add_task(stage.replace("_", " "), total=total)
        self._progress.update(self._tasks[stage], completed=done, total=total)

    def note(self, text: str) -> None:
        """Print a line above the bars."""
        self._progress.console.print(Text(text))


class Lines:
    """One line a stage, when it is through."""

    def step(self, stage: str, done: int, total: int, seconds: float) -> None:
        """Print the line of a stage that is through."""
        if done == total:
            self.note(f"{stage.replace('_', ' ')}: {seconds:.1f} s")

    def note(self, text: str) -> None:
        """Print a line; when nobody reads any more, the run goes on in silence."""
        try:
            sys.stderr.write(text + "\n")
            sys.stderr.flush()
        except BrokenPipeError:
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stderr.fileno())


@contextmanager
def watching(*, quiet: bool) -> Iterator[Watcher]:
    """Give the watcher that fits standard error, for the length of a run."""
    if quiet:
        yield Unwatched()
        return
    console = PipeConsole(stderr=True)
    if not console.is_terminal:
        yield Lines()
        return
    columns = (
        TextColumn("{task.description:<16}", markup=False),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
    )
    with Progress(*columns, console=console) as progress:
        yield Bars(progress)
