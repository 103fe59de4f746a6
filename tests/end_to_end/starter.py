"""Starts gisprio commands as processes of their own, each forked from one that has imported everything already.

A line of JSON comes in, a line goes out. Nothing is computed in the first process, so no thread is lost by the fork.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

CHECKOUT = Path(__file__).resolve().parents[2]


class Command:
    """A command that was started: a process with a group of its own, its streams in files."""

    def __init__(self, starter: Starter, pid: int, folder: Path) -> None:
        self._starter = starter
        self.pid = pid
        self._folder = folder
        self._began = time.monotonic()
        self._signalled = self._began
        self.seconds = 0.0
        """From the last signal, or from the start, to the end."""

    def poll(self) -> int | None:
        """Give the exit code, minus the signal's number where one ended it; None while it runs."""
        return self._starter.ask(poll=self.pid)

    def wait(self, patience_s: float = 600.0) -> int:
        while (code := self.poll()) is None:
            assert time.monotonic() - self._began < patience_s, f"still at work: {self.err}"
            time.sleep(0.01)
        self.seconds = time.monotonic() - self._signalled
        return code

    def send(self, number: int, *, to_group: bool = False) -> None:
        self._signalled = time.monotonic()
        (os.killpg if to_group else os.kill)(self.pid, number)

    @property
    def out(self) -> str:
        return (self._folder / "out.txt").read_text("utf-8")

    @property
    def err(self) -> str:
        return (self._folder / "err.txt").read_text("utf-8")


class Starter:
    """The process that commands are forked from."""

    def __init__(self, folder: Path) -> None:
        path = os.pathsep.join([str(CHECKOUT), str(CHECKOUT / "tests")])
        self._process = subprocess.Popen(
            [sys.executable, __file__], env={**os.environ, "PYTHONPATH": path},
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        self._folder = folder
        self._count = 0

    def ask(self, **what: object) -> int | None:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps(what) + "\n")
        self._process.stdin.flush()
        return json.loads(self._process.stdout.readline())

    def start(self, *arguments: object, first: str = "", closed: Sequence[str] = (), uid: int | None = None) -> Command:
        """Start a command.

        Parameters
        ----------
        first
            Code that it runs before, to inflict a fault at a certain place.
        closed
            Streams, "out" or "err", that are pipes whose reader is gone.
        uid
            The user it becomes.
        """
        self._count += 1
        folder = self._folder / f"command{self._count}"
        folder.mkdir()
        told = [str(argument) for argument in arguments]
        pid = self.ask(arguments=told, first=first, closed=list(closed), uid=uid, folder=str(folder))
        assert pid is not None
        return Command(self, pid, folder)

    def close(self) -> None:
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.wait(30)


def serve() -> None:
    """Answer until the input ends."""
    import gisprio.faces.cli
    import gisprio.faces.closing
    import gisprio.faces.watching
    import gisprio.faces.words
    import gisprio.inputs.checks
    import gisprio.inputs.project
    import gisprio.run.engine
    import gisprio.run.known
    import gisprio.run.results

    gisprio.run.known.read_settings(CHECKOUT / "configs" / "tansy-brook.toml")
    for line in sys.stdin:
        asked = json.loads(line)
        answer = _state(asked["poll"]) if "poll" in asked else _fork(asked)
        sys.stdout.write(json.dumps(answer) + "\n")
        sys.stdout.flush()


def _state(pid: int) -> int | None:
    found, status = os.waitpid(pid, os.WNOHANG)
    return os.waitstatus_to_exitcode(status) if found else None


def _fork(asked: dict) -> int:
    child = os.fork()
    if child:
        return child
    os.setsid()
    signal.signal(signal.SIGINT, signal.default_int_handler)
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    for number, name in ((1, "out"), (2, "err")):
        os.dup2(_stream(Path(asked["folder"]) / f"{name}.txt", name in asked["closed"]), number)
    if asked["uid"] is not None:
        os.setgroups([])
        os.setgid(asked["uid"])
        os.setuid(asked["uid"])
    exec(asked["first"], {})
    from gisprio.faces.main import main

    sys.exit(main(asked["arguments"]))  # it ends as any Python does


def _stream(path: Path, closed: bool) -> int:
    file = os.open(path, os.O_WRONLY | os.O_CREAT, 0o644)
    if not closed:
        return file
    read, write = os.pipe()
    os.close(read)
    return write


if __name__ == "__main__":
    serve()
