"""Constraints, works already done and scars, from layers on disk to the results."""

from __future__ import annotations

import pandas as pd
import pytest

import gisprio
from gisprio.run.engine import run as engine_run
from makers import frame, straight_valley


@pytest.fixture(scope="module")
def banks(tmp_path_factory):
    """The straight valley with a pipeline, a planting and a scar on its bare left bank."""
    world = straight_valley()
    place, layers = world.place, world.layers
    layers["constraints"] = frame([place.line((1000, 15), (1400, 15))], kind=["pipeline"])
    layers["done"] = frame([place.box(1600, 0, 2000, 40)], kind=["trees planted"], date=["2021-04-01"])
    layers["eroding"] = frame([place.line((2200, 4), (2400, 4))], date=["2023"])
    config = world.write(tmp_path_factory.mktemp("judged"))
    columns = 'constraints.kind = "kind"\ndone.kind = "kind"\ndone.date = "date"\neroding.date = "date"\n'
    config.write_text(config.read_text().replace("[columns]\n", "[columns]\n" + columns))
    settings = gisprio.read_settings(config)
    engine_run(settings)
    table = gisprio.open_results(settings.output()).banks
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
