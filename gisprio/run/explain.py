"""Explains a run, and how the rank of a bank or property came about, term by term, in plain text."""

from __future__ import annotations

from collections.abc import Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import Any

import pandas as pd

from gisprio.contracts.errors import InputError
from gisprio.contracts.words import CAUTION
from gisprio.run.record import stage_line
from gisprio.run.results import OpenedResults, open_results
from gisprio.run.store import last_table

_GROUPS = ("erosion", "gap")
_NEED_WORDS = {
    "both": "erosion and gap both reach the threshold",
    "erosion_only": "only erosion reaches the threshold: look first",
    "gap_only": "only gap reaches the threshold",
    "none": "neither reaches the threshold",
}


def explain_run(folder: str | Path) -> str:
    """Say what ran, what was kept and why.

    Parameters
    ----------
    folder
        A result folder.

    Raises
    ------
    InputError
        It is not a result folder.
    """
    record = open_results(folder).record
    lines = [
        f"{record['name']}, gisprio {record['gisprio']}",
        f"started {record['started']}, finished {record['finished']}",
        "",
        *(stage_line(stage) for stage in record["stages"]),
        "",
        *(f"{name}: {count}" for name, count in record["counts"].items()),
        "findings: " + ", ".join(f"{count} {severity}s" for severity, count in record["findings"].items()),
        "",
        CAUTION,
    ]
    return "\n".join(lines)


def explain_id(folder: str | Path, wanted: str) -> str:
    """Say how the rank of a bank or a property came about.

    Parameters
    ----------
    folder
        A result folder.
    wanted
        A ``bank_id`` or ``property_id``.

    Raises
    ------
    InputError
        It is not a result folder, or has no such id; the nearest ids are named.
    """
    results = open_results(folder)
    banks, properties = results.banks, results.properties
    texts = []
    if (banks["bank_id"] == wanted).any():
        texts.append(bank_text(banks[banks["bank_id"] == wanted].iloc[0], results))
    if (properties["property_id"] == wanted).any():
        texts.append(property_text(properties[properties["property_id"] == wanted].iloc[0], results))
    if not texts:
        raise unknown_id(wanted, [*banks["bank_id"], *properties["property_id"]])
    return "\n\n".join([*texts, CAUTION])


def unknown_id(wanted: str, ids: list[str]) -> InputError:
    """Word that an id is not in the results, naming the nearest."""
    folded = {name.casefold(): name for name in reversed(ids)}
    near = [folded[name] for name in get_close_matches(wanted.casefold(), list(folded), n=3, cutoff=0.5)]
    return InputError(
        f"there is no bank or property {wanted!r} in these results.",
        wanted="a bank_id or property_id as banks.csv and properties.csv hold them.",
        do=f"did you mean {', '.join(near)}?" if near else "look it up there, or click it on the map.",
    )


def bank_text(bank: pd.Series, results: OpenedResults) -> str:
    """Explain one bank: measures, each factor, both scores, how they are combined, the three ranks."""
    lines = [
        f"Bank {bank['bank_id']}: {bank['side']} bank of {_text(bank['name'], 'a stream without a name')}, "
        f"{_number(bank['length_m'], 0, 'm')}, {bank['kind']}",
        f"  {bank['why']}",
        f"  setback {_number(bank['setback_m'], 1, 'm')} ({bank['setback_rule']}, {bank['setback_kind']}), "
        f"measured from: {_text(bank['bank_line_basis'], 'no bank line')}",
        f"  buffer width {_number(bank['buffer_width_m'], 1, 'm')} (median), "
        f"gap {_number(bank['gap_length_m'], 0, 'm')}, {_number(bank['gap_area_m2'], 0, 'm2')}, "
        f"adjacent cover: {_text(bank['adjacent_cover'], 'unknown')}",
        *retreat_lines(bank),
    ]
    factors = results.record["factors"]
    for group in _GROUPS:
        lines += _group_lines(group, bank, [row for row in factors if row["group"] == group])
    lines += _combined_lines(bank, results)
    return "\n".join(lines)


def retreat_lines(bank: Mapping[Any, Any]) -> list[str]:
    """Say what bank lines of two dates show of a bank, and what they could show; nothing where there are none."""
    least, rate = bank.get("least_retreat_m_y"), bank.get("retreat_m_y")
    if least is None or pd.isna(least):
        return []
    what = "no retreat detectable"
    if rate is not None and not pd.isna(rate):
        what = f"retreat {rate:.2f} m/y" if rate > 0 else f"the bank grew by {-rate:.2f} m/y: no erosion"
    return [f"  bank lines of two dates: {what}; smallest detectable {least:.2f} m/y"]


def _group_lines(group: str, bank: pd.Series, factors: list[dict[str, Any]]) -> list[str]:
    score = bank[f"{group}_score"]
    lines = ["", f"  {group.capitalize()} score {_number(score, 2)} of 100"]
    for factor in factors:
        lines.append(_factor_line(bank, factor))
        if factor.get("scaled_says"):
            share = bank.get(factor.get("scaled_by") or "")
            times = "" if share is None else f"{_number(share, 2)}, "
            lines.append(f"      in the score: times {times}{factor['scaled_says']}")
    return lines


def _factor_line(bank: pd.Series, factor: Mapping[str, Any]) -> str:
    key = factor["key"]
    value = _number(bank[factor["value_column"]], int(factor.get("digits") or 1), factor["unit"] or "")
    score, basis = bank[f"{key}_score"], _text(bank[f"{key}_basis"], "missing")
    head = f"    {factor['title']}: {value} ({basis}), score {_number(score, 1)}"
    if not factor["used"]:
        return head + (f": the {factor['group']} score is not below it" if factor.get("floors") else ", not ranked on")
    points = "null" if pd.isna(score) else f"{float(score) * factor['weight'] / 1000:.2f}"
    return head + f" x weight {factor['weight'] / 10:g} % = {points} points"


def _combined_lines(bank: pd.Series, results: OpenedResults) -> list[str]:
    if isinstance(bank["not_ranked"], str):
        return ["", f"  Not ranked: {bank['not_ranked']}."]
    priority = results.record["settings"]["priority"]
    ranked = results.record["counts"].get("ranked_banks", len(results.banks))
    return [
        "",
        f"  Priority {_number(bank['priority'], 2)} of 100: "
        + combined_in_words(priority, bank["erosion_score"], bank["gap_score"]),
        f"  Need: {_NEED_WORDS.get(bank['need'], 'not known')} ({priority['need_at']:g})",
        f"  Rank {_number(bank['rank'], 0)} of {ranked}; by erosion {_number(bank['erosion_rank'], 0)}, "
        f"by gap {_number(bank['gap_rank'], 0)}",
    ]


def combined_in_words(priority: Mapping[str, Any], erosion: float, gap: float) -> str:
    """Say how the two scores are put together, as ``[priority] combine`` says."""
    weights = priority["weights"]
    if pd.isna(erosion) or pd.isna(gap):
        return f"the {'gap' if pd.isna(erosion) else 'erosion'} score alone, the other is not known"
    total = weights["erosion"] + weights["gap"]
    a, b = 100 * weights["erosion"] / total, 100 * weights["gap"] / total
    if priority["combine"] == "weighted_sum":
        return f"{a:g} % of {_number(erosion, 2)} + {b:g} % of {_number(gap, 2)}"
    return (
        f"{_number(max(erosion, 10.0), 2)} ^ {a / 100:g} x {_number(max(gap, 10.0), 2)} ^ {b / 100:g} "
        "(geometric; a score counts as 10 at least)"
    )


def property_text(row: pd.Series, results: OpenedResults) -> str:
    """Explain one property: its frontage, its banks, the product that ranks it."""
    ranked = results.record["counts"].get("ranked_properties", len(results.properties))
    lines = [
        f"Property {row['property_id']}",
        f"  frontage {_number(row['frontage_m'], 0, 'm')}, gap {_number(row['gap_length_m'], 0, 'm')}, "
        f"{_number(row['gap_area_m2'], 0, 'm2')}",
        f"  Priority {_number(row['priority'], 2)} of 100: mean of its ranked banks, weighed by frontage",
        f"  Priority times metres of gap on ranked banks: {_number(row['priority_gap_m'], 1)}; "
        f"rank {_number(row['rank'], 0)} of {ranked}",
        "",
    ]
    frontages, reaches = (last_table(results.folder, name) for name in ("frontages", "reach_measures"))
    if frontages is None or reaches is None:
        return "\n".join([*lines, "  Its banks are not listed: the store (.gisprio) was cleaned; run again."])
    own = frontages[frontages["property_id"] == row["property_id"]].merge(
        pd.DataFrame(reaches[["reach_no", "reach_id"]]), on="reach_no"
    )
    own["side"] = own["side"].map({0: "left", 1: "right"})
    banks = pd.DataFrame(results.banks[["bank_id", "reach_id", "side", "priority", "rank"]])
    own = own.merge(banks, on=["reach_id", "side"]).sort_values(["rank", "bank_id"], na_position="last")
    lines += [
        f"  {bank['bank_id']}: {_number(bank['frontage_m'], 0, 'm')} of frontage, "
        f"gap {_number(bank['gap_length_m'], 0, 'm')}, priority {_number(bank['priority'], 2)}, "
        f"rank {_number(bank['rank'], 0)}"
        for bank in own.to_dict("records")
    ]
    return "\n".join(lines)


def _number(value: Any, digits: int, unit: str = "") -> str:
    if value is None or pd.isna(value):
        return "null"
    return f"{float(value):.{digits}f}" + (f" {unit}" if unit else "")


def _text(value: Any, otherwise: str) -> str:
    return value if isinstance(value, str) and value else otherwise
