"""What a compiled library prints past Python stays off the terminal."""

from __future__ import annotations

import ctypes
import os
import sys

import pytest

from gisprio.run.quiet import quiet


@pytest.mark.skipif(sys.platform == "win32", reason="the C library has another name there")
def test_nothing_gets_out_inside_and_all_does_outside(capfd):
    library = ctypes.CDLL(None)
    os.write(1, b"before\n")
    with quiet():
        os.write(1, b"by the system\n")
        library.printf(b"by the C library\n")
    library.printf(b"after\n")
    library.fflush(None)
    assert capfd.readouterr().out == "before\nafter\n"


def test_a_fault_inside_puts_the_output_back(capfd):
    with pytest.raises(KeyError), quiet():
        raise KeyError
    os.write(1, b"after\n")
    assert capfd.readouterr().out == "after\n"
