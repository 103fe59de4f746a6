"""The sentences of a comparison."""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from gisprio.contracts.compare import Comparison
from gisprio.products.units import shown_units

REASON_WORDS = {
    "rules": "measured or weighed in another way",
    "scores": "its own score",
    "others": "others moved more",
    "same": "same rank",
    "came": "ranked now only",
    "went": "ranked then only",
}
MEANING_WORDS = {
    "measure": "measured in another way",
    "state": "the ground then and now",
    "doubt": "gisprio itself",
    "none": "no number follows from it",
}
CHANGE_WORDS = {
    "closed": "closed",
    "opened": "opened",
    "lost_sight": "cover not known now",
    "new_sight": "cover not known then",
    "gone": "no bank there now",
    "new_stream": "no bank there then",
}


def length(metres: float, units: str) -> str:
    """Write a length for people.

    >>> length(143.2, "si"), length(21540.0, "si"), length(100.0, "us")
    ('143 m', '21.5 km', '328 ft')
    """
    shown = shown_units("us" if units == "us" else "si")
    if metres >= 10_000:
        factor, unit = shown["km"]
        return f"{metres / 1000 * factor:,.1f} {unit}"
    factor, unit = shown["m"]
    return f"{metres * factor:,.0f} {unit}"


def in_short(comparison: Comparison) -> Iterator[str]:
    """Say in a few sentences what was found; the first says what differs."""
    yield what_differs(comparison)
    if comparison.planted:
        yield _planted(comparison)
    yield gaps_in_short(comparison)
    works = comparison.tables["works"]
    if len(works) and not comparison.planted:
        yield works_in_short(comparison)
    yield ranks_in_short(comparison)


def what_differs(comparison: Comparison) -> str:
    """Say what differs in what the runs were made from."""
    table = comparison.tables["inputs"]
    told = table[table["meaning"] != "none"]
    if not len(told):
        return "Nothing differs in what the two runs were made from."
    parts = [
        f"{word}: {', '.join(names)}"
        for word, names in (
            ("measured in another way", _names(told, "measure")),
            ("the ground as seen then and now", _names(told, "state")),
            ("gisprio itself", _names(told, "doubt")),
        )
        if names
    ]
    return f"What differs: {'; '.join(parts)}."


def _names(table: pd.DataFrame, meaning: str) -> list[str]:
    own = table[table["meaning"] == meaning]
    names = [row.name if row.kind != "cell" else f"cell of {row.name}" for row in own.itertuples(index=False)]
    return names if len(names) <= 6 else [*names[:6], f"and {len(names) - 6} more"]


def _planted(comparison: Comparison) -> str:
    many = len(set(comparison.planted))
    return (
        f"Shown as if {many} site{'s' if many > 1 else ''} ({', '.join(dict.fromkeys(comparison.planted))}), "
        f"{length(comparison.planted_m, comparison.units)} of bank, "
        f"{'were' if many > 1 else 'was'} planted and grown: nothing of it stands on the ground."
    )


def gaps_in_short(comparison: Comparison) -> str:
    """Say how many metres of gap closed and opened, or why none can be told."""
    if not comparison.comparable_gaps:
        return "Gaps were measured in two ways: what closed and opened cannot be told, and no totals are given."
    total = comparison.tables["totals"].iloc[-1]
    units = comparison.units
    if not total[["known_before_m", "known_m"]].sum():
        return (
            "No gap is measured in either run: the land cover is too coarse. Woody share of the strips: "
            f"{_percent(total['woody_share_before'])} then, {_percent(total['woody_share'])} now."
        )
    if not total[["closed_m", "opened_m"]].sum():
        return f"No gap closed and none opened: {length(total['gap_m'], units)} of gap in both runs." + _unseen(
            comparison
        )
    return (
        f"Gaps closed on {length(total['closed_m'], units)} of bank ({length(total['closed_clear_m'], units)} of it "
        f"clear) and opened on {length(total['opened_m'], units)} ({length(total['opened_clear_m'], units)} clear): "
        f"{length(total['gap_before_m'], units)} of gap then, {length(total['gap_m'], units)} now."
        + _unseen(comparison)
    )


def _percent(share: float) -> str:
    return "not known" if pd.isna(share) else f"{100 * share:.1f} %"


def _unseen(comparison: Comparison) -> str:
    """Say which metres of gap left or entered the sum without closing or opening."""
    total = comparison.tables["totals"].iloc[-1]
    told = [
        f"{length(total[f'{change}_m'], comparison.units)} {words}"
        for change, words in CHANGE_WORDS.items()
        if change not in ("closed", "opened") and total[f"{change}_m"] > 0
    ]
    return f" Neither closed nor opened: {', '.join(told)}." if told else ""


def works_in_short(comparison: Comparison) -> str:
    """Say what works were done between the runs, and what the cover shows of them."""
    works, units = comparison.tables["works"], comparison.units
    many = len(works)
    return (
        f"{many} work{'s' if many > 1 else ''} that the earlier run did not know lie{'' if many > 1 else 's'} beside "
        f"{length(works['length_m'].sum(), units)} of bank; {length(works['closed_m'].sum(), units)} of gap closed "
        f"there, {length(works['gap_m'].sum(), units)} still count as gap: land cover shows no planting for years."
    )


def ranks_in_short(comparison: Comparison) -> str:
    """Say how many ranks of banks moved, and how many of them by more than the uncertainty."""
    table = comparison.tables["ranks"]
    banks = table[(table["what"] == "bank") & table["moved"].notna()]
    moved = banks[banks["moved"] != 0]
    if not len(moved):
        return f"No rank of the {len(banks):,} banks that are in both runs moved."
    beyond = int((moved["within"] == False).sum())  # noqa: E712 - null is neither
    top = comparison.top_n
    first = [set(banks.loc[banks[name] <= top, "before"]) for name in ("rank_before", "rank")]
    marked = "" if bool(banks["comparable"].all()) else " Ranks came about in two ways: read them as two lists."
    return (
        f"The ranks of {len(moved):,} of {len(banks):,} banks moved, {beyond:,} of them by more than the draws leave "
        f"open; {len(first[1] - first[0])} of the first {top} are new there.{marked}"
    )


def doubts(comparison: Comparison) -> list[str]:
    """Say what the comparison cannot tell."""
    shown = length(comparison.shortest_gap_m, comparison.units)
    table = comparison.tables["inputs"]
    told = [
        f"A stretch counts as clear where it is at least {shown} long and most of it lies in a gap that its run calls "
        "clear; all else may be the grain of the cover and the place of the lines.",
        "Banks, sites and properties are matched by place and side, never by id; at least half of the longer one's "
        "length or area must be shared.",
        "Lengths are summed from stations; the totals that the runs give may differ by one shortest gap a bank.",
    ]
    if ((table["name"] == "land_cover") & (table["meaning"] == "state")).any():
        told.append(
            "Another land cover map differs by what grew and was cut, and by its own errors as well: a map that calls "
            "one cell in ten wrong moves gaps where nothing happened. Look at aerial images before you report a change."
        )
    if comparison.doubtful:
        told.append(
            f"The two runs were made by another gisprio or other libraries, which may move: "
            f"{'; '.join(comparison.doubtful)}. Run the earlier config again with this gisprio to be sure."
        )
    return told + [
        _without_partner(row.what, row.before, row.after, row.matched, row.gone, row.came)
        for row in comparison.tables["unmatched"].itertuples(index=False)
        if row.matched < max(row.before, row.after)
    ]


_MANY = {"bank": "banks", "site": "sites", "property": "properties"}


def _without_partner(what: str, before: int, after: int, matched: int, gone: str, came: str) -> str:
    parts = [f"{before - matched:,} of {before:,} {_MANY[what]} then ({gone})"] if before > matched else []
    parts += [f"{after - matched:,} of {after:,} now ({came})"] if after > matched else []
    return f"Without a partner at their place: {'; '.join(parts)}."
