"""The first run on a machine says that it compiles; later runs do not."""

from __future__ import annotations

import pytest

import gisprio.compute.banks.bank_profiles as bank_profiles
import gisprio.compute.terrain.delivery as delivery
import gisprio.compute.terrain.routing as routing
from gisprio import read_settings
from gisprio.run.engine import run
from gisprio.run.stages import STAGES, needs_compiling
from makers import straight_valley


class Notes:
    """Keeps what is said."""

    def __init__(self):
        self.said = []

    def step(self, stage, done, total, seconds):
        pass

    def note(self, text):
        self.said.append(text)


@pytest.mark.parametrize(("compiled", "said"), [(False, 1), (True, 0)])
def test_a_run_says_once_that_it_compiles_and_only_where_it_has_to(compiled, said, tmp_path, monkeypatch):
    monkeypatch.setattr(routing, "compiled_before", lambda: compiled)
    monkeypatch.setattr(delivery, "compiled_before", lambda: True)  # else it hangs on what ran before this test
    notes = Notes()
    settings = read_settings(straight_valley().write(tmp_path))
    run(settings, progress=notes)
    assert notes.said.count("Compiling the routing kernels, once on this machine ...") == said
    run(settings, progress=notes)  # all is kept from before: nothing to compile
    assert notes.said.count("Compiling the routing kernels, once on this machine ...") == said


def test_stages_without_kernels_need_no_compiling(monkeypatch):
    monkeypatch.setattr(routing, "compiled_before", lambda: False)
    for module in (delivery, bank_profiles):
        monkeypatch.setattr(module, "compiled_before", lambda: True)
    assert [stage.name for stage in STAGES if needs_compiling(stage)] == ["channels"]
