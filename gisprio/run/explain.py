"""Explains a run, and how the rank of a bank, property or site came about, term by term, in plain text."""

from __future__ import annotations

import re
from collections.abc import Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import Any

import pandas as pd

from gisprio.compute.land.changes import ranks_when_closed
from gisprio.contracts.errors import InputError
from gisprio.contracts.findings import listed
from gisprio.contracts.layers import SITES
from gisprio.contracts.references import cited, keys_in
from gisprio.contracts.schema import empty
from gisprio.contracts.words import CAUTION, SIDES
from gisprio.run.changes import change_lines, rank_lines
from gisprio.run.lines import wrapped
from gisprio.run.record import stage_line
from gisprio.run.results import OpenedResults, open_results
from gisprio.run.rules import rule_lines
from gisprio.run.store import last_table
from gisprio.run.strip import strip_lines

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
    """Say how the rank of a bank, a property or a site came about.

    Parameters
    ----------
    folder
        A result folder.
    wanted
        A ``bank_id``, ``property_id`` or ``site_id``.

    Raises
    ------
    InputError
        It is not a result folder, or has no such id; the nearest ids are named.
    """
    results = open_results(folder)
    banks, properties = results.banks, results.properties
    sites = results.sites if "sites" in results.record["counts"] else empty(SITES)  # not in folders of before
    texts = []
    if (banks["bank_id"] == wanted).any():
        texts.append(bank_text(banks[banks["bank_id"] == wanted].iloc[0], results))
    if (properties["property_id"] == wanted).any():
        texts.append(property_text(properties[properties["property_id"] == wanted].iloc[0], results))
    if (sites["site_id"] == wanted).any():
        texts.append(site_text(sites[sites["site_id"] == wanted].iloc[0], results))
    if not texts:
        raise unknown_id(wanted, [*banks["bank_id"], *properties["property_id"], *sites["site_id"]])
    return "\n\n".join([*texts, CAUTION])


def unknown_id(wanted: str, ids: list[str]) -> InputError:
    """Word that an id is not in the results, naming the nearest."""
    folded = {name.casefold(): name for name in reversed(ids)}
    near = [folded[name] for name in get_close_matches(wanted.casefold(), list(folded), n=3, cutoff=0.5)]
    return InputError(
        f"there is no bank, property or site {wanted!r} in these results.",
        wanted="a bank_id, property_id or site_id as banks.csv, properties.csv and sites.csv hold them.",
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
        *rule_lines(bank["bank_id"], results.bank_setbacks, bank["setback_rule"]),
        *retreat_lines(bank),
        *strip_lines(bank, results.record.get("crs", "")),
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
        if factor["used"] or pd.notna(bank[f"{factor['key']}_score"]):
            lines += wrapped(f"{_factor_line(bank, factor)} [{behind(factor)}]", 4, 6)
    unknown = [row["title"] for row in factors if not row["used"] and pd.isna(bank[f"{row['key']}_score"])]
    return lines + (wrapped(f"Neither ranked on nor known here: {', '.join(unknown)}", 4, 6) if unknown else [])


def _factor_line(bank: pd.Series, factor: Mapping[str, Any]) -> str:
    key, digits = factor["key"], factor.get("digits")
    value = _number(bank[factor["value_column"]], 1 if digits is None else int(digits), factor["unit"] or "")
    score, basis = bank[f"{key}_score"], _text(bank[f"{key}_basis"], "missing")
    head = f"{factor['title']}: {value} ({basis}), score {_number(score, 1)}"
    if not factor["used"]:
        return head + (f": the {factor['group']} score is not below it" if factor.get("floors") else ", not ranked on")
    points = "null" if pd.isna(score) else f"{float(score) * factor['weight'] / 1000:.2f}"
    weighed = f"{head} x weight {factor['weight'] / 10:g} % = {points} points"
    if not factor.get("scaled_says"):
        return weighed
    share = bank.get(factor.get("scaled_by") or "")
    times = "" if share is None else f"{_number(share, 2)}, "
    return f"{weighed}; in the score: times {times}{factor['scaled_says']}"


def behind(factor: Mapping[str, Any]) -> str:
    """Say in few words what stands behind the value function of a factor: its sources, and how far they were seen.

    Parameters
    ----------
    factor
        A row of the table of factors.
    """
    source, status = str(factor["source"]), str(factor.get("status") or "")
    if not keys_in(source):
        return cited(source)
    seen = "numbers from memory" if "memory" in status else "published"
    own = ", in part own" if re.search(r"\bown\b", status) else ""
    return f"{cited(source)}: {seen}{own}"


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
        *rank_lines(bank, results.record),
        *change_lines(bank, results),
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
        *rank_lines(row, results.record),
        *neighbour_lines(row),
        "",
    ]
    frontages = _frontages(results)
    if frontages is None:
        return "\n".join([*lines, "  Its banks are not listed: the store (.gisprio) was cleaned; run again."])
    own = frontages[frontages["property_id"] == row["property_id"]]
    lines += _banks_of_property(own, ranks_when_closed(results.properties, own[own["priority"].notna()]))
    return "\n".join([*lines, *_neighbours(own, frontages)])


def _frontages(results: OpenedResults) -> pd.DataFrame | None:
    """Give every frontage with its bank, the most urgent bank first; None without the store."""
    frontages, reaches = (last_table(results.folder, name) for name in ("frontages", "reach_measures"))
    if frontages is None or reaches is None:
        return None
    joined = frontages.merge(pd.DataFrame(reaches[["reach_no", "reach_id"]]), on="reach_no")
    joined["side"] = joined["side"].map({0: "left", 1: "right"})
    banks = pd.DataFrame(results.banks[["bank_id", "reach_id", "side", "priority", "rank"]])
    joined = joined.merge(banks, on=["reach_id", "side"])
    return joined.sort_values(["rank", "bank_id", "property_id"], na_position="last", ignore_index=True)


def _banks_of_property(own: pd.DataFrame, closed: pd.Series | None) -> list[str]:
    """List the banks of a property; where it has a rank, also which bank carries it and what closing its gap does."""
    lines = []
    for place, bank in own.iterrows():
        rank = None if closed is None else closed.get(place)
        after = "" if rank is None else f"; that gap closed, the property has rank {rank}"
        lines.append(
            f"  {bank['bank_id']}: {_number(bank['frontage_m'], 0, 'm')} of frontage, "
            f"gap {_number(bank['gap_length_m'], 0, 'm')}, priority {_number(bank['priority'], 2)}, "
            f"rank {_number(bank['rank'], 0)}{after}"
        )
    if closed is None or not len(closed):
        return lines
    most = own.loc[closed.index].sort_values("gap_length_m", ascending=False, kind="stable").iloc[0]
    share = 100 * most["gap_length_m"] / own.loc[closed.index, "gap_length_m"].sum()
    held = "Gap closed: by the keys, all priorities and other properties held."
    return [*lines, *wrapped(f"Carried most by {most['bank_id']}, {share:.0f} % of its gap. {held}", 2, 4)]


def _neighbours(own: pd.DataFrame, frontages: pd.DataFrame) -> list[str]:
    """Name the other properties along the same banks, those with the longest gap there first."""
    beside = frontages[frontages["bank_id"].isin(own["bank_id"]) & ~frontages.index.isin(own.index)]
    beside = beside.sort_values("gap_length_m", ascending=False, kind="stable", na_position="last")
    told = [
        f"{one['property_id']} on {one['bank_id']} (gap {_number(one['gap_length_m'], 0, 'm')})"
        for one in beside.to_dict("records")
    ]
    return wrapped(f"Neighbours on these banks: {listed(told)}.", 2, 4) if told else []


def neighbour_lines(row: pd.Series) -> list[str]:
    """Name the properties whose gaps meet a property's own; nothing where there are none."""
    names = row.get("joint_neighbours")
    if not isinstance(names, str):
        return []
    metres = _number(row["joint_gap_m"], 0, "m")
    return wrapped(f"Its gap meets that of {names}: {metres} of it run on onto them or lie opposite theirs.", 2, 4)


def site_text(site: pd.Series, results: OpenedResults) -> str:
    """Explain one site: where it was cut, what it asks for and why, its scores, its neighbours, its prompts."""
    asked = results.record["settings"]["sites"]
    on = f"on property {site['property_id']}" if isinstance(site["property_id"], str) else "on no property known"
    lines = [
        f"Site {site['site_id']}: {_number(site['length_m'], 0, 'm')} of bank {site['bank_id']} "
        f"({_text(site['name'], 'a stream without a name')}), {on}",
        f"  from {_number(site['from_m'], 0)} to {_number(site['to_m'], 0, 'm')} upstream of the reach's lower end; "
        f"strip {_number(site['setback_m'], 1, 'm')} wide, {_number(site['area_m2'], 0, 'm2')}, "
        f"of it to plant {_number(site['plantable_area_m2'], 0, 'm2')}; gap {_number(site['gap_length_m'], 0, 'm')}"
        + (f" ({site['certainty']})" if isinstance(site["certainty"], str) else ""),
        *wrapped(
            f"Cut where stations score {asked['score_at']:g} or more ([sites] score_at), interruptions up to "
            f"{asked['merge_m']:g} m bridged; parted at crossings, reaches and properties; shorter than "
            f"{asked['site_min_length_m']:g} m dropped, longer than {asked['site_max_length_m']:g} m split.",
            2,
            4,
        ),
        *wrapped(f"Measure: {site['measure']}. {site['why_measure']}", 2, 4),
        *_site_factors(site, results),
        "",
        f"  Priority {_number(site['priority'], 2)} of 100: "
        + combined_in_words(results.record["settings"]["priority"], site["erosion_score"], site["gap_score"]),
        f"  Rank {_number(site['rank'], 0)} of {len(results.sites)} sites",
    ]
    if isinstance(site["joint_sites"], str):
        others = f", on {site['joint_properties']}" if isinstance(site["joint_properties"], str) else ""
        lines += wrapped(f"Goes together with {site['joint_sites']}{others}.", 2, 4)
    told = [site[name] for name in site.index if name.startswith("prompt_") and isinstance(site[name], str)]
    lines += ["", "  Ask first (prompts, not advice)"] if told else []
    return "\n".join([*lines, *(line for text in told for line in wrapped(f"- {text}", 4, 6))])


def _site_factors(site: pd.Series, results: OpenedResults) -> list[str]:
    """Tell the factors of a site on its worst stretch, as the store keeps them."""
    pieces, reaches = (last_table(results.folder, name) for name in ("site_pieces", "reach_measures"))
    if pieces is None or reaches is None:
        return ["", "  Its factors are not listed: the store (.gisprio) was cleaned; run again."]
    number = reaches.loc[reaches["reach_id"] == site["reach_id"], "reach_no"].iloc[0]
    same = (pieces["reach_no"] == number) & (pieces["side"] == SIDES.index(site["side"]))
    near = (pieces["from_m"] - site["from_m"]).abs().where(same)
    own, bank = pieces.loc[near.idxmin()], results.banks.set_index("bank_id").loc[site["bank_id"]]
    factors = results.record["factors"]
    keys = [row["key"] for row in factors]
    bases = {f"{key}_basis": "missing" if pd.isna(own[f"{key}_score"]) else bank[f"{key}_basis"] for key in keys}
    row = pd.concat([own, site[["erosion_score", "gap_score"]]])
    row = pd.concat([row.drop(list(bases)), pd.Series(bases, dtype=object)])
    row["freedom_to_move"] = bank["freedom_to_move"]
    return [
        line
        for group in _GROUPS
        for line in _group_lines(group, row, [one for one in factors if one["group"] == group])
    ]


def _number(value: Any, digits: int, unit: str = "") -> str:
    if value is None or pd.isna(value):
        return "null"
    return f"{float(value):.{digits}f}" + (f" {unit}" if unit else "")


def _text(value: Any, otherwise: str) -> str:
    return value if isinstance(value, str) and value else otherwise
