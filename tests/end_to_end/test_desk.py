"""The desk check of the sample: what the command writes, that it is the same each time, and what it leaves alone."""

from __future__ import annotations

import csv
import re
import shutil
from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pytest
import shapely
from pyproj import Transformer

import gisprio
from gisprio.contracts.errors import InputError
from gisprio.faces.main import main
from gisprio.run.desk import write_desk


@pytest.fixture(scope="module")
def results(sample_results, tmp_path_factory) -> Path:
    """The results without what is kept for later runs."""
    folder = tmp_path_factory.mktemp("desk") / "results"
    shutil.copytree(sample_results, folder, ignore=shutil.ignore_patterns(".gisprio", "desk.*", "map*.html"))
    (folder / ".gisprio").mkdir()
    shutil.copy(sample_results / ".gisprio" / "config.json", folder / ".gisprio")
    return folder


@pytest.fixture(scope="module")
def written(results):
    """Rows of the table, and the page."""
    assert main(["desk", str(results), "--top", "5"]) == 0
    with (results / "desk.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    page = (results / "desk.html").read_text(encoding="utf-8")
    return rows, page


def test_each_row_is_a_point_on_its_bank_and_looks_to_its_land(results, written):
    rows, _ = written
    assert [row["visit_id"] for row in rows] == ["D001", "D002", "D003", "D004", "D005"]
    assert [int(row["rank"]) for row in rows] == sorted(int(row["rank"]) for row in rows)
    assert {row[name] for row in rows for name in ("verdict", "date", "notes")} == {""}
    opened = gisprio.open_results(results)
    banks, reaches = opened.banks.set_index("bank_id"), opened.reaches.set_index("reach_id")
    to_ground = Transformer.from_crs("OGC:CRS84", banks.crs, always_xy=True)
    assert {row["side"] for row in rows} == {"left", "right"}
    for row in rows:
        bank = banks.loc[row["bank_id"]]
        point = shapely.Point(to_ground.transform(float(row["longitude"]), float(row["latitude"])))
        assert point.distance(bank.geometry) < 0.2
        ahead = shapely.Point(to_ground.transform(*_ahead(row)))
        stream = reaches.geometry[bank.reach_id]
        assert ahead.distance(stream) - point.distance(stream) > 1.5


def _ahead(row):
    """Go 4 m from a place in the direction of its bearing."""
    from pyproj import Geod

    at = float(row["longitude"]), float(row["latitude"])
    return Geod(ellps="WGS84").fwd(*at, float(row["bearing_deg"]), 4.0)[:2]


def test_the_page_shows_each_place_three_times_and_asks(written):
    rows, page = written
    assert len(re.findall('<section class="look"', page)) == 5
    assert len(re.findall("<image", page)) == 15
    assert "<script" not in page
    assert "may have changed" not in page
    for row in rows:
        assert f"geo:{float(row['latitude']):.6f},{float(row['longitude']):.6f}" in page
    assert page.count("Is this the place the map says?") == 6


def test_the_same_results_give_the_same_bytes_and_a_filled_table_stays(results, written):
    _, page = written
    write_desk(results, top=5)
    assert (results / "desk.html").read_text(encoding="utf-8") == page
    table = (results / "desk.csv").read_text(encoding="utf-8")
    (results / "desk.csv").write_text(table.replace(",,,", ",ok,,", 1), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        write_desk(results, top=5)
    assert str(caught.value) == (
        f"{results / 'desk.csv'} has been filled in at 1 places.\n"
        "  Wanted: no table of that name, or one that is still empty.\n"
        "  Do: move it away, and name it in [layers] visits; then write a new one."
    )
    (results / "desk.csv").write_text("a,b\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"is no table that gisprio desk wrote\.") as caught:
        write_desk(results)
    (results / "desk.csv").write_text(table, encoding="utf-8")


def test_without_the_folder_of_the_config_clips_are_missing_and_it_says_so(results, written, capsys):
    (results / ".gisprio" / "config.json").unlink()
    assert main(["desk", str(results), "--top", "1"]) == 0
    told = capsys.readouterr().out
    assert "No clips of land_cover: [layers] land_cover: ../sample_layers/cover.tif is relative to the config" in told
    assert "<image" not in (results / "desk.html").read_text(encoding="utf-8")


def test_without_a_ranked_bank_there_is_nothing_to_look_at(tmp_path, monkeypatch):
    nothing = SimpleNamespace(tables={"banks": pd.DataFrame({"rank": [None, None]})})
    monkeypatch.setattr("gisprio.run.desk.results_of", lambda folder: nothing)
    with pytest.raises(InputError) as caught:
        write_desk(tmp_path)
    assert str(caught.value) == (
        f"{tmp_path} has no bank to look at.\n  Wanted: ranked banks.\n  Do: see column not_ranked of the banks."
    )
