"""Decisions: each has a stage, a sentence, code that does it and a test that holds it; and the sources they cite."""

from __future__ import annotations

import ast
from functools import cache
from importlib import import_module
from pathlib import Path

from gisprio.contracts.decisions import Decision, decisions
from gisprio.contracts.references import NO_SOURCE, cited, in_order, keys_in, references
from gisprio.run.ran import everything
from gisprio.run.stages import STAGES

TREE = Path(__file__).resolve().parents[3]
DECISIONS = decisions()
EVERYTHING = everything()


@cache
def names_in(path: Path) -> frozenset[str]:
    """Give the names of the test functions of a file, without importing it."""
    tree = ast.parse(path.read_text("utf-8"))
    return frozenset(node.name for node in tree.body if isinstance(node, ast.FunctionDef))


def faults(one: Decision) -> list[str]:
    """Say what is wrong with a decision; nothing where it is whole."""
    found = [] if one.stage in {stage.name for stage in STAGES} else [f"no stage {one.stage}"]
    module, _, name = one.code.partition(":")
    try:
        found += [] if hasattr(import_module(module), name) else [f"no {name} in {module}"]
    except ModuleNotFoundError:
        found.append(f"no module {module}")
    path, _, test = one.test.partition("::")
    file = TREE / path
    known = file.is_file() and test in names_in(file)
    found += [] if known and test.startswith("test_") else [f"no test {one.test}"]
    keys = [one.status] if one.status in NO_SOURCE else one.status.split(", ")
    return found + [f"no source {key}" for key in keys if key not in {*references(), *NO_SOURCE}]


def test_each_decision_has_its_stage_its_code_its_test_and_its_source():
    assert {one.says: faults(one) for one in DECISIONS if faults(one)} == {}


def test_what_is_not_there_is_a_fault():
    broken = Decision(
        "nowhere", "X.", "nobody1900", "gisprio.run:nothing", "tests/unit/contracts/test_decisions.py::no"
    )
    assert faults(broken) == [
        "no stage nowhere",
        "no nothing in gisprio.run",
        "no test tests/unit/contracts/test_decisions.py::no",
        "no source nobody1900",
    ]


def test_each_sentence_stands_once_and_is_one():
    sentences = [one.says for one in DECISIONS]
    assert len(sentences) == len(set(sentences))
    assert [says for says in sentences if not says.endswith(".")] == []
    order = [stage.name for stage in STAGES]
    for one, before in zip(DECISIONS[1:], DECISIONS[:-1], strict=True):
        assert not one.says.startswith("...") or one.stage == before.stage
    assert {one.stage for one in DECISIONS} <= set(order)


def test_every_number_of_a_sentence_is_found():
    told = {one.says: one.sentence(EVERYTHING.number) for one in DECISIONS}
    assert [text for text in told.values() if "{" in text or "None" in text] == []
    assert all(EVERYTHING.number(name) for one in DECISIONS for name in one.constants)
    cap = next(text for text in told.values() if text.startswith("Above a slope of"))
    assert cap == "Above a slope of 0.03 stream power rises no further."
    share = next(text for text in told.values() if text.startswith("A factor counts for the whole run"))
    assert "known on less than 80 % of the ranked banks" in share


def test_conditions_name_layers_factors_and_settings_that_exist():
    from gisprio.contracts.settings import Layers

    factors = {row["key"] for row in EVERYTHING.factors}
    for one in DECISIONS:
        assert not one.layer or one.layer.removeprefix("not ") in Layers.model_fields, one.says
        assert not one.factor or one.factor in factors, one.says
        if one.when and not one.when.startswith("curve."):
            EVERYTHING.setting(one.when.partition(" = ")[0])


def test_sources_are_cited_in_few_words():
    assert cited("hec15") == "Federal Highway Administration 2005"
    assert cited("brookes1987, nanson_croke1992, nagel2014") == (
        "Brookes 1987; Nanson and Croke 1992; Nagel and others 2014"
    )
    assert cited("barnes2014") == "Barnes and others 2014"
    assert cited("ocallaghan1984, own") == "O'Callaghan and Mark 1984; own"
    assert (cited("own"), cited("config"), cited("exact")) == ("own", "your own, from the config", "by definition")
    assert cited("common practice, no source") == "common practice, no source"
    assert cited("somebody2030") == "somebody2030"
    assert keys_in("own, hec15, nobody") == ["hec15"]


def test_sources_that_would_read_alike_are_told_apart():
    assert (cited("panagos2015"), cited("panagos2015_ls")) == (
        "Panagos and others 2015a",
        "Panagos and others 2015b",
    )
    short = [source.short for source in references().values()]
    assert len(short) == len(set(short))


def test_sources_are_listed_once_by_authors_and_year():
    keys = [source.key for source in in_order(["mccool1989", "hec15", "mccool1987", "hec15", "nobody"])]
    assert keys == ["hec15", "mccool1987", "mccool1989"]
