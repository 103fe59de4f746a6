"""``gisprio shortlist`` on the sample: what it chooses, what it writes, and what stays private."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest

from gisprio.compute.works.matching import match_sites, site_lines
from gisprio.compute.works.stability import drawn_keys, with_their_banks
from gisprio.contracts.shortlist import SHORTLIST
from gisprio.faces.main import main
from gisprio.run.record import digest_of_run
from gisprio.run.reopened import results_of
from gisprio.run.shortlist import make_choice

FILES = ("shortlist.html", "shortlist.csv", "shortlist.gpkg", "shortlist.json")
BUDGET = 60_000
SECRETS = ("Quillfeather", "555-0101", "wants a fence first", "declined", "do not contact")


def choose(folder: Path, *more: str) -> int:
    """Choose with few draws and a loose gap, for time."""
    costs, config = str(folder.parent / "costs.csv"), str(folder.parent / "config.toml")
    asked = ("--budget", str(BUDGET), "--costs", costs, "--config", config, "--per-property", "900")
    return main(["shortlist", str(folder), *asked, *more])


@pytest.fixture(scope="module")
def results(tmp_path_factory, sample_results: Path, sample_config: Path) -> Path:
    """Give the sample's results with a shortlist, a table of costs and a config beside them."""
    home = tmp_path_factory.mktemp("shortlist")
    folder = home / "results"
    shutil.copytree(sample_results, folder, ignore=shutil.ignore_patterns(".gisprio", "*.parquet", "map*.html"))
    sites = pyogrio.read_dataframe(folder / "ranked.gpkg", layer="sites", read_geometry=False)
    mid = (sites["area_m2"] * 1.5 + 300).round(2)
    table = sites[["site_id"]].assign(
        cost_low=(mid * 0.7).round(2), cost_mid=mid, cost_high=mid * 2, currency="EUR", year=2026
    )
    table[::5].to_csv(home / "costs.csv", index=False)  # a fifth of the sites: enough to choose among, quick to solve
    text = sample_config.read_text("utf-8").replace('"../', f'"{sample_config.parent.parent}/')
    (home / "config.toml").write_text(text + "\n[shortlist]\ndraws = 3\nrelative_gap = 0.01\n", encoding="utf-8")
    assert choose(folder, "--per-cluster", "500") == 0
    return folder


def facts_of(folder: Path) -> dict:
    return json.loads((folder / "shortlist.json").read_text("utf-8"))


def test_the_list_keeps_to_its_budget_by_sums_made_anew(results):
    facts, costs = facts_of(results), pd.read_csv(results.parent / "costs.csv").set_index("site_id")
    layer = pyogrio.read_dataframe(results / "shortlist.gpkg", layer="shortlist")
    sites = pyogrio.read_dataframe(results / "ranked.gpkg", layer="sites").set_index("site_id").loc[layer["site_id"]]
    assert sorted(layer["site_id"]) == facts["sites"]
    assert len(layer) > 5
    owners = sites["property_id"].fillna(pd.Series(sites.index, sites.index)).nunique()
    spent = costs.loc[facts["sites"], "cost_mid"].sum() + 900 * owners + 500 * layer["cluster"].nunique()
    assert spent == pytest.approx(facts["spent"]["total"], abs=0.01)
    assert BUDGET * 0.98 < spent <= BUDGET
    assert facts["effect"]["total"] == pytest.approx((sites["priority"] * sites["gap_length_m"]).sum())
    assert facts["greedy_effect"] <= facts["effect"]["total"] <= facts["bound"]
    assert facts["gap"] <= 0.01
    assert not set(sites["measure"]) & {"look first", "protect"}
    assert (sites.geometry.to_numpy() == layer.geometry.to_numpy()).all()


def test_the_curve_rises_and_the_next_money_is_told(results):
    facts = facts_of(results)
    effects = [point["effect"] for point in facts["curve"]]
    assert effects == sorted(effects)
    here = next(point for point in facts["curve"] if point["budget"] == BUDGET)
    assert here["effect"] == pytest.approx(facts["effect"]["total"])
    more = facts["next"][-1]
    assert more["budget"] == 2 * BUDGET
    assert more["enter"]
    assert not set(more["enter"]) & set(facts["sites"])


def test_fields_are_described_and_layers_styled(results):
    with closing(sqlite3.connect(results / "shortlist.gpkg")) as base:
        told = dict(base.execute("SELECT column_name, description FROM gpkg_data_columns WHERE table_name='shortlist'"))
        styled = {name for (name,) in base.execute("SELECT f_table_name FROM layer_styles")}
        assert base.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    says = {column.name: column.says for column in SHORTLIST.columns}
    assert set(told) == set(says)
    assert [name for name, text in told.items() if not text.startswith(says[name])] == []
    assert styled == {"shortlist", "candidates"}
    candidates = pyogrio.read_dataframe(results / "shortlist.gpkg", layer="candidates")
    assert candidates["chosen"].sum() == len(facts_of(results)["sites"])
    assert (candidates.loc[candidates["chosen"], "enters_at"] <= BUDGET).all()


def test_the_same_results_give_the_same_bytes_and_no_line_of_the_solver(results, capfd, monkeypatch):
    before = {name: (results / name).read_bytes() for name in FILES}

    def talkative(*given: object) -> object:
        os.write(1, b"HighsMipSolverData\n")
        return make_choice(*given)

    monkeypatch.setattr("gisprio.run.shortlist.make_choice", talkative)
    assert choose(results, "--per-cluster", "500") == 0
    assert {name: (results / name).read_bytes() for name in FILES} == before
    out = capfd.readouterr().out
    assert "Highs" not in out
    assert "optimality gap" in out
    assert "Screening level" in out


def test_owners_to_be_left_alone_are_left_out_and_nothing_of_their_table_gets_out(results, tmp_path, capfd):
    first = pyogrio.read_dataframe(results / "shortlist.gpkg", layer="shortlist")
    owner = first["property_id"].dropna().iloc[0]
    must = first.loc[first["property_id"] != owner, "site_id"].iloc[-1]
    contacts = tmp_path / "contacts.csv"
    contacts.write_text(
        f"property_id,status,log,name,phone\n{owner},declined,wants a fence first,Quillfeather,555-0101\n", "utf-8"
    )
    again = tmp_path / "results"
    shutil.copytree(results, again)
    shutil.copy(results.parent / "costs.csv", tmp_path)
    shutil.copy(results.parent / "config.toml", tmp_path)
    assert choose(again, "--contacts", str(contacts), "--earlier", str(results), "--must", must) == 0
    after = pyogrio.read_dataframe(again / "shortlist.gpkg", layer="shortlist")
    candidates = pyogrio.read_dataframe(again / "shortlist.gpkg", layer="candidates")
    sites = pyogrio.read_dataframe(again / "ranked.gpkg", layer="sites").set_index("site_id")
    assert owner not in set(after["property_id"])
    assert owner not in set(sites.loc[candidates["site_id"], "property_id"])
    kept = set(first["site_id"]) & set(after["site_id"])
    assert facts_of(again)["earlier"]["chosen_again"] >= len(kept)
    assert set(after.loc[after["earlier"].astype(bool), "site_id"]) == kept
    assert after.loc[after["must"].astype(bool), "site_id"].tolist() == [must]
    told = capfd.readouterr().out + "".join((again / name).read_text("utf-8", "ignore") for name in FILES)
    assert "on properties whose owners are to be left alone" in told
    assert [word for word in SECRETS if word in told] == []


def test_draws_are_those_of_the_ranking(sample_results):
    results = results_of(sample_results)
    draws, top = results.settings.robustness.draws, results.settings.robustness.top_n
    banks = results.tables["banks"].set_index("bank_id")
    ranked = banks[banks["rank"].notna()]
    drawn = drawn_keys(results.tables, results.settings, draws)
    keys = np.stack([one.reindex(ranked.index).to_numpy() for one in drawn])
    ranks = len(ranked) - np.array([np.searchsorted(np.sort(row), row, side="right") for row in keys]) + 1
    assert len(keys) == draws
    assert (ranks <= top).mean(axis=0) == pytest.approx(ranked["top_share"].to_numpy(float))


def test_each_site_is_found_again_at_its_own_place(sample_results):
    opened = results_of(sample_results)
    sites, reaches = opened.tables["sites"], opened.tables["reaches"]
    lines = gpd.GeoDataFrame(sites[["site_id", "side"]], geometry=site_lines(sites, reaches))
    pairs = match_sites(lines, lines)
    assert pairs["before"].tolist() == pairs["now"].tolist() == sorted(sites["site_id"])
    assert pairs.set_index("now")["common_m"].to_dict() == pytest.approx(
        sites.set_index("site_id")["length_m"].to_dict(), abs=0.1
    )


def test_a_site_moves_with_its_bank():
    sites = pd.DataFrame({"bank_id": ["A", "A", "B"], "priority": [20.0, 40.0, 60.0]})
    banks = pd.DataFrame({"bank_id": ["A", "B"], "priority": [40.0, 60.0]})
    drawn = pd.Series({"A": 80.0, "B": 30.0})
    assert with_their_banks(sites, banks, drawn, geometric=True).tolist() == [40.0, 80.0, 30.0]
    assert with_their_banks(sites, banks, drawn, geometric=False).tolist() == [60.0, 80.0, 30.0]
    assert with_their_banks(sites, banks, drawn * 2, geometric=True).tolist() == [80.0, 100.0, 60.0]


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (
            ("--budget", "100"),
            "InputError: There are no costs of the sites, and none are made up.\n"
            "  Wanted: a CSV with site_id, cost_low, cost_mid, cost_high, currency and year; one line a site of "
            "sites.csv.\n"
            "  Do: add --costs FILE, or price the works first: gisprio works FOLDER --costs TABLE.\n",
        ),
        (
            ("--budget", "0"),
            "SettingsError: --budget is 0.\n  Wanted: an amount of money above 0.\n  Do: give the money at hand.\n",
        ),
        (
            ("--budget", "9", "--max-share", "2"),
            "SettingsError: [shortlist] cannot be as asked for: max_share_per_sub_watershed: Input should be less than "
            "or equal to 1.\n"
            "  Wanted: values as the template of the config tells them.\n"
            "  Do: mend the options of the command.\n",
        ),
    ],
)
def test_what_is_wrong_is_told(results, capsys, arguments, says):
    assert main(["shortlist", str(results), *arguments]) == 2
    assert capsys.readouterr().err == says


def test_costs_of_concept_sizing_are_taken_where_they_are_of_this_run(results, tmp_path, capsys):
    folder = tmp_path / "results"
    shutil.copytree(results, folder, ignore=shutil.ignore_patterns("shortlist.*"))
    table = pd.read_csv(results.parent / "costs.csv").rename(columns={"year": "price_year"})[:20]
    table.assign(price_year_last=2027, at_least="true", example="Made up.").to_csv(
        folder / "works_site_costs.csv", index=False
    )
    (folder / "works_property_costs.csv").write_text(
        "property_id,start_low,start_mid,start_high\nP,70,80,90\n", "utf-8"
    )
    asked = ["shortlist", str(folder), "--budget", "9000", "--config", str(results.parent / "config.toml")]
    for run, code in (("another", 2), (digest_of_run(json.loads((folder / "run.json").read_text("utf-8"))), 0)):
        (folder / "works.json").write_text(json.dumps({"run": run, "files": {}}), "utf-8")
        assert main(asked) == code
    told = capsys.readouterr()
    assert told.err == (
        "InputError: works_site_costs.csv was made from another run than the one that lies here.\n"
        "  Wanted: costs of the sites of this run.\n"
        "  Do: run gisprio works again, or add --costs FILE.\n"
    )
    assert "(mid costs, prices of 2026 to 2027)." in told.out
    assert "The costs come from an example table, not from prices of your own: Made up." in told.out
    facts = facts_of(folder)
    assert facts["spent"]["properties"] == 80 * facts["properties"]
    assert facts["cost_high"] - facts["cost_low"] > 20 * facts["properties"]


def test_what_is_no_earlier_shortlist_is_refused(results, capsys):
    assert choose(results, "--earlier", str(results / "ranked.gpkg")) == 2
    assert capsys.readouterr().err == (
        f"InputError: {results / 'ranked.gpkg'} is no earlier shortlist.\n"
        "  Wanted: shortlist.gpkg as gisprio shortlist wrote it, or the folder it lies in.\n"
        "  Do: give that file or folder, or leave --earlier out.\n"
    )
