"""Two runs of a straight stream compared: the same, cover replaced, sites planted; in other systems and places.

By hand (see makers.straight_valley): gaps of 3,000 m on the left and 500 m on the right to a setback of 30 m.
"""

from __future__ import annotations

import json
import re
from dataclasses import replace

import pandas as pd
import pyogrio
import pyproj
import pytest

import gisprio
from gisprio.contracts.compare import COMPARE_LAYERS
from gisprio.contracts.errors import InputError, SettingsError
from gisprio.faces.main import main
from gisprio.products.compare import compare_page
from gisprio.run.compare import comparison_of, write_comparison
from gisprio.run.planted import results_when_planted, settings_with_folder
from makers import PASTURE, WOODY, Place, frame, straight_cover, straight_valley

DRAWS = {"robustness": "draws = 20"}


def grown_cover(u, v):
    """The right bank's pasture is wood; 100 m of the wood below it is pasture."""
    code = straight_cover(u, v)
    code[(v <= -3) & (v > -63)] = WOODY
    code[(v <= -3) & (v > -63) & (u >= 2000) & (u < 2100)] = PASTURE
    return code


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("compare")


@pytest.fixture(scope="module")
def runs(folder):
    """Run the valley as it was and with other cover; give the folders by name."""
    valley = straight_valley(**DRAWS)
    worlds = {"first": valley, "grown": replace(valley, cover=grown_cover)}
    made = {}
    for name, world in worlds.items():
        config = world.write(folder / name)
        made[name] = gisprio.run(gisprio.read_settings(config), out=folder / f"{name}-results").folder
    return made


def compared(runs, first, second):
    return comparison_of(gisprio.open_results(runs[first]), gisprio.open_results(runs[second]))


def test_the_same_run_twice(runs):
    found = compared(runs, "first", "first")
    assert len(found.tables["inputs"]) == len(found.tables["changes"]) == len(found.tables["works"]) == 0
    assert (found.tables["ranks"]["reason"] == "same").all()
    total = found.tables["totals"].set_index("sub_watershed_id").loc["all"]
    assert total["gap_before_m"] == total["gap_m"] == pytest.approx(3500.0, abs=1e-6)
    assert total[["closed_m", "opened_m", "lost_sight_m", "new_sight_m", "gone_m", "new_stream_m"]].sum() == 0
    unmatched = found.tables["unmatched"]
    assert (unmatched["before"] == unmatched["matched"]).all()


def test_cover_that_grew_closes_its_gap_and_nothing_else(runs):
    found = compared(runs, "first", "grown")
    inputs = found.tables["inputs"]
    assert inputs["name"].tolist() == ["land_cover"]
    assert inputs["meaning"].tolist() == ["state"]
    assert found.incomparable == ()
    changes = found.changes()
    assert set(changes["side"]) == {"right"}
    total = found.tables["totals"].iloc[-1]
    assert total["closed_m"] == changes.loc[changes["change"] == "closed", "length_m"].sum() == pytest.approx(500.0)
    assert total["opened_m"] == pytest.approx(100.0)
    assert total["gap_m"] == pytest.approx(3500 - 500 + 100)
    closed = changes[changes["change"] == "closed"]
    assert closed.length.sum() == pytest.approx(500.0, abs=1.0)
    assert closed["buffer_width_before_m"].max() < 1
    assert closed["buffer_width_m"].min() == 30.0
    assert set(changes["certainty"]) == {"clear"}


def test_ranks_tell_which_score_moved(runs):
    table = compared(runs, "first", "grown").tables["ranks"]
    banks = table[(table["what"] == "bank") & (table["reason"] == "scores")]
    assert len(banks)
    assert banks["after"].str.endswith("-R").all()
    assert banks["why"].str.match(r"Missing strip: [\d.]+ to [\d.]+ points of the gap score").all()
    sunk = banks[banks["gap_m"] < banks["gap_before_m"]]
    assert (sunk["moved"] < 0).all()


def test_what_was_measured_in_two_ways_is_not_compared(runs):
    """As of an older run, whose record tells no digests, with cells of another size."""
    first, second = (gisprio.open_results(runs[name]) for name in ("first", "grown"))
    cells = {**second.record["cells_m"], "land_cover": 10.0}
    stages = [{**stage, "parts": {}} for stage in second.record["stages"]]
    second.record = {**second.record, "cells_m": cells, "stages": stages}
    found = comparison_of(first, second)
    rows = found.tables["inputs"][["kind", "name", "meaning"]].to_numpy().tolist()
    assert rows == [["layer", "land_cover", "state"], ["cell", "land_cover", "measure"]]
    assert found.tables["inputs"].loc[1, ["before", "after"]].tolist() == ["1 m", "10 m"]
    assert "lengths and areas of gaps" in found.incomparable
    assert "slopes, drainage areas, widths, stream power" not in found.incomparable
    assert found.tables["totals"].drop(columns="sub_watershed_id").isna().all(axis=None)
    assert len(found.changes()) == 0
    ranks = found.tables["ranks"]
    assert not ranks["gap_comparable"].any()
    assert set(ranks.loc[ranks["what"] == "bank", "reason"]) <= {"rules", "same"}
    page = compare_page(found)
    assert "No totals: gaps of the two runs were measured in two ways." in page
    assert "<svg" not in page
    assert "Rank now *" in page


def test_runs_in_two_systems_are_laid_on_each_other(runs):
    first, second = (gisprio.open_results(runs["first"]) for _ in range(2))
    second.record = {**second.record, "crs": pyproj.CRS("EPSG:25833").to_wkt()}  # the same numbers
    found = comparison_of(first, second)
    assert found.tables["inputs"]["name"].tolist() == ["working system"]
    assert not found.comparable_gaps
    unmatched = found.tables["unmatched"].set_index("what")
    assert unmatched.loc[["bank", "site", "property"], "matched"].tolist() == [30, 4, 4]


@pytest.mark.slow
def test_planted_sites_rank_as_in_a_run_with_those_works(runs, folder):
    opened = gisprio.open_results(runs["first"])
    sites = opened.sites[opened.sites["side"] == "right"].head(2)
    names = sites["site_id"].tolist()
    before = (runs["first"] / "run.json").read_bytes()
    with results_when_planted(opened, names) as planted:
        ours = {name: pd.DataFrame(getattr(planted, name)).drop(columns="geometry") for name in RANKED}
        told = comparison_of(opened, planted, names)
    assert (runs["first"] / "run.json").read_bytes() == before
    assert not list((runs["first"] / ".gisprio").glob("planted-*"))
    assert told.tables["inputs"][["name", "after"]].to_numpy().tolist() == [
        ["done", "the same, and 2 sites as planted and grown"]
    ]
    works = told.tables["works"]
    assert works["kind"].tolist() == ["planting, as if done"] * 2
    assert works["closed_m"].sum() == pytest.approx(sites["length_m"].sum(), abs=10)
    assert told.tables["totals"].iloc[-1]["closed_m"] == pytest.approx(sites["length_m"].sum(), abs=10)
    real = straight_valley(**DRAWS)
    parts = sites.explode(index_parts=False)
    real.layers["done"] = frame(
        [*parts.geometry, Place().box(-90, 100, -80, 110)],
        kind=["planting"] * (len(parts) + 1), date=["2001"] * len(parts) + ["2025"],
    )  # fmt: skip
    config = real.write(folder / "real")
    text = config.read_text().replace("[columns]\n", '[columns]\ndone.kind = "kind"\ndone.date = "date"\n')
    config.write_text(text)
    gisprio.run(gisprio.read_settings(config), out=folder / "real-results")
    truth = gisprio.open_results(folder / "real-results")
    for name, columns in RANKED.items():
        theirs = pd.DataFrame(getattr(truth, name)).drop(columns="geometry")
        pd.testing.assert_frame_equal(ours[name][columns], theirs[columns])
    before = opened.banks.set_index("bank_id")["gap_length_m"]
    after = ours["banks"].set_index("bank_id")["gap_length_m"]
    assert (before - after).sum() == pytest.approx(sites["length_m"].sum(), abs=10)


RANKED = {
    "banks": ["bank_id", "gap_length_m", "gap_area_m2", "erosion_score", "gap_score", "priority", "rank", "rank_p05",
              "rank_p95", "top_share"],
    "sites": ["site_id", "length_m", "priority", "rank", "measure"],
    "properties": ["property_id", "gap_length_m", "priority", "priority_gap_m", "rank", "rank_p05", "rank_p95"],
}  # fmt: skip
"""What a plan hangs on, by layer."""


def test_the_command_writes_page_tables_layers_and_map(runs, tmp_path, capsys):
    assert main(["compare", str(runs["first"]), str(runs["grown"]), "--out", str(tmp_path / "out")]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[1] == "What differs: the ground as seen then and now: land_cover."
    assert lines[2] == (
        "Gaps closed on 500 m of bank (500 m of it clear) and opened on 100 m (100 m clear): 3,500 m of gap then, "
        "3,100 m now."
    )
    out = tmp_path / "out"
    page = (out / "compare.html").read_text()
    assert page.count("<svg") == 1
    assert not re.search(r"(?:src|href)=\"(?!data:)", page)
    layers = {name for name, _ in pyogrio.list_layers(out / "compare.gpkg")}
    assert layers == {layer.name for layer in COMPARE_LAYERS.values()} | {"layer_styles"}
    table = pd.read_csv(out / "compare-changes.csv")
    assert table.groupby("change")["length_m"].sum().to_dict() == {"closed": 500.0, "opened": 100.0}
    first = {path.name: path.read_bytes() for path in out.iterdir()}
    write_comparison(runs["first"], runs["grown"], out=out)
    assert {path.name: path.read_bytes() for path in out.iterdir()} == first
    assert json.loads(first["compare.json"])["files"].keys() == first.keys() - {"compare.json"}


def test_what_cannot_be_compared_is_refused(runs, tmp_path):
    first, elsewhere = (gisprio.open_results(runs[name]) for name in ("first", "grown"))
    elsewhere.record = {**elsewhere.record, "crs": pyproj.CRS("EPSG:32634").to_wkt()}
    with pytest.raises(InputError) as error:
        comparison_of(first, elsewhere)
    assert str(error.value) == (
        f"no bank of {runs['first']} lies near one of {runs['grown']}: Tiny and Tiny are other watersheds, or one "
        "of them lies wrong.\n"
        "  Wanted: two runs of one watershed.\n"
        "  Do: look at both maps; where one lies wrong, mend its coordinate system and run again."
    )
    with pytest.raises(InputError, match=r"is not a result folder: it holds no run\.json"):
        write_comparison(runs["first"], tmp_path)
    (tmp_path / "compare.html").write_text("mine")
    with pytest.raises(SettingsError) as wrong:
        write_comparison(runs["first"], runs["grown"], out=tmp_path)
    assert str(wrong.value) == (
        f"{tmp_path} holds files of these names that are not gisprio's: compare.html.\n"
        "  Wanted: a folder where nothing of another origin would be overwritten.\n"
        "  Do: give another one with --out."
    )
    assert (tmp_path / "compare.html").read_text() == "mine"


def test_planting_wants_known_sites_and_the_layers_of_the_run(runs, folder, tmp_path):
    opened = gisprio.open_results(runs["first"])
    name = opened.sites["site_id"].iloc[0]
    with pytest.raises(InputError, match=f"no bank, property or site '{name}X' in these results") as unknown:
        write_comparison(runs["first"], planted=[f"{name}X"])
    assert name in str(unknown.value)
    bare = gisprio.open_results(runs["first"])
    bare.folder = tmp_path  # as if the store had been cleaned
    with pytest.raises(SettingsError) as relative:
        settings_with_folder(bare, None)
    assert str(relative.value) == (
        "dem.tif is a path relative to the config, and results do not say where that is.\n"
        "  Wanted: the config: to plant sites, the layers of the run are read again.\n"
        "  Do: add --config CONFIG."
    )
    with pytest.raises(InputError) as absent:
        settings_with_folder(bare, tmp_path / "no.toml")
    assert str(absent.value) == (
        f"{tmp_path / 'no.toml'} is not there.\n"
        "  Wanted: the config of the run, from whose folder its layers are found.\n"
        "  Do: give its path."
    )
    with pytest.raises(InputError) as other:
        write_comparison(runs["first"], planted=[name], config=folder / "grown" / "tiny.toml")
    assert str(other.value) == (
        f"{runs['first']} was made from other things than are here now: layer land_cover.\n"
        "  Wanted: what the run was made from: the ranks must differ by the planted sites alone.\n"
        "  Do: run again, then plant."
    )


def test_results_that_keep_less_are_refused(runs, tmp_path):
    folder = tmp_path / "older"
    folder.mkdir()
    for name in ("run.json", "stations.parquet"):
        (folder / name).write_bytes((runs["first"] / name).read_bytes())
    pyogrio.write_dataframe(gisprio.open_results(runs["first"]).banks, folder / "ranked.gpkg", layer="banks")
    with pytest.raises(InputError) as error:
        write_comparison(folder, runs["first"])
    assert str(error.value) == (
        f"{folder} lacks what is compared: layer reaches of ranked.gpkg, layer gaps of ranked.gpkg, layer sites of "
        "ranked.gpkg, layer properties of ranked.gpkg, layer works_done of ranked.gpkg.\n"
        "  Wanted: results of a gisprio that keeps them, as this one does.\n"
        "  Do: run again; what is kept in .gisprio makes that quick."
    )
