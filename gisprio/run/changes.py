"""What would change the rank of a bank, in words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from gisprio.compute.factors import FACTORS
from gisprio.compute.scoring.changes import Standing
from gisprio.contracts.settings import Priority
from gisprio.run.lines import wrapped
from gisprio.run.results import OpenedResults

FIRST = 10


def rank_lines(row: pd.Series, record: Mapping[str, Any]) -> list[str]:
    """Say in words how far the rank of a bank or a property may be off, by the draws; nothing where it has none.

    Parameters
    ----------
    row
        With ``rank_p05``, ``rank_p95``, ``top_share``, perhaps ``rank_p50``.
    record
        Content of run.json.
    """
    robustness = record["settings"]["robustness"]
    if pd.isna(row["rank_p05"]) or pd.isna(row["rank_p95"]):
        return []
    half = f", in half of them {row['rank_p50']:.0f} or better" if "rank_p50" in row else ""
    return wrapped(
        f"In 90 % of {robustness['draws']:,} draws of weights and errors its rank is {row['rank_p05']:.0f} to "
        f"{row['rank_p95']:.0f}{half}; in the top {robustness['top_n']} in {100 * row['top_share']:.0f} %.",
        2,
        4,
    )


def change_lines(bank: pd.Series, results: OpenedResults) -> list[str]:
    """Say what would change the rank of a ranked bank.

    Parameters
    ----------
    bank
        A row of layer ``banks`` with a rank.
    results
        The result folder.
    """
    record = results.record
    lines = ["", "  What would change its rank: one score, or the weights, all else held"]
    standing = standing_of(bank, results)
    if standing is None:
        return [*lines, "    Not told: these results do not give their own ranks again. Run again with this gisprio."]
    top = int(record["settings"]["robustness"]["top_n"])
    for first in sorted({FIRST, top}):
        lines += wrapped(_scores(standing, record["factors"], first), 4, 6)
    lines += wrapped(_weights(standing, top), 4, 6)
    return lines + wrapped(_look_first(standing, bank), 4, 6)


def standing_of(bank: pd.Series, results: OpenedResults) -> Standing | None:
    """Give a bank among the ranked ones; None where the results do not give their own ranks again."""
    ranked = pd.DataFrame(results.banks[results.banks["rank"].notna()]).drop(columns="geometry", errors="ignore")
    ranked = ranked.reset_index(drop=True)
    floors = {one.card.score_column: np.nan for one in FACTORS if one.card.floors}
    ranked = ranked.assign(**{name: gone for name, gone in floors.items() if name not in ranked})  # of an older run
    used = [row for row in results.record["factors"] if row["used"]]
    settings = results.record["settings"]["priority"]
    priority = Priority(combine=settings["combine"], weights=settings["weights"])
    standing = Standing(ranked, int(np.flatnonzero(ranked["bank_id"] == bank["bank_id"])[0]), used, priority)
    return standing if standing.agrees() else None


def _scores(standing: Standing, factors: list[Mapping[str, Any]], first: int) -> str:
    """Say with which score of one factor the bank would enter or leave the first so many."""
    inside = standing.is_in(first)
    if inside is None:
        return f"All {len(standing.banks)} ranked banks are among the first {first}."
    moves, others = [], []
    for row in _movable(standing, factors):
        score = standing.score_that_moves(row["key"], first)
        if score is None:
            others.append(row["title"])
        else:
            moves.append(f"{row['title']} at {score:.1f} or {'less' if inside else 'more'}")
    words = [", or ".join(moves)] if moves else []
    words += [f"nothing within 0..100 of {', '.join(others)} would"] if others else []
    return f"{'Out of' if inside else 'Into'} the first {first}: {'; '.join(words)}."


def _movable(standing: Standing, factors: list[Mapping[str, Any]]) -> Iterator[Mapping[str, Any]]:
    """Give the factors whose score makes the bank's: those ranked on, and those observed on it that floor a group."""
    for row in factors:
        if row["used"] or (row.get("floors") and pd.notna(standing.banks[f"{row['key']}_score"].iloc[standing.row])):
            yield row


def _weights(standing: Standing, top: int) -> str:
    inside, now, percent = standing.is_in(top), standing.share(), standing.share_that_moves(top)
    if inside is None:
        return "Weights of erosion and gap: all ranked banks are in the top whatever they are."
    where = f"{'out of' if inside else 'into'} the first {top}"
    if percent is None:
        return f"Weights of erosion and gap: nothing within 0..100 % would bring it {where}."
    return (
        f"Weights of erosion and gap: {percent} and {100 - percent} % (now {now} and {100 - now} %) would bring it "
        f"{where}."
    )


def _look_first(standing: Standing, bank: pd.Series) -> str:
    """Name the values it is ranked on that are not known, the one that leaves its rank most open first."""
    unknown = [row for row in standing.used if bank[f"{row['key']}_basis"] in ("default", "missing")]
    if not unknown:
        return "No value it is ranked on is missing."
    spans = [(row["title"], *standing.ranks_by(row["key"])) for row in unknown]
    spans.sort(key=lambda span: span[1] - span[2])
    told = (
        f"{title}, by which alone its rank may be {best} to {worst}"
        if best < worst
        else f"{title}, by which alone it stays"
        for title, best, worst in spans
    )
    return f"Go and look at what is not known: {'; then '.join(told)}."
