"""Exit codes, of real processes."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

CHECKOUT = Path(__file__).resolve().parents[2]
DRIVER = """
    import sys
    import gisprio.run.engine
    import gisprio.run.known
    from gisprio.contracts import errors
    def read_settings(path):
        return None
    def run(settings, **options):
        {body}
    gisprio.run.engine.run = run
    gisprio.run.known.read_settings = read_settings
    from gisprio.faces.main import main
    sys.exit(main(["run", "some.toml"]))
"""


def start(*arguments: str, **streams: object) -> subprocess.Popen:
    environment = {**os.environ, "PYTHONPATH": str(CHECKOUT)}
    streams = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **streams}
    return subprocess.Popen(
        [sys.executable, *arguments], env=environment, text=True, preexec_fn=hear_interrupts, **streams
    )


def hear_interrupts() -> None:
    """Undo what a shell does to processes it starts in the background: they are deaf to Ctrl-C."""
    signal.signal(signal.SIGINT, signal.default_int_handler)


def ended(process: subprocess.Popen) -> tuple[int, str, str]:
    out, err = process.communicate(timeout=90)
    return process.returncode, out, err


def gisprio(*arguments: str) -> tuple[int, str, str]:
    return ended(start("-m", "gisprio", *arguments))


def when_run_does(body: str) -> tuple[int, str, str]:
    return ended(start("-c", textwrap.dedent(DRIVER).format(body=body)))


def test_0_help_and_version():
    code, out, err = gisprio("--help")
    assert (code, err) == (0, "")
    commands = [line.split()[0] for line in out.partition("Commands:\n")[2].splitlines()]
    wanted = "check clean compare desk explain fields letters map methods new report run sheets shortlist visits works"
    assert commands == wanted.split()
    code, out, err = gisprio("--version")
    assert (code, err) == (0, "")
    assert out.startswith("gisprio 0.")


def test_1_a_fault_shows_its_traceback_and_asks_for_a_report():
    code, out, err = when_run_does("return {}[settings]")
    assert (code, out) == (1, "")
    assert "Traceback (most recent call last)" in err
    assert "KeyError: None" in err
    assert err.endswith(
        "This is a fault in gisprio, not in your data. Please report it with the lines above, the command and, "
        "if there is one, run.log. Earlier results are whole.\n"
    )


def test_1_a_broken_contract_is_a_fault():
    code, _, err = when_run_does('raise errors.ContractError("layer banks breaks its contract.")')
    assert code == 1
    assert "Traceback" in err
    assert "layer banks breaks its contract." in err


@pytest.mark.parametrize(
    ("error", "code"), [("SettingsError", 2), ("InputError", 2), ("MissingPart", 3), ("RunError", 4)]
)
def test_2_3_4_a_message_and_no_traceback(error, code):
    said = when_run_does(f'raise errors.{error}("it is so.", wanted="otherwise.", do="mend it.")')
    assert said == (code, "", f"{error}: it is so.\n  Wanted: otherwise.\n  Do: mend it.\n")


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("chek",), "No such command 'chek'."),
        (("run",), "Missing argument 'CONFIG'."),
        (("run", "a.toml", "--fast"), "No such option"),
        (("run", "a.toml", "--quiet", "--verbose"), "--quiet and --verbose cannot both be given."),
        (("run", "nothing-there.toml"), "nothing-there.toml"),
        (("check", "nothing-there.toml"), "nothing-there.toml"),
        (("map", "nothing-there"), "nothing-there is not a result folder: there is nothing of that name."),
        (("map", "x", "--audience", "press"), "'press' is not one of"),
        (("report", "nothing-there"), "nothing-there is not a result folder: there is nothing of that name."),
        (("explain", "nothing-there"), "nothing-there is not a result folder: there is nothing of that name."),
    ],
)
def test_2_usage_and_absent_files(arguments, says):
    code, out, err = gisprio(*arguments)
    assert (code, out) == (2, "")
    assert says in err
    assert "Traceback" not in err


def test_130_interrupted():
    process = start(
        "-c",
        textwrap.dedent(DRIVER).format(
            body='import time; print("running", file=sys.stderr, flush=True); time.sleep(60)'
        ),
    )
    assert process.stderr.readline() == "running\n"
    process.send_signal(signal.SIGINT)
    assert ended(process) == (130, "", "Interrupted; earlier results are whole.\n")


def test_0_closed_pipe():
    read, write = os.pipe()
    os.close(read)
    try:
        process = start("-m", "gisprio", "fields", stdout=write)
    finally:
        os.close(write)
    assert ended(process)[0::2] == (0, "")


def test_0_closed_pipe_after_a_few_lines():
    command = f"{sys.executable} -m gisprio fields --json | head -n 1; echo ${{PIPESTATUS[0]}}"
    done = subprocess.run(
        ["bash", "-c", command], capture_output=True, text=True, cwd=CHECKOUT, timeout=90, check=True
    )
    assert (done.stdout, done.stderr) == ("{\n0\n", "")


def test_0_closed_pipe_while_progress_is_printed():
    read, write = os.pipe()
    os.close(read)
    body = 'options["progress"].note("a line"); options["progress"].note("another"); sys.exit(0)'
    try:
        process = start("-c", textwrap.dedent(DRIVER).format(body=body), stderr=write)
    finally:
        os.close(write)
    assert ended(process)[:2] == (0, "")
