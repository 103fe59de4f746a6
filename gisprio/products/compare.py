"""The comparison of two runs as a page, as layers and as a map."""

from __future__ import annotations

import os
from pathlib import Path

import pandas as pd

from gisprio.contracts.compare import CHANGED_GAPS, COMPARE_LAYERS, WORKS_BETWEEN, Comparison
from gisprio.contracts.findings import listed
from gisprio.products.compare_map import compare_map
from gisprio.products.compare_visits import tell_monitoring
from gisprio.products.compare_words import MEANING_WORDS, REASON_WORDS, doubts, in_short
from gisprio.products.document import MISSING, Column, Document
from gisprio.products.layer_file import write_layers
from gisprio.products.styles import changed_gaps_qml, works_done_qml
from gisprio.products.units import shown_units

ROWS = 10
"""Rows of a table on the page [own]; the files hold all of them."""


def write_compare_page(path: Path, comparison: Comparison) -> None:
    """Write the comparison as one page of words, small tables and the map."""
    path.write_text(compare_page(comparison), "utf-8")


def write_compare_map(path: Path, comparison: Comparison) -> None:
    """Write the map alone."""
    path.write_text(compare_map(comparison), "utf-8")


def write_compare_layers(path: Path, comparison: Comparison) -> None:
    """Write the tables as layers of one GeoPackage, in the working system of the later run."""
    beside = path.with_name(f"{path.name}.gpkg")  # GDAL wants the ending
    try:
        layers = [(layer, comparison.tables[name]) for name, layer in COMPARE_LAYERS.items()]
        styles = {CHANGED_GAPS.name: changed_gaps_qml(), WORKS_BETWEEN.name: works_done_qml()}
        write_layers(beside, layers, comparison.crs, styles)
        os.replace(beside, path)
    finally:
        beside.unlink(missing_ok=True)


def compare_page(comparison: Comparison) -> str:
    """Give the page as text."""
    before, after = comparison.before, comparison.after
    title = "As if planted" if comparison.planted else "What changed"
    page = Document(
        f"{title}: {after.name}",
        f"{before.folder}, run of {before.date}, and the same as if sites were planted."
        if comparison.planted
        else f"Before: {before.folder}, run of {before.date}. After: {after.folder}, run of {after.date}.",
    )
    page.paragraph(" ".join(in_short(comparison)), kind="answer")
    _inputs(page, comparison)
    _gaps(page, comparison)
    _works(page, comparison)
    _ranks(page, comparison)
    tell_monitoring(page, comparison.tables["monitoring"])
    page.heading("What this cannot tell").items(doubts(comparison))
    page.caution().footer(
        f"Made from two runs: {before.digest} and {after.digest}. All rows are in compare-*.csv and compare.gpkg."
    )
    return page.html()


def _inputs(page: Document, comparison: Comparison) -> None:
    """Tell what differs in what the runs were made from."""
    table = comparison.tables["inputs"]
    page.heading("What differs in what the runs were made from")
    if not len(table):
        page.paragraph("Nothing: the same layers, settings, cells, gisprio and libraries.")
        return
    if comparison.incomparable:
        page.paragraph(
            "Cannot be compared, since measured in another way (marked * below): "
            f"{'; '.join(comparison.incomparable)}.",
            kind="warning",
        )
    elif comparison.doubtful:
        page.paragraph("Nothing that is compared was measured in another way, as far as the records tell.")
    else:
        page.paragraph("All that is compared below was measured in the same way.")
    told = table[table["meaning"] != "none"]
    shown = told.iloc[told["meaning"].map({"measure": 0, "state": 1, "doubt": 2}).argsort(kind="stable")]
    columns: list[Column] = [
        ("name", "What", "text"),
        ("before", "Then", "text"),
        ("after", "Now", "text"),
        ("meaning", "Means", lambda word: MEANING_WORDS[str(word)]),
        ("reaches", "Reaches", lambda text: str(text) or "nothing that is compared"),
    ]
    if len(shown):
        caption = _caption("Layers, cells, settings and versions that differ", shown, 2 * ROWS)
        page.table(shown.head(2 * ROWS), columns, caption)
    idle = table.loc[table["meaning"] == "none", "name"]
    if len(idle):
        page.paragraph(f"Differs too, without a result that follows from it: {listed(idle, 8)}.", kind="quiet")


def _gaps(page: Document, comparison: Comparison) -> None:
    """Tell what closed and opened: totals by sub-watershed, and the map."""
    page.heading("Gaps that closed and opened")
    if not comparison.comparable_gaps:
        page.paragraph("No totals: gaps of the two runs were measured in two ways.", kind="warning")
        return
    factor, unit = shown_units(comparison.units)["m"]
    _totals(page, comparison.tables["totals"], factor, unit)
    page.figure(
        compare_map(comparison),
        "Map of what closed and opened.",
        f"Closed: dark and solid. Opened: orange with a white core. The numbers are the longest changes. Setback "
        f"{comparison.setback_m * factor:,.0f} {unit}.",
    )


def _totals(page: Document, table: pd.DataFrame, factor: float, unit: str) -> None:
    """Tell totals by sub-watershed, those where most changed; the sum last. In a coarse look there are no gaps."""
    measured, bank = table.iloc[-1][["known_before_m", "known_m"]].sum(), ("bank_m", "Bank")
    gaps = [
        ("gap_before_m", "Gap then"),
        ("closed_m", "Closed"),
        ("closed_clear_m", "Clear"),
        ("opened_m", "Opened"),
        ("opened_clear_m", "Clear"),
        ("gap_m", "Gap now"),
    ]
    wanted = [*gaps, bank] if measured else [bank]
    if len(table) == 2:  # one sub-watershed is the sum
        table = table.tail(1)
    parts = table.head(-1) if len(table) > 1 else table.head(0)
    order = (-parts[["closed_m", "opened_m"]].sum(axis=1)).argsort(kind="stable")
    kept = pd.concat([parts.iloc[sorted(order[:ROWS])], table.tail(1)])
    shown = pd.DataFrame({name: kept[name] * factor for name, _ in wanted})
    shown = shown.assign(part=kept["sub_watershed_id"].replace({"all": "All", "none": "No label"}))
    columns: list[Column] = [("part", "Part", "text"), *((name, head, 0) for name, head in wanted)]
    for name, head in (("woody_share_before", "Woody then"), ("woody_share", "Woody now")):
        shown[name] = [MISSING if pd.isna(share) else f"{100 * share:.1f} %" for share in kept[name]]
        columns.append((name, head, "text"))
    more = f"; {len(parts) - ROWS} more sub-watersheds are in the file" if len(parts) > ROWS else ""
    page.table(shown, columns, f"Lengths of bank [{unit}], both sides counted, and woody share of the strips{more}.")


def _works(page: Document, comparison: Comparison) -> None:
    """Tell works done between the runs, by year."""
    works = comparison.tables["works"]
    if not len(works):
        return
    page.heading("Works done between the runs" if not comparison.planted else "Taken as planted and grown")
    if not comparison.planted:
        page.paragraph(
            "Planting is not seen in land cover for years: what was planted is told here, also where the gap is still "
            "there."
        )
    factor, unit = shown_units(comparison.units)["m"]
    shown = pd.DataFrame(works).drop(columns="geometry")
    shown = shown.assign(**{name: shown[name] * factor for name in ("length_m", "gap_m", "closed_m")})
    columns: list[Column] = [
        ("kind", "Kind", "text"),
        ("year", "Year", "text"),
        ("status", "Status", "text"),
        ("streams", "Stream", "text"),
        ("banks", "Banks", "text"),
        ("length_m", "Bank beside it", 0),
        ("closed_m", "Gap closed", 0),
        ("gap_m", "Still gap", 0),
    ]
    page.table(shown.head(ROWS), columns, _caption(f"Works that the earlier run did not know [{unit}]", shown, ROWS))


def _ranks(page: Document, comparison: Comparison) -> None:
    """Tell ranks that moved, of banks and properties."""
    page.heading("Ranks that moved").paragraph(
        "The ones that moved most come first. Within: each rank lies within the 90 % "
        "of draws of the other run, so the move means little."
    )
    for what, head in (("bank", "Banks"), ("property", "Properties")):
        _moved(page, comparison, what, head)


def _moved(page: Document, comparison: Comparison, what: str, head: str) -> None:
    table = comparison.tables["ranks"]
    own = table[(table["what"] == what) & (table["reason"] != "same")]
    first = own[["rank_before", "rank"]].min(axis=1) <= comparison.top_n
    told = first.fillna(False) | (bool(comparison.planted) & (own["reason"] == "scores"))
    shown = own[told.to_numpy(bool)]
    shown = shown.iloc[(-shown["moved"].abs().fillna(10**9)).argsort(kind="stable")]
    if not len(shown):
        page.paragraph(f"{head}: none of the first {comparison.top_n} moved.")
        return
    mark = "" if bool(shown["comparable"].all()) else " *"
    told = [
        "; ".join(text for text in (REASON_WORDS[reason], why) if text)
        for reason, why in zip(shown["reason"], shown["why"], strict=True)
    ]
    within = shown["within"].map({True: "within", False: "beyond"})
    columns: list[Column] = [
        ("after", head, "text"),
        *([("name", "Stream", "text")] if what == "bank" else []),
        ("rank_before", f"Rank then{mark}", 0),
        ("rank", f"Rank now{mark}", 0),
        ("told", "Why", "text"),
        ("within_words", "Draws", "text"),
    ]
    also = ", or whose sites were planted," if comparison.planted else ""
    caption = _caption(f"{head} among the first {comparison.top_n} then or now{also} whose rank moved", shown, ROWS)
    page.table(shown.assign(told=told, within_words=within).head(ROWS), columns, caption)


def _caption(text: str, table: pd.DataFrame, most: int) -> str:
    """Say how many rows are not shown."""
    return text + (f"; {len(table) - most:,} more are in the file" if len(table) > most else "") + "."
