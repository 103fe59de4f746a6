"""Constraints, works already done and scars, from layers on disk to the results."""

from __future__ import annotations

import csv
import io
import re

import pandas as pd
import pytest

import gisprio
from gisprio.run.desk import write_desk
from gisprio.run.engine import run as engine_run
from gisprio.run.methods import methods_text
from makers import frame, straight_valley

TIMED = ("run.json", "run.log", "ranked.xlsx", "top.kmz", "report.html")
"""Files that tell the time of the run, or carry the digest of its settings, which name the layers."""


@pytest.fixture(scope="module")
def config(tmp_path_factory):
    """The straight valley with a pipeline, a planting and a scar on its bare left bank, run once."""
    world = straight_valley()
    place, layers = world.place, world.layers
    layers["constraints"] = frame([place.line((1000, 15), (1400, 15))], kind=["pipeline"])
    layers["done"] = frame([place.box(1600, 0, 2000, 40)], kind=["trees planted"], date=["2021-04-01"])
    layers["eroding"] = frame([place.line((2200, 4), (2400, 4))], date=["2023"])
    config = world.write(tmp_path_factory.mktemp("judged"))
    columns = 'constraints.kind = "kind"\ndone.kind = "kind"\ndone.date = "date"\neroding.date = "date"\n'
    config.write_text(config.read_text().replace("[columns]\n", "[columns]\n" + columns))
    engine_run(gisprio.read_settings(config))
    return config


@pytest.fixture(scope="module")
def banks(config):
    """Its left banks."""
    table = gisprio.open_results(gisprio.read_settings(config).output()).banks
    return table[table["side"] == "left"].reset_index(drop=True)


def test_the_pipeline_is_measured_where_it_lies(banks):
    assert banks["constrained_length_m"].sum() == pytest.approx(400, abs=10)
    assert set(banks["constraint"].dropna()) == {"pipeline"}
    taken = banks["gap_area_m2"].sum() - banks["plantable_area_m2"].sum()
    clear, planted = 400 * 5 + 40, 400 * 18  # the gap begins at 15 and the pipe is kept clear up to 20; its round ends
    assert taken == pytest.approx(clear + planted, rel=0.03)


def test_planted_banks_have_no_rank_and_show_their_year(banks):
    planted = banks[banks["done_year"].notna()]
    assert planted["length_m"].sum() == pytest.approx(400)
    assert set(planted["not_ranked"]) == {"planted in 2021"}
    assert planted["rank"].isna().all()
    assert banks.loc[banks["done_year"].isna(), "rank"].notna().all()


def test_the_scar_leads_the_erosion_order(banks):
    seen = banks["observed_erosion"] > 0
    assert banks.loc[seen, "length_m"].sum() == pytest.approx(200, abs=200)
    assert banks.loc[seen, "erosion_score"].max() >= 80
    assert banks.loc[seen, "why"].str.startswith(("Erodes", "Short of riparian cover, erodes")).all()
    assert not banks.loc[~seen, "why"].str.contains("rodes").any()
    assert pd.notna(banks.loc[seen, "erosion_rank"]).all()


def timeless(folder):
    """Give the bytes of the results, without the time of the run."""
    files = [path for path in folder.iterdir() if path.is_file() and path.name not in TIMED]
    return {path.name: re.sub(rb"Started [^ ]*", b"", path.read_bytes()) for path in files}


def bring_back(config, name, table="", **filled):
    """Bring back a form of two places, on the left bank at 2,800 m and the right one at 800 m, and run again.

    With it the text of a table of the desk check.
    """
    place = straight_valley().place
    points = [place.line((2800, 4), (2801, 4)).interpolate(0), place.line((800, -4), (801, -4)).interpolate(0)]
    form = {"visit_id": ["V1", "V2"], "side": ["left", "right"], "chosen": ["top", "random"], "date": [None, None]}
    frame(points, **form | filled).to_file(config.parent / name, driver="GPKG")
    other = config.with_name(f"{name}.toml")
    other.with_suffix(".csv").write_text(table, encoding="utf-8")
    layers = f'visits = ["{name}", "{name}.csv"]'
    other.write_text(config.read_text().replace("[columns]\n", f"{layers}\n[columns]\n"))
    settings = gisprio.read_settings(other)
    return engine_run(settings), settings.output()


def filled_table(text):
    """Fill in a table of three rows as a spreadsheet leaves it: the second judged, the third judged and moved away."""
    rows = list(csv.DictReader(io.StringIO(text)))
    rows[1]["verdict"], rows[2]["verdict"] = "wrong line", "ok"
    rows[2] |= {"latitude": "12.345678", "side": "left"}
    for row in rows:
        row |= {name: row[name].replace(".", ",") for name in ("latitude", "longitude")}
    german = io.StringIO()
    made = csv.DictWriter(german, [*rows[0], ""], delimiter=";", restval="")
    made.writeheader()
    made.writerows(reversed(rows))
    return rows[1]["bank_id"], "\ufeff" + german.getvalue()


def test_visits_brought_back(config, banks):
    """Untouched, form and desk check change no byte; filled in, they change their banks, and say what they can."""
    folder = gisprio.read_settings(config).output()
    desk = write_desk(folder, top=3).table.read_text(encoding="utf-8")
    before = timeless(folder)
    assert "ranked.gpkg" in before
    bring_back(config, "untouched.gpkg", desk, erodes=[None, None], verdict=[None, ""])
    after = timeless(folder)
    assert [name for name in before if after[name] != before[name]] == []
    assert after.keys() == before.keys()
    was = gisprio.open_results(folder).banks.set_index("bank_id")
    judged, table = filled_table(desk)
    record, _ = bring_back(config, "filled.gpkg", table, erodes=["yes", None], verdict=["ok", "not natural"])
    results = gisprio.open_results(folder)
    now, visits = results.banks.set_index("bank_id"), results.visits.set_index("visit_id")
    eroding, gone = visits.loc[["V1", "V2"], "bank_id"]
    assert (was.loc[eroding, "observed_erosion"], now.loc[eroding, "observed_erosion"]) == (0.0, 1.0)
    assert now.loc[gone, "not_ranked"] == "a visit found no natural bank here"
    assert pd.notna(was.loc[gone, "rank"])
    assert pd.isna(now.loc[gone, "rank"])
    assert now.loc[judged, "not_ranked"] == "a look at the desk found the line wrong here"
    assert visits.loc["D002", "bank_id"] == judged
    lost = "1 of 4 filled visits lie within 30 m of no bank of their side: D003 (left)."
    assert lost in results.findings["says"].tolist()
    others = was.index.difference([eroding, gone, judged])
    assert now.loc[others, "priority"].equals(was.loc[others, "priority"])
    says = "How well the scores agree with the visits cannot be judged: 1 usable visits, of 30 wanted."
    says += " 2 looks at the desk do not count here: nobody was at the bank."
    assert record.agreement["says"] == says
    assert says in results.findings["says"].tolist()
    assert f"Agreement: {says}" in " ".join(methods_text(folder).split())
