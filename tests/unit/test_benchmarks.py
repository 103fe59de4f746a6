"""The benchmarks' table, its place in the README, and that no part is forgotten. Nothing is measured here."""

from __future__ import annotations

import ast
import importlib
from pathlib import Path

import pytest

from tests.benchmarks.parts import PARTS
from tests.benchmarks.rows import Row
from tests.benchmarks.table import BEGIN, END, block, put_between_marks

FOLDER = Path(importlib.import_module("tests.benchmarks.parts").__file__ or "").parent
ROWS = [
    Row("cuts", 0.40, "`overlay(a|b)`: 0.4 against 1 s", 0.5),
    Row("shares: times as fast", 30.0, "`exact`", 40.0, least=True),
    Row("memory", 2.004, "VmHWM", 2.0, "GiB"),
    Row("the stage", 0.0391, "the same"),
]


def test_table_names_goals_and_misses() -> None:
    assert block(ROWS, "Measured today.") == (
        "Measured today. 2 of 3 goals were missed.\n"
        "\n"
        "| work | goal | this run | baseline |\n"
        "| --- | --- | --- | --- |\n"
        "| cuts | at most 0.5 x | 0.4 x | `overlay(a\\|b)`: 0.4 against 1 s |\n"
        "| shares: times as fast | at least 40 x | 30 x; missed by 25 % | `exact` |\n"
        "| memory | at most 2 GiB | 2 GiB; missed by 1 % | VmHWM |\n"
        "| the stage |  | 0.0391 x | the same |\n"
    )
    assert block(ROWS[:1], "Measured.").startswith("Measured. All goals were held.\n")


def test_only_what_stands_between_the_marks_is_replaced() -> None:
    text = f"before\n{BEGIN}\nold\n{END}\nafter\n"
    once = put_between_marks(text, "new\n")
    assert once == f"before\n{BEGIN}\nnew\n{END}\nafter\n"
    assert put_between_marks(once, "new\n") == once


@pytest.mark.parametrize("text", ["", f"{BEGIN}\n", f"{END}\n{BEGIN}\n", f"{BEGIN}\n{END}\n{BEGIN}\n{END}\n"])
def test_text_without_its_marks_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="once each and in this order"):
        put_between_marks(text, "new\n")


def test_readme_holds_the_marks() -> None:
    readme = FOLDER.parents[1] / "README.md"
    assert "new table" in put_between_marks(readme.read_text("utf-8"), "new table\n")


def test_every_part_is_registered_and_says_what_it_measures() -> None:
    trees = {path.stem: ast.parse(path.read_text("utf-8")) for path in FOLDER.glob("*.py")}
    names = {stem for stem, tree in trees.items() if "PART" in assigned(tree)}
    assert {part.name for part in PARTS} == names
    assert len({part.name for part in PARTS}) == len(PARTS) >= 6
    for name in names:
        told = ast.get_docstring(trees[name]) or ""
        assert all(word in told for word in ("Measured:", "Anchor", "Goal")), name


def assigned(tree: ast.Module) -> set[str]:
    """Give the names a module sets."""
    return {target.id for node in tree.body if isinstance(node, ast.Assign) for target in node.targets
            if isinstance(target, ast.Name)}  # fmt: skip
