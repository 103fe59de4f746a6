"""What ran, or everything that could: the facts that the methods are told from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache, reduce
from importlib import import_module
from typing import Any

from gisprio.compute.factors import FACTORS
from gisprio.compute.network.curves import Curve, curve_set
from gisprio.compute.scoring.keys import shared_weights, whole_weights
from gisprio.compute.scoring.values import FULL, nodes_of
from gisprio.contracts import constants
from gisprio.contracts.cards import Factor, Stage
from gisprio.contracts.constants import Constant
from gisprio.contracts.decisions import Decision, decisions
from gisprio.contracts.settings import Hydraulics, LandCover, Layers, Run, Settings
from gisprio.run.record import settings_as_config
from gisprio.run.stages import STAGES

CARDS: Mapping[str, Factor] = {registered.card.key: registered.card for registered in FACTORS}
IDLE_WITHOUT = {
    "works": ("done",),
    "soils": ("soils",),
    "visit_places": ("visits",),
    "visits": ("visits",),
    "scars": ("eroding", "bank_lines", "visits"),
    "passages": ("properties",),
    "frontages": ("properties",),
    "property_ranks": ("properties",),
}
"""Stages that do nothing where none of these layers was given."""
_GROUPS = ("erosion", "gap")


@dataclass(frozen=True, slots=True)
class Ran:
    """What ran, or everything.

    Parameters
    ----------
    record
        Content of run.json; None for everything.
    settings
        Settings by the keys of the config.
    factors
        One row a factor, as run.json holds them: those that had a weight or were known somewhere.
    """

    record: Mapping[str, Any] | None
    settings: Mapping[str, Any]
    factors: Sequence[Mapping[str, Any]]

    @property
    def curve(self) -> Curve:
        """The regional curve of the settings."""
        return curve_set(Hydraulics.model_validate(self.settings["hydraulics"]))

    def stages(self) -> list[Stage]:
        """Give the stages that did something, in the order of the stage table."""
        if self.record is None:
            return list(STAGES)
        did = {stage["name"] for stage in self.record["stages"] if stage["ran"] or stage["kept"]}
        return [stage for stage in STAGES if stage.name in did and not self._idle(stage)]

    def _idle(self, stage: Stage) -> bool:
        if stage.name == "own_layers":
            return not self.settings["factor"]
        return not any(map(self.has_layer, IDLE_WITHOUT.get(stage.name, ("",))))

    def has_layer(self, layer: str) -> bool:
        """Say whether a layer was given; ``not NAME``: whether it was not; everything has both."""
        if self.record is None or not layer:
            return True
        wanted = layer.removeprefix("not ")
        return (wanted in self.record["inputs"]) == (wanted == layer)

    def decided(self, stage: str) -> list[Decision]:
        """Give the decisions of a stage that were taken in the run."""
        return [one for one in decisions() if one.stage == stage and self._taken(one)]

    def _taken(self, decision: Decision) -> bool:
        if self.record is None:
            return True
        known = not decision.factor or any(row["key"] == decision.factor for row in self.factors)
        return known and self.has_layer(decision.layer) and (not decision.when or self._holds(decision.when))

    def _holds(self, when: str) -> bool:
        path, _, wanted = when.partition(" = ")
        if path == "curve.manning":
            return self.curve.discharge is None
        value = self.setting(path)
        if wanted:
            return str(value) == wanted
        return any(value.values()) if isinstance(value, dict) else bool(value)

    def setting(self, path: str) -> Any:
        """Give a setting by its key, such as ``setback.width_m``; its default where an older run had no such key."""
        try:
            return _at(self.settings, path)
        except KeyError:
            return _at(default_settings(), path)

    def number(self, name: str, as_percent: bool = False) -> str:
        """Write the number of a name: a constant, a setting, or ``module:NAME`` below gisprio."""
        if ":" in name:
            module, _, variable = name.partition(":")
            value = getattr(import_module(f"gisprio.{module}"), variable)
        else:
            value = constant(name).value if name.isupper() else self.setting(name)
        return written(value * 100 if as_percent else value) + (" %" if as_percent else "")


def _at(settings: Mapping[str, Any], path: str) -> Any:
    return reduce(lambda section, key: section[key], path.split("."), settings)


def constant(name: str) -> Constant:
    """Give a published number by its name."""
    found: Constant = getattr(constants, name)
    return found


def written(value: Any) -> str:
    """Write a number or word, or several with commas; "none" for no several."""
    if isinstance(value, (list, tuple)):
        return ", ".join(written(one) for one in value) or "none"
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return str(value)
    return f"{value:,}" if isinstance(value, int) else f"{value:.12g}"


def of_run(record: Mapping[str, Any]) -> Ran:
    """Give what a run did, from its run.json."""
    shown = [row for row in record["factors"] if row["used"] or row["given_weight"] > 0 or row["known_share"] > 0]
    return Ran(record, record["settings"], shown)


def everything() -> Ran:
    """Give everything that could run, with the default settings."""
    settings = settings_of_nobody()
    rows: list[dict[str, Any]] = []
    for group in _GROUPS:
        given = {key: weight for key, weight in getattr(settings.priority, group).items() if weight > 0}
        weights = whole_weights(shared_weights(given, CARDS), FULL)
        cards = [card for card in CARDS.values() if card.group == group]
        rows += [_row(card, weights.get(card.key, 0), settings) for card in cards]
    return Ran(None, settings_as_config(settings), rows)


def _row(card: Factor, weight: int, settings: Settings) -> dict[str, Any]:
    names = ("key", "group", "title", "unit", "value_column", "neutral", "says", "floors", "scaled_says", "source",
             "status")  # fmt: skip
    nodes = "; ".join(f"{value:g}: {score:.3g}" for value, score in nodes_of(card, settings.priority))
    return {name: getattr(card, name) for name in names} | {"nodes": nodes, "weight": weight, "used": weight > 0}


def settings_of_nobody() -> Settings:
    """Give settings of which all that has a default has it."""
    return Settings(
        run=Run(name="everything", output="."),
        layers=Layers.model_validate({"dem": "dem", "land_cover": "land_cover"}),
        land_cover=LandCover(legend="legend"),
    )


@cache
def default_settings() -> dict[str, Any]:
    """Give the default settings by the keys of the config."""
    return settings_as_config(settings_of_nobody())
