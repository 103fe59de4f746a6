"""``gisprio works`` on the sample: files, ranges, what is not sized, what was measured on site."""

from __future__ import annotations

import json
import shutil

import pandas as pd
import pytest

from gisprio.contracts.layers import WORK_ITEMS, WORK_SITES, WORK_WARNINGS
from gisprio.contracts.schema import check
from gisprio.contracts.words import CAUTION
from gisprio.faces.main import main
from gisprio.run.record import digest_of_run

FILES = ("works.csv", "works_sites.csv", "works_warnings.csv", "works_hours.csv", "works.html", "works.json")


@pytest.fixture(scope="module")
def folder(sample_results, tmp_path_factory):
    place = tmp_path_factory.mktemp("works") / "results"
    shutil.copytree(sample_results, place)
    assert main(["works", str(place)]) == 0
    return place


@pytest.fixture(scope="module")
def items(folder):
    return pd.read_csv(folder / "works.csv")


@pytest.fixture(scope="module")
def told(folder):
    return pd.read_csv(folder / "works_sites.csv")


def test_tables_hold_to_their_contract_and_carry_the_run(folder, items, told):
    check(WORK_ITEMS, items)
    check(WORK_SITES, told.astype({"design": object, "height_basis": object}))
    check(WORK_WARNINGS, pd.read_csv(folder / "works_warnings.csv"))
    record = json.loads((folder / "run.json").read_text("utf-8"))
    manifest = json.loads((folder / "works.json").read_text("utf-8"))
    assert manifest["run"] == digest_of_run(record)
    assert set(manifest["files"]) == set(FILES) - {"works.json"}
    page = (folder / "works.html").read_text("utf-8")
    assert CAUTION in page
    assert digest_of_run(record)[:12] in page
    assert "only temporary protection" in page


def test_each_site_is_sized_or_says_why_not(folder, items, told):
    sites = pd.read_csv(folder / "sites.csv")
    assert set(told["site_id"]) == set(sites["site_id"])
    assert set(items["site_id"]) == set(told.loc[told["sized"], "site_id"])
    assert told.loc[~told["sized"], "not_sized"].notna().all()
    assert (told.loc[told["measure"] == "look first", "sized"] == False).all()  # noqa: E712
    assert told.loc[told["measure"] == "plant", "sized"].mean() > 0.9


def test_earth_is_sized_where_heights_show_a_bank_and_nowhere_else(items, told):
    banks = told[told["measure"] == "bank works and plant"].set_index("site_id")
    cut = items[items["item"] == "earth_cut"].set_index("site_id")
    known = banks["height_mid_m"].notna()
    assert 0 < known.sum() < len(banks)
    assert set(cut.index) == set(banks.index[known])
    assert banks.loc[~known, "not_sized"].str.contains("cells of 10 m, too wide to show a bank").all()
    assert (cut["quantity_high"] > 2 * cut["quantity_low"]).all()
    assert (cut["basis"] == "assumed").all()


def test_ground_to_plant_is_that_of_the_sites(folder, items):
    ground = items[items["item"] == "planting_area"].set_index("site_id")["quantity_mid"]
    sites = pd.read_csv(folder / "sites.csv").set_index("site_id")["plantable_area_m2"]
    assert ground.to_numpy() == pytest.approx(sites[ground.index].to_numpy(), abs=0.06)


def test_heights_measured_on_site_stand_in_the_place_of_none(folder, told, tmp_path, capsys):
    site = told.loc[(told["measure"] == "bank works and plant") & told["height_mid_m"].isna(), "site_id"].iloc[0]
    given = tmp_path / "measured.csv"
    given.write_text(
        f"site_id,length_m,height_low_m,height_high_m,start_slope,finished_slope\n{site},55,1.4,2.05,0,3\n"
    )
    place = tmp_path / "again"
    shutil.copytree(folder, place)
    assert main(["works", str(place), "--site", str(site), "--given", str(given)]) == 0
    assert capsys.readouterr().out.startswith("1 of 1 sites are sized: ")
    items = pd.read_csv(place / "works.csv").set_index("item")
    assert items.loc["earth_cut", "quantity_mid"] == pytest.approx(248.39, abs=0.005)
    assert items.loc["earth_cut", "basis"] == "given"
    page = (place / "works.html").read_text("utf-8")
    assert "55 x (2.94 + 4 x 4.463 + 6.304) / 6 = 248.4 m3" in page
    assert "<svg" in page


def test_the_same_bytes_again_and_feet_on_the_page_alone(folder, told, sample_config, tmp_path):
    config = tmp_path / "us.toml"
    text = sample_config.read_text("utf-8").replace("../", f"{sample_config.parent.parent}/")
    config.write_text(text.replace('units = "si"', 'units = "us"'), "utf-8")
    place = tmp_path / "us"
    shutil.copytree(folder, place)
    site = told.loc[told["height_mid_m"].notna(), "site_id"].iloc[0]

    def written(*more) -> dict[str, bytes]:
        assert main(["works", str(place), "--site", site, *more]) == 0
        return {name: (place / name).read_bytes() for name in FILES}

    metres, feet, again = written(), written("--config", str(config)), written()
    assert again == metres
    assert {name for name in FILES if feet[name] != metres[name]} == {"works.html", "works.json"}
    assert "<td>yd³</td>" in feet["works.html"].decode()
    assert "<td>m³</td>" not in feet["works.html"].decode()
    assert "<td>m³</td>" in metres["works.html"].decode()


def test_unknown_sites_are_refused_with_the_nearest(folder, told, capsys):
    known = str(told["site_id"].iloc[0])
    assert main(["works", str(folder), "--site", known[:-1] + "9"]) == 2
    assert capsys.readouterr().err == (
        f"InputError: no site of these results is called {known[:-1]}9.\n"
        "  Wanted: site_id as in sites.csv.\n"
        f"  Do: did you mean {known}?\n"
    )
