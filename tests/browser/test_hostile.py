"""Every text that layers and settings bring, hostile at once: shown as text wherever it stands, and nothing runs."""

from __future__ import annotations

import pandas as pd
import pytest

from browser.test_map import opened
from gisprio.contracts.cards import Results
from gisprio.products.map import write_map
from unit.products.product_world import EVIL, make_results

ENDS = (
    "<script>window.hacked=1</script>",
    "</script>",
    "--><!--",
    "`${window.hacked=1}`",
    "'\"><img src=x onerror=window.hacked=1>",
)


def evil(number: int) -> str:
    return f"{ENDS[number % len(ENDS)]} {number}"


@pytest.fixture(scope="module")
def results() -> Results:
    """Give a world whose every id, kind, name and sentence is hostile."""
    made = make_results(12, names=EVIL, title=EVIL[0])
    tables = dict(made.tables)
    ids = {one: evil(i) for i, one in enumerate(tables["properties"]["property_id"])}
    banks = {one: f"{one} {evil(i)}" for i, one in enumerate(tables["banks"]["bank_id"])}
    for name, table in tables.items():
        for column, told in (("property_id", ids), ("bank_id", banks)):
            if column in table:
                table[column] = table[column].map(told)
        for column in (
            "kind",
            "status",
            "adjacent_cover",
            "sub_watershed_id",
            "constraint",
            "done_kind",
            "why",
            "rule",
        ):
            if column in table and name != "findings":
                table[column] = [
                    f"{word} {evil(i % 3)}" if isinstance(word, str) else word for i, word in enumerate(table[column])
                ]
    tables["properties"]["joint_neighbours"] = evil(3)
    tables["banks"]["setback_rule"] = tables["bank_setbacks"]["rule"].iloc[0]
    tables["factors"]["title"] += evil(1)
    tables["factors"]["says"] += evil(2)
    twice = tables["bank_setbacks"].assign(rule=evil(4))
    tables["bank_setbacks"] = pd.concat([tables["bank_setbacks"], twice], ignore_index=True)
    report = made.settings.report.model_copy(update={"contact": EVIL[4]})
    settings = made.settings.model_copy(update={"report": report})
    return Results(tables, made.elevation, settings, made.record, made.crs)


def test_hostile_text_everywhere_runs_nothing(page, tmp_path, results, console_errors, page_requests):
    write_map(tmp_path / "map.html", results)
    opened(page, (tmp_path / "map.html").as_uri())
    page.click("#widen")
    page.click("#filters-box summary")
    page.click("#weights-box summary")
    options = page.locator("#filters option").all_text_contents()
    assert any(evil(1) in option for option in options)
    assert evil(1) in page.inner_text("#weights")
    said = [page.inner_text("#panel")]
    for kind in ("bank", "property"):
        page.click(f"#tab-{kind}")
        for line in page.locator("#rows .row .go").all()[:6]:
            line.click()
            said.append(page.text_content("#card"))
        page.click("#card-pick")
    page.fill("#search", "<")
    said.append(page.text_content("#found"))
    page.press("#search", "Enter")
    page.click("#tab-pick")
    said.append(page.text_content("#rows"))
    page.click("#help-open")
    said.append(page.text_content("#help"))
    page.keyboard.press("Escape")
    page.click("#card-close")
    for number in range(4):
        page.locator("#orders label").nth(number).click()
    page.evaluate("window.map_watershed.setZoom(17, { animate: false })")
    page.wait_for_timeout(400)
    opened(page, page.url)
    whole = "\n".join(said)
    for end in ENDS:
        assert end in whole, end
    assert page.evaluate("window.hacked") is None
    assert page.locator("main script:not([type='text/plain']), main img:not(.leaflet-image-layer)").count() == 0
    assert page.locator("dialog script, dialog img").count() == 0
    assert console_errors == []
    assert set(page_requests) == {page_requests[0]} | {page.url.partition("#")[0]}
