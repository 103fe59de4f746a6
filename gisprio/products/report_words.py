"""The sentences of the report, made from its numbers: what was asked, the answer, how sure it is."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import pandas as pd

from gisprio.products.budget_curve import price_years
from gisprio.products.report_facts import Facts, Reached, reached_by_banks, reached_by_properties

FOR_THE_TEAM = (
    "For the team and its board: it names properties by their ids, and says where work is most urgent. It is not for "
    "publishing; the map for everybody is written by: gisprio map FOLDER --audience public."
)


def question(facts: Facts) -> list[str]:
    """Say what was asked, and of which watershed."""
    settings, units = facts.results.settings, facts.units
    rule, priority = settings.setback, settings.priority
    also = f" Beside it, further rules were judged: {', '.join(rule.also)}." if rule.also else ""
    combine = {"geometric": "geometric mean", "weighted_sum": "weighted sum"}[priority.combine]
    total = priority.weights.erosion + priority.weights.gap
    shares = ", ".join(f"{key} {100 * value / total:.0f} %" for key, value in priority.weights.model_dump().items())
    name = rule.name.replace("_", " ")
    return [
        f"On which banks of {settings.run.name} should work begin: where is a bank likely to erode, and where does it "
        "lack the strip of cover that the setback asks for?",
        watershed(facts),
        f"The setback is that of the rule {name} ({rule.told}; {rule.kind}); {_listed(rule.counts)} cover counts, "
        f"within {_width(facts, rule.most_m)} {units.m} of the bank line at most.{also}",
        f"The priority of a bank is the {combine} of its two scores ({shares}), on its worst "
        f"{_width(facts, priority.worst_m)} {units.m}. Need begins at a score of {priority.need_at:g} of 100.",
    ]


def watershed(facts: Facts) -> str:
    """Say how large it is: streams, reaches, order, drainage area, sub-watersheds."""
    reaches, units = facts.results.tables["reaches"], facts.units
    km = units.far(reaches["length_m"].sum())
    orders = reaches["strahler_order"]
    area = reaches["drainage_area_km2"].max()
    parts = facts.banks["sub_watershed_id"].nunique()
    named = reaches["name"].nunique()
    far, unit = units.area(area) if pd.notna(area) else (0.0, "")
    drained = f", draining {far:,.1f} {unit} where the area is largest" if pd.notna(area) else ""
    labels = f" Totals are told for {parts} sub-watersheds." if parts > 1 else ""
    streams = f" on {named} named streams" if named else ""
    name, reach = facts.results.settings.run.name, _many(len(reaches), "reach", "reaches")
    return (
        f"{name}: {km:,.1f} {units.km} of stream in {reach}{streams}, of order {_span(orders)}{drained}; each reach "
        f"has a left and a right bank, looking downstream.{labels}"
    )


def answer(facts: Facts) -> list[str]:
    """Give the answer in three sentences: what was ranked, what is lacking, where the most urgent are and how sure."""
    return [_what_is_ranked(facts), what_is_lacking(facts), f"{_where(facts)}; {how_sure(facts)}."]


def _what_is_ranked(facts: Facts) -> str:
    ranked, banks, units = facts.ranked, facts.banks, facts.units
    km = units.far(ranked["length_m"].sum())
    left = banks[banks["rank"].isna()]
    if left.empty:
        return f"All {len(banks):,} banks, {km:,.1f} {units.km} of them, were ranked."
    counts = left["not_ranked"].fillna("no reason told").value_counts().sort_index()
    why = "; ".join(f"{reason} ({count:,})" for reason, count in counts.items())
    return f"{len(ranked):,} of {len(banks):,} banks, {km:,.1f} {units.km} of them, were ranked; not ranked: {why}."


def what_is_lacking(facts: Facts) -> str:
    """Say how much of the ranked bank lacks its setback, clearly or uncertainly, of what is known."""
    ranked, units = facts.ranked, facts.units
    if not facts.measured:
        return (
            "How much of the bank lacks its setback could not be measured, since the land cover is too coarse or not "
            "known there; the ranks stand on erosion and on the share of cover in the strip."
        )
    total, known = ranked["length_m"].sum(), ranked["known_m"].sum()
    clear, unsure = ranked["clear_m"].sum(), ranked["uncertain_m"].sum()
    of = f"Of the {units.far(known):,.1f} {units.km} of ranked bank whose cover is known"
    rest = total - known
    more = f"; of {units.far(rest):,.1f} {units.km} more it is not known" if rest > 0.005 * total else ""
    return (
        f"{of}, {units.far(clear + unsure):,.1f} {units.km} ({_percent((clear + unsure) / known)}) lack the setback: "
        f"{units.far(clear):,.1f} {units.km} clearly, {units.far(unsure):,.1f} {units.km} uncertainly{more}."
    )


def _where(facts: Facts) -> str:
    """Say which bank comes first, and where most of the first ones lie: a stream, or a sub-watershed."""
    top = facts.top
    if top.empty:
        return "No bank has a rank"
    first = top.iloc[0]
    of = f", the {first['side']} bank of {first['name']}" if isinstance(first["name"], str) else ""
    begin = f"The most urgent bank is {first['bank_id']}{of}"
    key, where = ("name", "on") if top["name"].notna().any() else ("sub_watershed_id", "in sub-watershed")
    counts = top[key].value_counts()
    if counts.empty or len(top) < 2:
        return begin
    many = int(counts.max())
    name = min(str(value) for value in counts.index[counts == many])
    lie = "all" if many == len(top) else f"{many}"
    return f"{begin}, and {lie} of the first {len(top)} lie {where} {name}"


def how_sure(facts: Facts) -> str:
    """Say how sure the order of the first is, as a part of a sentence."""
    robust: Mapping[str, Any] = facts.results.record.get("robustness") or {}
    if not robust or not int(robust["top_banks"]):
        return "how sure that is was not drawn"
    top, stay, draws = (int(robust[name]) for name in ("top_banks", "top_staying", "draws"))
    apart, ranked = int(robust["told_apart_to_rank"]), int(robust["ranked_banks"])
    first = (
        f"{stay or 'none'} of the first {top} stay among them in at least 80 % of {draws:,} draws of weights and errors"
    )
    if not stay:
        return f"{first}, so that the list says where to look first, and no order"
    if apart >= ranked:
        return first
    return f"{first}, and beyond rank {apart} a bank cannot be told apart from the middle of the {ranked:,}"


def reached(facts: Facts, banks: Reached) -> list[str]:
    """Say how much of the priority-weighted gap the first banks and properties hold."""
    units, total = facts.units, banks.taken[-1]
    half = banks.needed(0.5)
    told = [
        f"Half of the priority-weighted gap (priority times {units.m} of gap) lies on the first {units.far(half):,.1f} "
        f"{units.km} of bank by rank, {_percent(half / total)} of what is ranked."
    ]
    properties = reached_by_properties(facts.properties)
    if properties is not None:
        many = len(facts.properties)
        need = int(-(-properties.needed(0.5) // 1))
        told.append(f"Half of it lies on the first {need} of {many:,} ranked properties.")
    return told


def reached_rows(facts: Facts) -> pd.DataFrame:
    """Give what the first lengths of bank and numbers of properties reach: ``taken``, ``share``; round steps only."""
    rows: list[tuple[str, float]] = []
    units = facts.units
    banks, properties = reached_by_banks(facts.ranked), reached_by_properties(facts.properties)
    if banks is not None:
        steps = _steps(units.far(banks.taken[-1]), (0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500))
        rows += [(f"the first {step:g} {units.km} of bank", banks.at(step / units.far(1.0))) for step in steps]
    if properties is not None:
        steps = _steps(properties.taken[-1], (5, 10, 20, 50, 100, 200, 500, 1000))
        rows += [(f"the first {step:g} properties", properties.at(step)) for step in steps]
    return pd.DataFrame(rows, columns=["taken", "share"])


def _steps(most: float, steps: Sequence[float], keep: int = 5) -> list[float]:
    """Give the last few of the round steps that are not nearly all."""
    return [step for step in steps if step < 0.9 * most][-keep:]


def measured_rows(facts: Facts) -> pd.DataFrame:
    """Say of what share of the ranked bank each measure is known, and why not: ``what``, ``share``, ``why``."""
    ranked = facts.ranked
    banks = facts.results.tables["banks"]
    own = banks[banks["rank"].notna()]
    length = own["length_m"].to_numpy(float)
    total = max(float(length.sum()), 1e-9)
    reaches = facts.results.tables["reaches"].set_index("reach_id")
    of_reach = reaches.reindex(own["reach_id"])
    rows = [
        ("Width of the buffer, and gaps", ranked["known_m"].sum() / total, ""),
        ("Slope of the stream", _share(of_reach["slope_m_m"], length), ""),
        ("Drainage area", _share(of_reach["drainage_area_km2"], length), _commonest(of_reach["drainage_area_says"])),
        ("Bankfull width and discharge", _share(of_reach["bankfull_width_m"], length), ""),
        ("Bank height", _share(own["bank_height_m"], length), _commonest(own["bank_height_says"])),
        ("Ground free to be planted", _share(own["plantable_area_m2"], length), ""),
        *(_factor_rows(facts)),
    ]
    return pd.DataFrame(rows, columns=["what", "share", "why"])


def _factor_rows(facts: Facts) -> Iterator[tuple[str, float, str]]:
    for row in facts.results.tables["factors"].itertuples():
        weight = f"{row.weight / 10:g} % of the {row.group} score" if row.used else "shown only, not ranked on"
        yield f"Factor: {row.title.lower()}", float(row.known_share), weight


def _share(values: pd.Series, length: Any) -> float:
    total = float(length.sum())
    return float(length[values.notna().to_numpy()].sum()) / total if total else 0.0


def _commonest(says: pd.Series) -> str:
    told = says.dropna()
    return str(told.value_counts().sort_index().idxmax()) if len(told) else ""


def agreement(facts: Facts) -> list[str]:
    """Say how well scores agree with visits; nothing without visits."""
    told: Mapping[str, Any] = facts.results.record.get("agreement") or {}
    if not told:
        return []
    said = [str(told["says"])]
    if told.get("area") is not None:
        area, low, high = (told[name] for name in ("area", "area_low", "area_high"))
        said.append(
            f"A bank seen to erode scores above one that was not in {_percent(area)} of all pairs (95 % interval "
            f"{_percent(low)} to {_percent(high)}; by chance it would be 50 %)."
        )
    said.append(
        f"Scored at the threshold or above: {told['high_eroding']} seen to erode, {told['high_stable']} not. Scored "
        f"below: {told['low_eroding']} seen to erode, {told['low_stable']} not."
    )
    if told.get("misleading"):
        said.append(f"High where banks do not erode: {told['misleading']}.")
    return said


def shortlisted(facts: Facts, made: Mapping[str, Any]) -> list[str]:
    """Say what the shortlist holds, what it costs and does."""
    currency, units, effect = made["currency"], facts.units, made["effect"]
    sites, of, on = len(made["sites"]), made["candidates"], made["properties"]
    spent, low, high = (f"{amount:,.0f}" for amount in (made["spent"]["total"], made["cost_low"], made["cost_high"]))
    return [
        f"Within {made['budget']:,.0f} {currency} at {made['cost']} costs ({price_years(made)}): {sites} of "
        f"{of} candidate sites on {on} properties, {units.far(made['length_m']):,.1f} {units.km} of bank.",
        f"They cost {spent} {currency}, from {low} with everything low to {high} with everything high, and do "
        f"{effect['total']:,.0f} ({effect['unit']}). shortlist.html has the sites, with reasons.",
    ]


def _width(facts: Facts, metres: float) -> str:
    return f"{facts.units.near(metres):.0f}"


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _many(count: int, one: str, more: str) -> str:
    return f"{count:,} {one if count == 1 else more}"


def _span(values: pd.Series) -> str:
    low, high = values.min(), values.max()
    return f"{low}" if low == high else f"{low} to {high}"


def _listed(words: Sequence[str]) -> str:
    return " and ".join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else "".join(words)
