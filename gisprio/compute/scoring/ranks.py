"""Ranks of banks and reaches, from whole keys; need, and the reason in one sentence."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from gisprio.compute.banks.gaps import SIDE_LETTERS, uncertain_findings
from gisprio.compute.factors import FACTORS, Registered, factors_of, layer_with_factors
from gisprio.compute.network.curves import Curve, curve_set
from gisprio.compute.scoring.ground import ground_columns
from gisprio.compute.scoring.keys import ranks
from gisprio.compute.scoring.orders import rank_rows, with_whole_weights
from gisprio.compute.scoring.reasons import why_not_ranked, why_sentence
from gisprio.compute.scoring.strip_meaning import strip_meaning
from gisprio.compute.scoring.values import nodes_of
from gisprio.compute.setbacks.findings import rule_findings
from gisprio.contracts.cards import Factor, Output, Sources, Tables
from gisprio.contracts.constants import URBAN_SHARE
from gisprio.contracts.findings import Finding, findings_table
from gisprio.contracts.layers import BANK_SETBACKS, BANKS, GAPS, REACHES
from gisprio.contracts.schema import empty
from gisprio.contracts.settings import Priority, Settings
from gisprio.contracts.words import SIDES

_DRAWS = ("rank_p05", "rank_p50", "rank_p95", "top_share")


def rank_banks(tables: Tables, sources: Sources, settings: Settings) -> Output:
    """Rank banks by erosion, gap and both; give reaches the priority of their more urgent bank.

    Parameters
    ----------
    tables
        ``reach_measures``, ``bank_measures``, ``bank_asked``, ``further_setbacks``, ``gap_pieces``, ``bank_ground``,
        ``constraints``, ``roads``, ``visit_places``.
    sources
        None.
    settings
        Sections ``priority``, ``factor``, ``setback``, ``hydraulics``.

    Returns
    -------
    dict
        ``banks``, ``reaches``, ``gaps``, ``bank_setbacks``, ``factors`` and ``findings``.

    Notes
    -----
    A factor counts for the whole run or not at all: where it is known on less than ``factor_coverage`` of the ranked
    banks it is shown and not ranked on. A single missing value takes the card's neutral score, basis default.
    """
    priority = settings.priority
    measures = tables["bank_measures"].merge(tables["bank_asked"], on=["reach_no", "side"], validate="one_to_one")
    banks = _named(measures, tables["reach_measures"], settings)
    ground = ground_columns(tables["bank_measures"], tables)
    banks[ground.columns] = ground
    stream_width = banks["reach_no"].map(tables["reach_measures"].set_index("reach_no")["bankfull_width_m"])
    meaning = strip_meaning(banks["buffer_width_m"], banks["setback_m"], stream_width)
    banks[meaning.columns] = meaning
    seen = last_verdicts(tables["bank_measures"], tables["visit_places"])
    banks["not_ranked"] = [
        why_not_ranked(
            kind,
            length,
            priority.ranked_kinds,
            outside=outside,
            planted=planted,
            island=island,
            visited=visited,
            at_desk=bool(at_desk),
        )
        for kind, length, outside, planted, island, visited, at_desk in zip(
            banks["kind"],
            banks["length_m"],
            banks["outside"],
            ground["planted_year"],
            ground["island"],
            seen["verdict"],
            seen["at_desk"],
            strict=True,
        )
    ]
    ranked = banks["not_ranked"].isna().to_numpy()
    registry = factors_of(settings)
    factors = factor_table(banks[ranked], priority, registry)
    _fill_missing(banks, ranked, factors, registry)
    orders = rank_rows(banks, ranked, factors, priority)
    banks[orders.columns] = orders
    cards = factors.to_dict("records")
    banks["why"] = [why_sentence(bank, cards) for bank in banks.drop(columns="geometry").to_dict("records")]
    gaps = _gaps(tables["gap_pieces"], banks, settings)
    return {
        "banks": banks[[*layer_with_factors(BANKS, registry).names(), "geometry"]],
        "reaches": _reaches(tables["reach_measures"], banks),
        "gaps": gaps,
        "bank_setbacks": bank_setbacks(banks, tables["further_setbacks"]),
        "factors": factors,
        "findings": findings_table(
            [
                *_findings(banks, ranked, factors, priority),
                *_without_weight(factors, settings.factor),
                *uncertain_findings(tables["gap_pieces"]),
                *rule_findings(banks, settings.setback),
                *urban_findings(banks, curve_set(settings.hydraulics)),
            ]
        ),
    }


def last_verdicts(banks: pd.DataFrame, places: pd.DataFrame) -> pd.DataFrame:
    """Give what the latest visit that says so found of each bank; where no visit does, the latest look at the desk.

    Parameters
    ----------
    banks
        (n,) ``reach_no``, ``side``.
    places
        ``visit_places``.

    Returns
    -------
    DataFrame
        (n,) ``verdict``, None where nobody says any, and ``at_desk``.
    """
    told = places[places["verdict"].notna()].assign(there=~places["at_desk"].astype(bool))
    told = told.sort_values(["there", "date_y"], kind="stable", na_position="first")
    last = told.drop_duplicates(["reach_no", "side"], keep="last")
    banks_told = zip(last["reach_no"], last["side"], strict=True)
    found = dict(zip(banks_told, zip(last["verdict"], last["at_desk"], strict=True), strict=True))
    of_banks = [found.get(bank, (None, False)) for bank in zip(banks["reach_no"], banks["side"], strict=True)]
    return pd.DataFrame(of_banks, columns=["verdict", "at_desk"], dtype=object)


def _named(measures: pd.DataFrame, reaches: pd.DataFrame, settings: Settings) -> gpd.GeoDataFrame:
    """Join reach attributes to banks and name them; reach order, left before right."""
    columns = ["reach_no", "reach_id", "name", "kind", "sub_watershed_id", "outside"]
    banks = gpd.GeoDataFrame(measures.merge(pd.DataFrame(reaches[columns]), on="reach_no", validate="many_to_one"))
    letters = np.array(SIDE_LETTERS)[banks["side"].to_numpy(int)]
    banks["bank_id"] = [f"{reach}-{letter}" for reach, letter in zip(banks["reach_id"], letters, strict=True)]
    banks["side"] = np.array(SIDES)[banks["side"].to_numpy(int)]
    banks["setback_rule"] = settings.setback.name
    banks["setback_kind"] = settings.setback.kind
    banks["buffer_width_basis"] = np.where(banks["buffer_width_m"].notna(), "measured", "missing")
    for absent in _DRAWS:
        banks[absent] = np.nan
    return banks


def factor_table(ranked: pd.DataFrame, priority: Priority, registry: Sequence[Registered] = FACTORS) -> pd.DataFrame:
    """Give one row a factor: its card, weight per mille, whether it is ranked on, share of banks it is known on."""
    cards = {registered.card.key: registered.card for registered in registry}
    rows = [_factor_row(card, ranked, priority) for card in cards.values()]
    return with_whole_weights(pd.DataFrame(rows))


def _factor_row(card: Factor, ranked: pd.DataFrame, priority: Priority) -> dict[str, object]:
    given = getattr(priority, card.group).get(card.key, 0.0)
    known = float((ranked[card.basis_column] != "missing").mean()) if len(ranked) else 0.0
    return {
        "key": card.key,
        "group": card.group,
        "title": card.title,
        "unit": card.unit,
        "digits": card.digits,
        "value_column": card.value_column,
        "basis_column": card.basis_column,
        "score_column": card.score_column,
        "worst_column": card.worst_column,
        "given_weight": float(given),
        "weight": 0,
        "known_share": known,
        "used": bool(given > 0 and known >= priority.factor_coverage),
        "neutral": card.neutral,
        "nodes": "; ".join(f"{value:g}: {score:.3g}" for value, score in nodes_of(card, priority)),
        "says": card.says,
        "because": card.because,
        "floors": card.floors,
        "shares": card.shares,
        "scaled_by": card.scaled_by,
        "scaled_says": card.scaled_says,
        "source": card.source if card.key not in priority.nodes else "config",
        "status": card.status,
    }


def with_scores(
    stretches: pd.DataFrame, factors: pd.DataFrame, priority: Priority, registry: Sequence[Registered]
) -> pd.DataFrame:
    """Give stretches of bank their scores, priority and ranks among each other, as banks get them.

    Parameters
    ----------
    stretches
        With score, worst score and basis of each factor.
    factors
        Table of factors of the run: weights, and which are ranked on.
    priority, registry
        Section ``priority``; every factor.
    """
    table, all_of_them = stretches.copy(), np.ones(len(stretches), bool)
    _fill_missing(table, all_of_them, factors, registry)
    orders = rank_rows(table, all_of_them, factors, priority)
    table[orders.columns] = orders
    return table


def _fill_missing(
    banks: pd.DataFrame, ranked: np.ndarray, factors: pd.DataFrame, registry: Sequence[Registered]
) -> None:
    """Give ranked banks the neutral score where a factor that is ranked on is missing; basis default."""
    used = set(factors.loc[factors["used"], "key"])
    for card in (registered.card for registered in registry if registered.card.key in used):
        gone = ranked & (banks[card.basis_column] == "missing").to_numpy()
        banks.loc[gone, [card.score_column, card.worst_column]] = card.neutral * 100
        banks.loc[gone, card.basis_column] = "default"


def _reaches(measures: pd.DataFrame, banks: pd.DataFrame) -> pd.DataFrame:
    first = banks.sort_values(["rank", "bank_id"], na_position="last").drop_duplicates("reach_id").set_index("reach_id")
    reaches = measures.drop(columns=["reach_no", "segment_no", "from_m", "to_m", "outside"]).copy()
    for column in ("not_ranked", "erosion_score", "gap_score", "priority"):
        reaches[column] = first[column].reindex(reaches["reach_id"]).to_numpy()
    reaches["gap_length_m"] = (
        banks.groupby("reach_id")["gap_length_m"].sum(min_count=1).reindex(reaches["reach_id"]).to_numpy()
    )
    reaches["rank"] = pd.array([pd.NA] * len(reaches), dtype="Int64")
    known = reaches["priority"].notna()
    best = banks.groupby("reach_id")["rank"].min().reindex(reaches.loc[known, "reach_id"])
    reaches.loc[known, "rank"] = ranks(-best.to_numpy(np.int64))
    for absent in ("rank_p05", "rank_p95", "top_share"):
        reaches[absent] = np.nan
    return reaches[[*REACHES.names(), "geometry"]]


def _gaps(pieces: pd.DataFrame, banks: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    if not len(pieces):
        return empty(GAPS, getattr(banks, "crs", None))
    gaps = pieces.merge(
        banks[["reach_no", "reach_id"]].drop_duplicates("reach_no"), on="reach_no", validate="many_to_one"
    )
    gaps["bank_id"] = gaps["gap_id"].str.rsplit("-", n=1).str[0]
    gaps["side"] = np.array(SIDES)[gaps["side"].to_numpy(int)]
    gaps["rule"] = settings.setback.name
    gaps["length_m"] = gaps["to_m"] - gaps["from_m"]
    return gaps[[*GAPS.names(), "geometry"]]


def bank_setbacks(banks: pd.DataFrame, further: pd.DataFrame) -> pd.DataFrame:
    """Give each bank under each rule, the rule that ranks first."""
    sides = pd.Series(banks["side"]).map({name: number for number, name in enumerate(SIDES)})
    named = pd.DataFrame({"reach_no": banks["reach_no"], "side": sides, "bank_id": banks["bank_id"]})
    others = named.merge(further, on=["reach_no", "side"], validate="one_to_many")
    own = pd.DataFrame(banks.rename(columns={"setback_rule": "rule"})[BANK_SETBACKS.names()])
    return pd.concat([own, others[BANK_SETBACKS.names()]], ignore_index=True) if len(others) else own


def _findings(banks: pd.DataFrame, ranked: np.ndarray, factors: pd.DataFrame, priority: Priority) -> list[Finding]:
    unused = factors[(factors["given_weight"] > 0) & ~factors["used"].astype(bool) & ranked.any()]
    found = [_not_used(row, priority) for row in unused.itertuples()]
    for row in factors[factors["used"]].itertuples():
        gone = int((ranked & (banks[row.basis_column] == "default").to_numpy()).sum())
        if gone:
            found.append(_neutral(row, gone, int(ranked.sum())))
    reasons: Mapping[str, int] = banks.loc[~ranked, "not_ranked"].value_counts().to_dict()
    do = "Nothing, if that is right; else mend the kind of the line, or [priority] ranked_kinds."
    found += [
        Finding("note", "banks", "not_ranked", "", f"{count} banks are not ranked: {reason}.", do)
        for reason, count in sorted(reasons.items())
    ]
    if not ranked.any():
        do = "Look at column not_ranked: it holds the reason of each bank."
        found.append(Finding("warning", "banks", "nothing_ranked", "", "No bank is ranked.", do))
    return found


def urban_findings(banks: pd.DataFrame, curve: Curve) -> list[Finding]:
    """Say where much of the ground beside the streams is built up and the regional curve is not of such land."""
    known = banks[banks["adjacent_cover"].notna()]
    built = known.loc[known["adjacent_cover"] == "developed", "length_m"].sum() / max(known["length_m"].sum(), 1e-9)
    if curve.for_cities or built < URBAN_SHARE.value:
        return []
    says = (
        f"Beside {built:.0%} of the bank length the ground is developed, but the regional curve {curve.name} is not "
        f"one of built-up land (its setting: {curve.setting}): a city stream under a rural curve is wider and "
        "carries more than it says, so width, discharge and stream power are likely too low."
    )
    do = "Choose a curve of built-up streams in [hydraulics] curve, or read the erosion order with that in mind."
    return [Finding("warning", "reaches", "urban_stream", "", says, do)]


def _without_weight(factors: pd.DataFrame, own: Collection[str]) -> Iterator[Finding]:
    """Note the factors of the user's own that no weight makes count."""
    for row in factors[factors["key"].isin(list(own)) & (factors["given_weight"] == 0)].itertuples():
        says = f"{row.title} of [factor.{row.key}] has no weight: it is shown, not ranked on."
        do = f"Give {row.key} a weight under [priority.{row.group}], beside those of the other factors."
        yield Finding("note", "banks", "factor_weight", row.key, says, do)


def _not_used(row: Any, priority: Priority) -> Finding:
    says = (
        f"{row.title} is known on {row.known_share:.0%} of the ranked banks, under the "
        f"{priority.factor_coverage:.0%} wanted: it is shown, not ranked on."
    )
    do = "Give the layers it needs for the whole watershed, or lower [priority] factor_coverage."
    return Finding("warning", "banks", "factor_coverage", row.key, says, do)


def _neutral(row: Any, gone: int, ranked: int) -> Finding:
    says = (
        f"{row.title} is missing on {gone} of {ranked} ranked banks, which take the neutral score "
        f"{row.neutral * 100:g}, basis default."
    )
    return Finding("note", "banks", "factor_neutral", row.key, says, "Read their rank with that in mind.")
