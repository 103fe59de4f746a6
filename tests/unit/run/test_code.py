"""Digests of code: what a stage can reach counts, name by name; comments and docstrings do not."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

import gisprio
from gisprio.run.code import Code, section_classes, stage_digests
from gisprio.run.stages import STAGES

FILES = {
    "__init__.py": "",
    "stage.py": '''"""A stage."""
from gisprio.middle import mean
from gisprio import numbers

def run(tables):
    """Do it."""
    return mean(tables) + numbers.USED  # a remark
''',
    "middle.py": """from gisprio.deep import halve, LIMITS

def mean(values):
    from gisprio.late import late
    return Kept().half(sum(values)) + late() + LIMITS[0]

def unused():
    return 0

class Kept:
    def half(self, value):
        return halve(value)
""",
    "deep/__init__.py": "from gisprio.deep.formula import halve\nfrom gisprio.deep.limits import LIMITS\n",
    "deep/formula.py": "def halve(value):\n    return value / 2\n\ndef other(value):\n    return value\n",
    "deep/limits.py": "LIMITS = []\nLIMITS.append(1)\n",
    "late.py": "def late():\n    return 0\n",
    "numbers.py": "USED = 1.0\nOTHER = 2.0\n",
}


@pytest.fixture
def digest(tmp_path):
    """Give a function that digests what ``stage.run`` reaches after an edit of one file."""

    def of(file: str = "", old: str = "", new: str = "") -> str:
        root = tmp_path / "gisprio"
        shutil.rmtree(root, ignore_errors=True)
        for name, text in FILES.items():
            path = root / name
            path.parent.mkdir(parents=True, exist_ok=True)
            if name == file:
                assert old in text
                text = text.replace(old, new)
            path.write_text(text)
        return Code(root).digest([("gisprio.stage", "run")])

    return of


@pytest.mark.parametrize(
    ("file", "old", "new"),
    [
        ("stage.py", "  # a remark", ""),
        ("stage.py", "Do it.", "Do it well."),
        ("stage.py", "A stage.", "The stage."),
        ("stage.py", "\n\n", "\n\n\n"),
        ("middle.py", "return 0", "return 1"),
        ("deep/formula.py", "return value\n", "return -value\n"),
        ("numbers.py", "2.0", "3.0"),
    ],
    ids=["comment", "docstring", "docstring of the module", "blank line", "uncalled", "uncalled, deep", "other number"],
)
def test_what_cannot_change_a_result_does_not_count(digest, file, old, new):
    assert digest(file, old, new) == digest()


@pytest.mark.parametrize(
    ("file", "old", "new"),
    [
        ("stage.py", "mean(tables) +", "mean(tables) -"),
        ("middle.py", "sum(values)", "max(values)"),
        ("middle.py", "return halve(value)", "return halve(value) + 1"),
        ("deep/formula.py", "value / 2", "value / 3"),
        ("deep/limits.py", "append(1)", "append(2)"),
        ("deep/__init__.py", "formula import halve", "formula import other as halve"),
        ("late.py", "return 0", "return 1"),
        ("numbers.py", "1.0", "1.5"),
    ],
    ids=["itself", "called", "method", "two imports away", "loose statement", "other name", "imported late", "number"],
)
def test_what_can_change_a_result_counts(digest, file, old, new):
    assert digest(file, old, new) != digest()


def test_a_section_hangs_on_its_own_classes():
    assert section_classes("priority") == ["Priority"]
    assert section_classes("factor") == ["OwnFactor"]


EDITS = {
    "a remark": ("compute/banks/cover.py", "THIRDS = (0.5, 0.3, 0.2)", "THIRDS = (0.5, 0.3, 0.2)  # remark", set()),
    "shares of the strip": (
        "compute/banks/cover.py", "THIRDS = (0.5, 0.3", "THIRDS = (0.4, 0.4", {"cover", "further_rules"},
    ),
    "a word of a reason": ("compute/scoring/reasons.py", '"a ditch"', '"a drain"', {"ranks"}),
    "sum of a property": ("compute/land/ranks.py", "* 1000)", "* 100)", {"property_ranks", "draws"}),
    "width of the smoothing": (
        "compute/banks/stations.py", "_WIDTHS = 2.0", "_WIDTHS = 3.0",
        {"stations", "bank_lines", "ownership", "gaps", "further_rules", "site_cuts"},
    ),
    "how far a visit speaks": ("compute/visits/places.py", "STRETCH_M = 50.0", "STRETCH_M = 40.0", {"visit_places"}),
    "how many visits are wanted": (
        "compute/visits/agreement.py", "LEAST_VISITS = 30", "LEAST_VISITS = 20", {"visits"},
    ),
    "a card's phrase": (
        "compute/factors/subsoil_fines.py", "a subsoil of only", "subsoil of only",
        {"side_scores", "site_cuts", "ranks", "sites", "visits", "draws"},
    ),
    "order of streams": ("compute/network/order.py", "\ndef ", "\nSPARE = 1\n\n\ndef ", set()),
    "a default of the works": (
        "contracts/settings.py", "cover_after_y: Positive = 10.0", "cover_after_y: Positive = 9.0",
        {"works", "ground", "further_rules", "site_cuts", "landmarks"},
    ),
}  # fmt: skip


@pytest.fixture(scope="module")
def before():
    """Digests of gisprio as it is."""
    return stage_digests(STAGES, ["dem", "land_cover"])


@pytest.mark.parametrize("edit", EDITS)
def test_an_edit_of_gisprio_counts_for_the_stages_that_reach_it(edit, before, tmp_path):
    file, old, new, wanted = EDITS[edit]
    own = Path(gisprio.__file__).parent
    copy = shutil.copytree(own, tmp_path / "gisprio", ignore=shutil.ignore_patterns("__pycache__", "assets", "configs"))
    text = (copy / file).read_text("utf-8")
    assert old in text
    (copy / file).write_text(text.replace(old, new, 1), "utf-8")
    after = stage_digests(STAGES, ["dem", "land_cover"], copy)
    assert {name for name in before if before[name] != after[name]} == wanted
