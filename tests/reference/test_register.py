"""The register of worked numbers: tests are there, hold the numbers, name sources; enough go through stages."""

from __future__ import annotations

import ast
import re
import tomllib
from functools import cache
from pathlib import Path

import pytest

from gisprio.contracts.shipped import shipped
from gisprio.run.stages import STAGES
from reference.checks import CHECKS, NOT_CHECKED, THROUGH_STAGES

HERE = Path(__file__).parent
LEAST_THROUGH_STAGES = 40


@cache
def parsed(file: str) -> ast.Module:
    return ast.parse((HERE / file).read_text(encoding="utf-8"))


def numbers_in(file: str) -> set[float]:
    """Give every number written in a file, with its sign."""
    found = set()
    for node in ast.walk(parsed(file)):
        if isinstance(node, ast.Constant) and isinstance(node.value, (int, float)):
            found |= {float(node.value), -float(node.value)}
    return found


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.number)
def test_the_test_of_a_check_is_there_and_holds_its_numbers(check):
    file, name = check.test
    functions = {node.name for node in parsed(file).body if isinstance(node, ast.FunctionDef)}
    assert name in functions
    assert set(map(float, check.expected)) <= numbers_in(file)
    assert check.within


def test_each_check_has_a_source():
    """A key of references.toml; else the work with its year, or what the number follows from, in words."""
    keys = set(tomllib.loads(_references()))
    for check in CHECKS:
        looks_like_a_key = re.fullmatch(r"[a-z_]+\d{4}[a-z_0-9]*|usgs_\w+|hec15", check.source)
        assert check.source in keys or (not looks_like_a_key and len(check.source.split()) > 1), check.number


def _references() -> str:
    return (shipped("legends/nlcd.csv").parents[2] / "gisprio/contracts/references.toml").read_text(encoding="utf-8")


def test_the_numbers_of_the_list_are_checked_or_it_says_why_not():
    checked = {int(re.match(r"\d+", check.number).group()) for check in CHECKS}
    assert checked | set(NOT_CHECKED) == set(range(1, 57))
    assert not checked & set(NOT_CHECKED)
    assert len({check.number for check in CHECKS}) == len(CHECKS)


def test_at_least_forty_go_through_stages():
    """And the files of most of them take no code of compute but stages of the stage table."""
    assert {check.through for check in THROUGH_STAGES} == {"stage"}
    assert sum(check.through == "stage" for check in CHECKS) >= LEAST_THROUGH_STAGES
    stages = {tuple(stage.function.split(":")) for stage in STAGES}
    taken = [
        (node.module, alias.name)
        for file in ("test_stage_checks.py", "test_stage_scores.py")
        for node in parsed(file).body
        if isinstance(node, ast.ImportFrom) and node.module.startswith("gisprio.compute")
        for alias in node.names
    ]
    assert taken
    assert set(taken) <= stages
