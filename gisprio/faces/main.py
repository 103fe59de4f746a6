"""The command ``gisprio``: runs it and turns what happened into an exit code.

==== ==================================================================
0    done; also when the reader of a pipe went away
1    a fault in gisprio: traceback, please report
2    the input, the settings or the output place are wrong
3    an optional part is not installed
4    the machine gave out: disk, memory; earlier results are whole
130  interrupted
143  told to end (SIGTERM), as batch systems and service managers do
==== ==================================================================
"""

from __future__ import annotations

import os
import signal
import sys
import threading
import traceback
from collections.abc import Callable, Sequence
from contextlib import suppress
from types import FrameType, TracebackType

import click

from gisprio.contracts.errors import ContractError, GisprioError

INTERRUPTED = 130
TOLD_TO_END = 143
PLEASE_REPORT = (
    "This is a fault in gisprio, not in your data. Please report it with the lines above, "
    "the command and, if there is one, run.log. Earlier results are whole."
)


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line.

    Parameters
    ----------
    argv
        Arguments without the program's name; those of the process when absent.

    Returns
    -------
    int
        The exit code. A fault in gisprio is not caught: it leaves the process with code 1, its traceback and
        the request to report it.
    """
    sys.excepthook = report_fault
    hear_sigterm()
    arguments = list(sys.argv[1:] if argv is None else argv)
    try:
        from gisprio.faces.cli import cli

        with cli.make_context("gisprio", arguments) as context:
            code = cli.invoke(context)
        sys.stdout.flush()
        return code if isinstance(code, int) else 0
    except click.exceptions.Exit as leave:
        return _flushed(leave.exit_code)
    except click.ClickException as error:
        return _said(error.show, 2)
    except ToldToEnd:
        return _said(lambda: click.echo("Told to end; earlier results are whole.", err=True), TOLD_TO_END)
    except (click.Abort, KeyboardInterrupt):
        return _said(lambda: click.echo("Interrupted; earlier results are whole.", err=True), INTERRUPTED)
    except ContractError:
        raise
    except GisprioError as error:
        from gisprio.faces.words import plain_lines

        text = plain_lines(error.report())
        return _said(lambda: click.echo(text, err=True), error.exit_code)
    except BrokenPipeError:
        return _reader_gone()


class ToldToEnd(SystemExit):
    """The process was sent SIGTERM."""


def hear_sigterm() -> None:
    """Let SIGTERM end a command as Ctrl-C does: the lock is let go, workers are ended, what was finished is kept."""
    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGTERM, _end)


def _end(number: int, frame: FrameType | None) -> None:
    raise ToldToEnd(TOLD_TO_END)


def report_fault(kind: type[BaseException], error: BaseException, trace: TracebackType | None) -> None:
    """Print the traceback of a fault, and ask for a report."""
    traceback.print_exception(kind, error, trace)
    with suppress(OSError):
        sys.stderr.write(f"\n{PLEASE_REPORT}\n")


def _flushed(code: int) -> int:
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        return _reader_gone()
    return code


def _said(say: Callable[[], object], code: int) -> int:
    try:
        say()
        sys.stdout.flush()
    except BrokenPipeError:
        _reader_gone()
    return code


def _reader_gone() -> int:
    """Point the streams at nothing, so that Python's own last flush finds no closed pipe."""
    nothing = os.open(os.devnull, os.O_WRONLY)
    for stream in (sys.stdout, sys.stderr):
        with suppress(OSError, ValueError):
            os.dup2(nothing, stream.fileno())
    return 0
