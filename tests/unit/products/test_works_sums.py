"""Sums over sites on the page of works: how many sites each is of, and what sites of one property share."""

from __future__ import annotations

import re

from gisprio.compute.works.labour import volunteer_hours
from gisprio.compute.works.sizing import size_facts
from gisprio.products.works import PageSite, WorksPage, works_page
from works_facts import settings_with, site_facts


def page_of(facts, units="si", sites=()):
    tables = size_facts(facts, settings_with())
    page = WorksPage(
        place="Made",
        date="2026-05-31",
        digest="abc123",
        units=units,
        scopes={"fence and plant": "Plants in a fence.", "plant": "Plants."},
        all_sites=tables["work_sites"],
        items=tables["work_items"],
        common=[],
        sites=sites,
        hours=volunteer_hours(tables["work_items"]),
        costs=None,
    )
    return works_page(page)


def test_sums_tell_their_sites_and_one_place_to_drink_serves_a_property():
    owners = {"A": "P1", "B": "P1", "C": "P2", "D": None, "E": None}
    facts = [
        site_facts(measure="fence and plant", site={**site_facts().site, "site_id": name, "property_id": owner})
        for name, owner in owners.items()
    ]
    unknown = {**site_facts().site, "site_id": "F"}
    facts.append(site_facts(site=unknown, heights=None, no_heights="there are no heights here"))
    page = page_of(facts)

    cells = re.findall(r"<tr><th[^>]*>([^<]+)</th>(.*?)</tr>", page.partition("All sites together")[2])
    rows = {head: re.findall(r"<td[^>]*>([^<]*)</td>", rest) for head, rest in cells}
    assert rows["Water off the stream"] == ["5", "0", "4", "5", "places"]
    assert rows["Length of bank"] == ["6", "330", "330", "330", "m"]
    assert (rows["Keys"][0], "Cut" in rows) == ("1", False)


def test_a_place_is_told_in_the_units_of_the_reader():
    facts = site_facts(measure="plant")
    items = size_facts([facts], settings_with())["work_items"]
    site = PageSite("A", "Made Brook, 90 to 155 m up reach A-01", "plant", "Because.", [], items, None, [], [], None)
    assert ">Made Brook, 295 to 509 ft up reach A-01.<" in page_of([facts], "us", [site])
