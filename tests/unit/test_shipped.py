"""Files that come with gisprio are found from the checkout, and by name only."""

from __future__ import annotations

from pathlib import Path

import pytest

from gisprio.contracts.errors import InputError
from gisprio.contracts.shipped import shipped, shipped_names

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
NAMES = sorted(
    path.relative_to(CONFIGS).as_posix()
    for path in CONFIGS.rglob("*")
    if path.is_file() and not path.name.startswith(".")
)


def test_there_are_files_to_ship() -> None:
    assert "legends/nlcd.csv" in NAMES
    assert "tansy-brook.toml" in NAMES


@pytest.mark.parametrize("name", NAMES)
def test_every_file_is_read_from_the_checkout(name: str) -> None:
    text = shipped(name).read_text(encoding="utf-8")
    assert text == (CONFIGS / name).read_text(encoding="utf-8")
    assert text.strip()


def test_names_of_a_folder_are_sorted_and_readable() -> None:
    names = shipped_names("legends")
    assert names == [name for name in NAMES if name.startswith("legends/")]
    assert all(shipped(name).is_file() for name in names)
    assert "tansy-brook.toml" in shipped_names()


def test_unknown_name_is_told_what_is_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lay_out(tmp_path, monkeypatch)
    with pytest.raises(InputError) as caught:
        shipped("legends/moon.csv")
    assert str(caught.value) == (
        "legends/moon.csv does not come with gisprio.\n"
        "  Wanted: one of legends/corine.csv, legends/nlcd.csv.\n"
        "  Do: choose one of these, or give the path of a file of your own."
    )


def test_unknown_folder_is_told_which_folders_are_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lay_out(tmp_path, monkeypatch)
    with pytest.raises(InputError) as caught:
        shipped("moons/moon.csv")
    assert str(caught.value) == (
        "moons/moon.csv does not come with gisprio.\n"
        "  Wanted: a file in one of curves/, legends/.\n"
        "  Do: choose one of these, or give the path of a file of your own."
    )
    with pytest.raises(InputError) as caught:
        shipped_names("moons")
    assert str(caught.value) == (
        "moons/ does not come with gisprio.\n  Wanted: one of curves/, legends/.\n  Do: choose one of these."
    )


@pytest.mark.parametrize(
    "name", ["", "/etc/passwd", "../pyproject.toml", "legends/../../x", "C:\\x", "..\\x", "\\x"]
)
def test_names_that_lead_out_are_refused(name: str) -> None:
    with pytest.raises(InputError) as caught:
        shipped(name)
    assert str(caught.value) == (
        f"{name!r} is no name of a file that comes with gisprio.\n"
        '  Wanted: a path below configs/, such as "legends/nlcd.csv".\n'
        "  Do: leave out drive, leading slash and ..; a file of your own goes into the config by its path."
    )


def test_installed_package_goes_before_the_source_tree(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lay_out(tmp_path, monkeypatch)
    assert shipped("legends/nlcd.csv") == tmp_path / "package" / "legends" / "nlcd.csv"
    assert shipped("curves/only_in_tree.csv") == tmp_path / "tree" / "curves" / "only_in_tree.csv"


def lay_out(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Put a small package folder and a small source tree in the place of the real ones."""
    for name in (
        "package/legends/nlcd.csv",
        "package/legends/corine.csv",
        "package/curves/bankfull.csv",
        "tree/legends/nlcd.csv",
        "tree/curves/only_in_tree.csv",
    ):
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text("code,name\n", encoding="utf-8")
    monkeypatch.setattr("gisprio.contracts.shipped._HOMES", (folder / "package", folder / "tree"))
