"""Words that gisprio does not use: it screens, it does not judge anybody; and its caution is everywhere."""

from __future__ import annotations

import json
import re
from zipfile import ZipFile

import pandas as pd
import pyogrio
import pytest
import rasterio

from gisprio.contracts.shipped import shipped, shipped_names
from gisprio.contracts.words import CAUTION
from gisprio.faces.main import main
from gisprio.products.payload import decode
from makers import straight_valley

JUDGING = re.compile(r"violat|complian|illegal", re.IGNORECASE)


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    folder = tmp_path_factory.mktemp("words")
    config = straight_valley().write(folder)
    assert main(["run", str(config), "--quiet"]) == 0
    for command in ("works", "desk"):
        assert main([command, str(folder / "results")]) == 0
    return folder / "results"


def text_of(path) -> str:
    """Give all text of a result file, tables and packed data unpacked."""
    if path.suffix == ".gpkg":
        layers = [name for name, _ in pyogrio.list_layers(path)]
        tables = [pyogrio.read_dataframe(path, layer=name) for name in layers]
        return "\n".join(table.drop(columns="geometry", errors="ignore").to_csv() for table in tables)
    if path.suffix == ".parquet":
        return pd.read_parquet(path).drop(columns="geometry").to_csv()
    if path.suffix == ".tif":
        with rasterio.open(path) as picture:
            return json.dumps({"tags": picture.tags(), "profile": str(picture.profile)})
    if path.suffix in (".xlsx", ".kmz"):
        with ZipFile(path) as parts:
            return "\n".join(parts.read(name).decode("utf-8") for name in parts.namelist())
    text = path.read_text("utf-8")
    packed = re.search(r'<script[^>]*id="payload"[^>]*>([^<]+)</script>', text)
    if path.name == "map.html":
        assert packed, "the map has no payload"
        text += json.dumps(decode(packed[1]), ensure_ascii=False)
    return text


def test_no_output_judges_anybody(results):
    files = [path for path in results.iterdir() if path.is_file()]
    suffixes = {".gpkg", ".csv", ".html", ".json", ".kmz", ".log", ".parquet", ".xlsx"}
    assert {path.suffix for path in files} >= suffixes
    for path in files:
        text = text_of(path)
        assert len(text) > 100, path.name
        found = JUDGING.search(text)
        assert not found, f"{path.name}: {text[max(0, found.start() - 30) : found.end() + 30]}"


def test_no_command_judges_anybody(results, capsys):
    best = pd.read_csv(results / "banks.csv").sort_values("rank")["bank_id"].iloc[0]
    for command in (["methods", str(results)], ["methods"], ["explain", str(results), best]):
        assert main(command) == 0
        said = capsys.readouterr().out
        assert said.endswith(f"{CAUTION}\n")
        assert not JUDGING.search(said), command


def test_no_shipped_file_judges_anybody():
    for folder in ("", "legends", "curves", "stream_kinds", "costs"):
        for name in shipped_names(folder):
            assert not JUDGING.search(shipped(name).read_text("utf-8")), name


def test_the_caution_is_in_what_people_read(results, capsys):
    assert CAUTION in (results / "run.log").read_text("utf-8")
    for name in ("map.html", "report.html", "works.html", "desk.html", "ranked.xlsx", "top.kmz"):
        assert CAUTION in text_of(results / name), name
    assert CAUTION in (results / "run.json").read_text("utf-8")
    assert main(["explain", str(results)]) == 0
    assert CAUTION in capsys.readouterr().out
