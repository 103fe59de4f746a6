"""Files of a shortlist: hostile names are data, nothing chosen is told so, equal choices give equal bytes."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import pytest
import shapely

from gisprio.compute.works.candidates import Candidates
from gisprio.compute.works.chosen import candidates_layer, chosen_layer, curve_table
from gisprio.compute.works.curve import draw_curve, next_money
from gisprio.compute.works.facts import facts_of_choice, notes_of_choice
from gisprio.compute.works.problem import Problem
from gisprio.contracts.settings import Shortlist
from gisprio.contracts.shortlist import Choice
from gisprio.products.shortlist import shortlist_page, write_geopackage, write_list

HOSTILE = "<script>alert(1)</script>"


def choice_of(budget: float) -> Choice:
    """Give a choice among three sites with hostile names."""
    table = gpd.GeoDataFrame(
        {
            "site_id": ["a", "b", "c"],
            "bank_id": "B",
            "name": [HOSTILE, "=1+1", None],
            "side": "left",
            "property_id": ['=HYPERLINK("x")', HOSTILE, None],
            "sub_watershed_id": [HOSTILE, None, "W"],
            "length_m": 50.0,
            "setback_m": 30.0,
            "area_m2": [750.0, 749.0, 749.0],
            "gap_length_m": [50.0, 50.0, np.nan],
            "measure": "plant",
            "certainty": ["clear", "uncertain", None],
            "priority": [20.0, 40.0, 60.0],
            "rank": [3, 2, 1],
            "effect": [1000.0, 2000.0, 3000.0],
            "effect_low": [1000.0, 2000.0, 2500.0],
            "effect_high": [1000.0, 2000.0, 3500.0],
            "effect_basis": ["measured", "measured", "default"],
            "cost_low": 50.0,
            "cost_mid": 100.0,
            "cost_high": 300.0,
            "cost": 100.0,
            "at_least": [False, False, True],
            "must": [True, False, False],
            "why_measure": "+cmd",
            "property": ["p", "q", "r"],
            "cluster": ["a", "a", "c"],
            "sub_watershed": "W",
        },
        geometry=[shapely.box(x, 0, x + 10, 30) for x in (0, 20, 40)],
    )
    problem = Problem.of(table, per_property=10.0, per_cluster=5.0)
    points = draw_curve(problem, budget, relative_gap=0.0)
    found = next(point for point in points if point.budget == budget)
    asked, shares = Shortlist(per_property=10.0, per_cluster=5.0), np.array([1.0, 0.5, 0.9])
    facts = facts_of_choice(
        found,
        problem,
        Candidates(table, {"no_cost": 2}),
        asked,
        shares,
        currency=HOSTILE,
        price_years=(2024, 2026),
        starts=(8.0, 10.0, 20.0),
        draws=10,
    )
    notes = notes_of_choice(facts, table[found.chosen], earlier=None, lost={"must": ["x"]}, unknown=3)
    more = next_money(points, list(problem.site_id), budget)
    whole = {
        "format": 1,
        "name": HOSTILE,
        "run": "0" * 12,
        "units": "si",
        **facts,
        "example": "",
        "earlier": None,
        "notes": notes,
    }
    lines = [shapely.LineString([(x, 0), (x + 10, 0)]) for x in (0, 20, 40)]
    candidates = candidates_layer(table, lines, points, found, shares)
    return Choice(chosen_layer(table, found, shares, None), candidates, curve_table(points, problem), more, whole)


CHOICE = choice_of(230.0)


def test_facts_and_notes_of_a_choice_by_hand():
    facts = CHOICE.facts
    assert facts["sites"] == ["a", "c"]
    assert facts["spent"] == {"sites": 200.0, "properties": 20.0, "clusters": 10.0, "total": 230.0}
    assert (facts["cost_low"], facts["cost_mid"], facts["cost_high"]) == (126.0, 230.0, 650.0)
    assert facts["effect"] == {"name": "priority_gap_m", "unit": "priority x m of gap", "total": 4000.0, "low": 3500.0,
                               "high": 4500.0}  # fmt: skip
    assert facts["notes"] == [
        f"By the range of its costs the list comes to 126 to 650 {HOSTILE}, start-up included.",
        f"At high costs it is 420 {HOSTILE} over the budget.",
        "1 of the chosen sites cost at least what is told: something of their works has no price or no size.",
        "The effect lies between 3,500 and 4,500, by published lines that do not agree.",
        "The effect of 1 of the chosen sites counts their whole length: the cover is too coarse to show their metres "
        "of gap.",
        "1 of the chosen sites hold less than 50% of the ground of a strip so long and wide: a boundary near the bank, "
        "water, roads or a bend take the rest. They look cheap for their metres.",
        "1 of the chosen sites lie on no known property; each counts as a property of its own.",
        "2 of the 2 sites are chosen again in at least 80% of 10 draws of weights and errors of the ranking; costs are "
        "not drawn.",
        "Sites left out: 2 without a cost.",
        "3 lines of the table of costs name no site of this run.",
        "must: x of the earlier run has no site now.",
    ]


def test_reasons_count_who_shares_a_start():
    assert CHOICE.chosen["site_id"].tolist() == ["c", "a"]
    assert CHOICE.chosen["why_chosen"].tolist() == [
        "It does 30,000 for each 1,000 of its cost, place 1 of 3 candidates by that.",
        "A must-have. It does 10,000 for each 1,000 of its cost, place 3 of 3 candidates by that.",
    ]
    all_three = choice_of(400.0).chosen.set_index("site_id")
    assert all_three["sites_in_cluster"].to_dict() == {"a": 2, "b": 2, "c": 1}
    assert all_three.loc["b", "why_chosen"].endswith("place 2 of 3 candidates by that; 1 more on properties that join.")


def test_hostile_names_are_text(tmp_path):
    page = shortlist_page(CHOICE)
    assert "<script" not in page
    assert "&lt;script&gt;" in page
    assert "Screening level" in page
    write_list(tmp_path / "list.csv", CHOICE)
    text = (tmp_path / "list.csv").read_text("utf-8")
    assert "\"'=HYPERLINK" in text
    assert "'+cmd" in text


def test_an_example_table_of_prices_is_a_warning():
    facts = {**CHOICE.facts, "example": "Made up.", "notes": ["The costs come from an example table.", "Other."]}
    page = shortlist_page(replace(CHOICE, facts=facts))
    assert '<p class="warning">The costs come from an example table.</p>' in page
    assert "<li>Other.</li>" in page
    assert 'class="warning"' not in shortlist_page(CHOICE)


def test_lengths_are_in_the_units_of_the_reader():
    metric, feet = (shortlist_page(replace(CHOICE, facts={**CHOICE.facts, "units": units})) for units in ("si", "us"))
    assert "candidate sites, 0.10 km of bank on 2 properties" in metric
    assert "candidate sites, 0.06 mi of bank on 2 properties" in feet
    assert (metric.count(">50</td>"), feet.count(">164</td>")) == (4, 4)
    assert (metric.count("Length [m]"), feet.count("Length [ft]"), feet.count("Length [m]")) == (2, 2, 0)


def test_equal_choices_give_equal_bytes(tmp_path):
    crs = pyproj.CRS.from_epsg(32633).to_wkt()
    for name in ("one.gpkg", "two.gpkg"):
        write_geopackage(tmp_path / name, CHOICE, crs)
    assert (tmp_path / "one.gpkg").read_bytes() == (tmp_path / "two.gpkg").read_bytes()
    assert shortlist_page(choice_of(230.0)) == shortlist_page(CHOICE)
    assert pyogrio.read_info(tmp_path / "one.gpkg", layer="candidates")["geometry_type"] == "LineString"


def test_where_nothing_fits_it_is_said():
    none = choice_of(115.0)
    assert none.facts["sites"] == ["a"]  # the must-have
    assert "What the next money would buy" in shortlist_page(none)


@pytest.mark.parametrize("budget", [345.0, 690.0])
def test_all_there_is_to_do_ends_the_curve(budget):
    whole = choice_of(budget)
    assert whole.facts["sites"] == ["a", "b", "c"]
    assert not len(whole.more)
    assert "Nothing: all that the candidates can do" in shortlist_page(whole)
    assert pd.Series(whole.candidates["enters_at"]).notna().all()
