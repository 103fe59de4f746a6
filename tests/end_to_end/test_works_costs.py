"""``gisprio works --costs`` on the sample: files, ranges, and no price without the user's table."""

from __future__ import annotations

import contextlib
import io
import json
import re
import shutil

import pandas as pd
import pytest

from gisprio.contracts.layers import PROPERTY_COSTS, SITE_COSTS, WORK_COSTS, WORK_HOURS
from gisprio.contracts.schema import check
from gisprio.faces.main import main

COST_FILES = ("works_costs.csv", "works_site_costs.csv", "works_property_costs.csv")
TABLE = """item,unit,low,high,currency,year,note
tree,plants,2,4,CAD,2026,
shrub,plants,1,3,CAD,2026,
start_property,property,500,900,CAD,2026,
"""


@pytest.fixture(scope="module")
def made(sample_results, tmp_path_factory):
    place = tmp_path_factory.mktemp("works_costs")
    shutil.copytree(sample_results, place / "results")
    (place / "mine.csv").write_text(TABLE, "utf-8")
    said = io.StringIO()
    with contextlib.redirect_stdout(said):
        assert main(["works", str(place / "results"), "--costs", str(place / "mine.csv")]) == 0
    return place / "results", said.getvalue()


@pytest.fixture(scope="module")
def folder(made):
    return made[0]


def read(folder, layer, name):
    table = pd.read_csv(folder / name)
    texts = [column.name for column in layer.columns if column.kind == "text"]
    return check(layer, table.astype(dict.fromkeys(texts, object)))


def test_tables_hold_to_their_contract_and_belong_to_the_manifest(folder):
    lines = read(folder, WORK_COSTS, COST_FILES[0])
    sites = read(folder, SITE_COSTS, COST_FILES[1])
    properties = read(folder, PROPERTY_COSTS, COST_FILES[2])
    hours = read(folder, WORK_HOURS, "works_hours.csv")
    assert set(json.loads((folder / "works.json").read_text("utf-8"))["files"]) >= {*COST_FILES, "works_hours.csv"}
    items = pd.read_csv(folder / "works.csv")
    trees = items[items["item"] == "tree"].set_index("site_id")
    told = lines[lines["line"] == "tree"].set_index("site_id")
    assert (told["cost_high"] - 4 * trees["quantity_high"]).abs().max() <= 1
    assert (told["cost_low"] - 2 * trees["quantity_low"]).abs().max() <= 1
    assert len(sites) == len(pd.read_csv(folder / "sites.csv"))
    assert sites["cost_low"].isna().equals(sites["reason"].notna())
    owned = pd.read_csv(folder / "works_sites.csv")[["site_id", "property_id"]].merge(sites, on="site_id")
    sums = owned.groupby("property_id")["cost_high"].sum(min_count=1).dropna()
    priced = properties.dropna(subset=["cost_high"]).set_index("property_id")
    # 900 is below 1.5 x 700 = 1050, and 1050 x 1.55 = 1627.5
    assert (priced["cost_high"] - sums - 1627.5).abs().max() <= len(sites)
    assert priced["start_high"].unique().tolist() == [1628]
    assert (hours["hours_low"] <= hours["hours_high"]).all()


def test_money_is_never_one_number(made):
    folder, said = made
    page = re.sub(r"<[^>]+>", " ", (folder / "works.html").read_text("utf-8"))
    for text in (said, page):
        amounts = re.findall(r"CAD -?[0-9][0-9,.]*( to -?[0-9][0-9,.]*)?", text)
        assert amounts
        assert all(amounts)
    assert re.search(r"sites cost at least CAD [0-9,]+ to [0-9,]+, prices of 2026, with start-up, contingency,", said)


def test_the_config_may_name_the_table_and_without_one_costs_of_before_are_gone(
    folder, sample_config, tmp_path, capsys
):
    site = pd.read_csv(folder / "works_site_costs.csv").dropna(subset="cost_low")["site_id"].iloc[0]
    place = tmp_path / "results"
    shutil.copytree(folder, place, ignore=shutil.ignore_patterns(".gisprio", "map*", "*.xlsx"))
    (tmp_path / "prices.csv").write_text("# example = NOT REAL\n" + TABLE, "utf-8")
    config = tmp_path / "own.toml"
    text = sample_config.read_text("utf-8").replace("../", f"{sample_config.parent.parent}/")
    config.write_text(f'{text}\n[sizing.costs]\ntable = "prices.csv"\ncontingency = [0, 0]\n', "utf-8")
    assert main(["works", str(place), "--site", site, "--config", str(config)]) == 0
    said = capsys.readouterr().out
    assert "NOT REAL (prices.csv)\n1 of 1 sites cost " in said
    assert "0 to 0 % of items" in (place / "works.html").read_text("utf-8")
    (place / "works_site_costs.csv").write_text("mine now\n", "utf-8")
    assert main(["works", str(place), "--site", site]) == 0
    said = capsys.readouterr().out
    assert "No costs: gisprio knows no price. Give a table of your own with --costs TABLE" in said
    assert not (place / "works_costs.csv").exists()
    assert (place / "works_site_costs.csv").read_text("utf-8") == "mine now\n"
    assert "CAD" not in (place / "works.html").read_text("utf-8")


def test_a_table_without_a_year_is_refused_and_nothing_is_written(folder, tmp_path, capsys):
    before = (folder / "works.html").read_bytes()
    (tmp_path / "bad.csv").write_text("item,unit,low,high,currency,year\ntree,plants,1,2,USD,\n", "utf-8")
    assert main(["works", str(folder), "--costs", str(tmp_path / "bad.csv")]) == 2
    assert capsys.readouterr().err == (
        "InputError: bad.csv, line 2: year is empty.\n"
        "  Wanted: the year of the price, 1950 to 2100.\n"
        "  Do: write the year; a price without one is not used.\n"
    )
    assert (folder / "works.html").read_bytes() == before
