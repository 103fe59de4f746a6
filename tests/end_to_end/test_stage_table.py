"""The stage table says what stages read: no more, no less. The store trusts it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import pytest

import gisprio.run.making as making
from gisprio.faces.main import main
from gisprio.run.stages import STAGES
from makers import frame, straight_valley


class Seen(Mapping[str, Any]):
    """A mapping that notes which of its names were asked for."""

    def __init__(self, content: Mapping[str, Any], asked: set[str]) -> None:
        self._content, self._asked = content, asked

    def __getitem__(self, name: str) -> Any:
        self._asked.add(name)
        return self._content[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._content)

    def __len__(self) -> int:
        return len(self._content)


class SeenSettings:
    """Sections that note which of them were asked for."""

    def __init__(self, content: Any, asked: set[str]) -> None:
        self._content, self._asked = content, asked

    def __getattr__(self, name: str) -> Any:
        self._asked.add(name)
        return getattr(self._content, name)


@pytest.fixture(scope="module")
def asked(tmp_path_factory) -> dict[str, dict[str, set[str]]]:
    """Run a tiny world; give, by stage, what it asked of each of its arguments."""
    world = straight_valley()
    visit = world.place.line((1000, 4), (1001, 4)).interpolate(0)
    world.layers["visits"] = frame([visit], side=["left"], erodes=["yes"])
    config = world.write(tmp_path_factory.mktemp("stages"))
    with config.open("a") as file:  # rules that look at the ground, and one beside
        file.write('[setback]\nmeasure = "along_slope"\n[setback.also.wide]\nmeasure = "along_slope"\n')
    noted = {stage.name: {"reads": set(), "halo": set(), "sources": set(), "sections": set()} for stage in STAGES}
    real = making.stage_function

    def watched(stage):
        function, own = real(stage), noted[stage.name]

        def call(tables, *more):
            *halo, sources, settings = more
            near = [Seen(one, own["halo"]) for one in halo]
            grids, sections = Seen(sources, own["sources"]), SeenSettings(settings, own["sections"])
            return function(Seen(tables, own["reads"]), *near, grids, sections)

        return call

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(making, "stage_function", watched)
        assert main(["run", str(config), "--quiet"]) == 0
    return noted


@pytest.mark.parametrize("stage", STAGES, ids=lambda stage: stage.name)
def test_a_stage_reads_what_its_row_says(stage, asked):
    own = asked[stage.name]
    whole = stage.as_is if stage.scope == "whole" else ()
    assert own["reads"] == {*stage.reads, *whole}
    assert own["halo"] == ({*stage.halo, *stage.as_is} if stage.scope == "piece" else set())
    assert own["sources"] == set(stage.sources)
    assert own["sections"] == set(stage.sections)
