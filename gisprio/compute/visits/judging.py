"""Visits brought back: what they saw beside what the desktop says, and how well the two agree."""

from __future__ import annotations

from collections.abc import Mapping

import geopandas as gpd
import numpy as np
import pandas as pd

from gisprio.compute.banks.gaps import SIDE_LETTERS
from gisprio.compute.factors import FACTORS
from gisprio.compute.factors.observed_erosion import CARD as OBSERVED
from gisprio.compute.scoring.orders import rank_rows, with_whole_weights
from gisprio.compute.visits.agreement import Agreement, agreement
from gisprio.compute.visits.field_index import field_index
from gisprio.compute.visits.monitoring import monitoring_findings, monitoring_series
from gisprio.contracts.cards import Output, Sources, Tables
from gisprio.contracts.findings import Finding, findings_table, listed
from gisprio.contracts.layers import MONITORING, SHOWN_VISITS, VISIT_AGREEMENT
from gisprio.contracts.schema import check, empty
from gisprio.contracts.settings import Priority, Settings
from gisprio.contracts.visits import SEEN_AT
from gisprio.contracts.words import SIDES


def judge_visits(tables: Tables, sources: Sources, settings: Settings) -> Output:
    """Give the visits with their bank and field index, and say how well scores agree with what was seen.

    Parameters
    ----------
    tables
        ``visits``, ``visit_places``, ``reach_measures``, ``banks``, ``factors``.
    sources
        None.
    settings
        Section ``priority``.

    Returns
    -------
    dict
        ``shown_visits``, ``visit_agreement``, ``monitoring`` and ``findings``.

    Notes
    -----
    The score that is compared is the desktop's alone: without what scars or the visits themselves say erodes, else a
    visit would agree with itself. Bank heights and angles that a visit measured stay in it, where these have a weight.
    A visit is usable where its bank is ranked and it says whether the bank erodes; of several of one bank the latest.
    A look at the desk never is: it sees the maps again, and nothing of the bank.
    """
    visits = tables["visits"]
    if not len(visits):
        crs = getattr(visits, "crs", None)
        none = {"visit_agreement": empty(VISIT_AGREEMENT), "monitoring": empty(MONITORING)}
        return {"shown_visits": empty(SHOWN_VISITS, crs), **none}
    desk = desk_scores(tables["banks"], tables["factors"], settings.priority)
    shown = _shown(visits, tables["visit_places"], tables["reach_measures"])
    shown = shown.assign(desk_erosion_score=desk["erosion_score"].reindex(shown["bank_id"]).to_numpy(float))
    used = tables["factors"]
    used = used[used["used"].astype(bool) & (used["group"] == "erosion") & (used["key"] != OBSERVED.key)]
    columns = dict(zip(used["worst_column"], used["title"], strict=True))
    told = agreement(usable(shown, desk), list(columns), settings.priority.need_at)
    says = agreement_words(told, columns, settings.priority.need_at) + _desk_words(visits["at_desk"])
    series = monitoring_series(shown)
    return {
        "shown_visits": check(SHOWN_VISITS, shown),
        "monitoring": series,
        "visit_agreement": check(VISIT_AGREEMENT, _row(told, says, columns)),
        "findings": findings_table(
            [_finding(told, says), *_elsewhere(visits, shown, tables["banks"]), *monitoring_findings(series)]
        ),
    }


def desk_scores(banks: pd.DataFrame, factors: pd.DataFrame, priority: Priority) -> pd.DataFrame:
    """Give erosion score and priority of the ranked banks without what was seen to erode, and their factor scores.

    Parameters
    ----------
    banks, factors
        As ranked.
    priority
        Section of the settings.

    Returns
    -------
    DataFrame
        By ``bank_id``: ``erosion_score`` (where erosion alone is worst, as need and the order by erosion take it),
        ``priority``, and the score column of each factor there.
    """
    plain = pd.DataFrame(banks.drop(columns="geometry"))
    unseen = plain.assign(**{OBSERVED.score_column: np.nan, OBSERVED.worst_column: np.nan})
    modelled = with_whole_weights(factors[factors["key"] != OBSERVED.key].reset_index(drop=True))
    ranked = plain["not_ranked"].isna().to_numpy()
    order = rank_rows(unseen, ranked, modelled, priority)
    worst = [one.card.worst_column for one in FACTORS if one.card.worst_column in plain]
    scores = plain[worst].assign(
        bank_id=plain["bank_id"], erosion_score=order["erosion_worst_score"], priority=order["priority"]
    )
    return scores[ranked].set_index("bank_id")


def _shown(visits: pd.DataFrame, places: pd.DataFrame, reaches: pd.DataFrame) -> gpd.GeoDataFrame:
    """Join bank and field index to the visits; row order stays."""
    at = places.set_index("visit_no").reindex(range(len(visits)))
    own = reaches.set_index("reach_no").reindex(at["reach_no"])
    lost = at["reach_no"].isna().to_numpy()
    reach_id = np.where(lost, None, own["reach_id"].to_numpy(object))
    side = visits["side"].to_numpy(int)
    letters = np.array(SIDE_LETTERS)[side]
    depth = own["bankfull_depth_m"].to_numpy(float)
    marked = visits["bankfull_height_m"].to_numpy(float)
    height = np.where(np.isnan(marked), depth, marked)
    basis = np.select([~np.isnan(marked), ~np.isnan(depth)], ["measured", "modelled"], "missing")
    shown = visits.drop(columns="at_desk").assign(
        seen_at=np.array(SEEN_AT, object)[visits["at_desk"].to_numpy(int)],
        bank_id=[
            None if gone else f"{reach}-{letter}" for gone, reach, letter in zip(lost, reach_id, letters, strict=True)
        ],
        reach_id=reach_id,
        side=np.array(SIDES)[side],
        from_m=np.maximum(at["at_m"].to_numpy(float) - own["from_m"].to_numpy(float), 0.0),
        away_m=at["away_m"].to_numpy(float),
        bankfull_height_m=height,
        bankfull_height_basis=basis,
    )
    index = field_index(pd.DataFrame(shown.drop(columns="geometry")))
    assert isinstance(shown, gpd.GeoDataFrame)
    return shown.assign(**index)


def usable(shown: pd.DataFrame, desk: pd.DataFrame) -> pd.DataFrame:
    """Give the visits that can be compared, one a bank, each with the banks it stands for.

    Parameters
    ----------
    shown
        Layer ``visits`` of the results.
    desk
        Of :func:`desk_scores`.

    Notes
    -----
    A visit to a bank at the top stands for itself. Those at random share the other ranked banks evenly.
    """
    told = pd.DataFrame(shown.drop(columns="geometry"))
    there = told["seen_at"].ne("desk").to_numpy()
    told = told[there & told["bank_id"].isin(desk.index).to_numpy() & told["erodes"].notna().to_numpy()]
    told = told.sort_values("date_y", kind="stable", na_position="first").drop_duplicates("bank_id", keep="last")
    told = told.set_index("bank_id").join(desk)
    drawn = told["at_random"].to_numpy(bool)
    others = len(desk) - int((~drawn).sum())
    return told.assign(weight=np.where(drawn, others / max(int(drawn.sum()), 1), 1.0))


def agreement_words(told: Agreement, titles: Mapping[str, str], need_at: float) -> str:
    """Say in words how well scores agree with visits.

    Parameters
    ----------
    told
        What was found.
    titles
        Title of each factor by its score column.
    need_at
        Score from which a bank is said to be likely to erode.
    """
    if told.cannot:
        return told.cannot
    words = [f"{told.visits} usable visits, {told.at_random} of them at random."]
    area = told.area
    if area.known:
        words.append(
            f"A bank that erodes has the higher erosion score in {area.value:.0%} of pairs with one that does not "
            f"(95 % interval {area.low:.0%} to {area.high:.0%}; 50 % is chance)."
        )
    else:
        words.append("Too few of those at random erode, or do not, to say how often the score puts them in order.")
    if np.isfinite(told.rank_correlation):
        words.append(
            f"Rank correlation with the field index, on {told.indexed} visits: erosion score "
            f"{told.rank_correlation:.2f}, priority {told.priority_correlation:.2f}."
        )
    both, alarm, missed, neither = told.table
    words.append(
        f"Of {both + alarm} scored {need_at:g} or above {both} erode; of {missed + neither} scored below {missed} do."
    )
    if told.misleading:
        names = ", ".join(titles[name] for name in told.misleading)
        words.append(f"High where banks do not erode, so misleading here: {names}.")
    return " ".join(words)


def _desk_words(at_desk: pd.Series) -> str:
    """Say that looks at the desk do not count; nothing where there are none."""
    count = int(at_desk.sum())
    many = "1 look at the desk does" if count == 1 else f"{count} looks at the desk do"
    return f" {many} not count here: nobody was at the bank." if count else ""


def _elsewhere(visits: pd.DataFrame, shown: pd.DataFrame, banks: pd.DataFrame) -> list[Finding]:
    """Tell the looks at the desk that lie at another bank than the one they name, where that one is still there."""
    named, there = (table["bank_id"].to_numpy(object) for table in (visits, shown))
    known = np.isin(named.astype(str), banks["bank_id"].to_numpy(str))
    wrong = visits["at_desk"].to_numpy(bool) & known & shown["bank_id"].notna().to_numpy() & (named != there)
    if not wrong.any():
        return []
    told = listed(f"{name} at {at}" for name, at in zip(named[wrong], there[wrong], strict=True))
    many = "1 look at the desk lies" if wrong.sum() == 1 else f"{int(wrong.sum())} looks at the desk lie"
    says = f"{many} at another bank than the one named: {told}."
    do = "Check latitude and longitude in the table: the place counts, not the id. Beside a confluence it may be right."
    return [Finding("warning", "visits", "other_bank", "", says, do)]


def _finding(told: Agreement, says: str) -> Finding:
    if told.cannot:
        do = "Visit more of the form's banks, those at random as well."
        return Finding("note", "visits", "agreement", "", says, do)
    if told.misleading:
        do = "Look at the factors named, and lower their weight in [priority.erosion] if that is how it is here."
        return Finding("warning", "visits", "agreement", "", says, do)
    poor = told.area.known and told.area.low <= 0.5
    do = (
        "Read ranks with that in mind." if not poor else "Take the erosion order as not confirmed: chance does as well."
    )
    return Finding("note", "visits", "agreement", "", says, do)


def _row(told: Agreement, says: str, titles: Mapping[str, str]) -> pd.DataFrame:
    """Put what was found into one row."""
    names = ("high_eroding", "high_stable", "low_eroding", "low_stable")
    row: dict[str, object] = {
        "visits": told.visits,
        "at_random": told.at_random,
        "says": says,
        "area": told.area.value,
        "area_low": told.area.low,
        "area_high": told.area.high,
        "rank_correlation": told.rank_correlation,
        "priority_correlation": told.priority_correlation,
        "indexed": told.indexed,
        "misleading": ", ".join(titles[name] for name in told.misleading) or None,
    }
    return pd.DataFrame([row | dict(zip(names, told.table, strict=True))])
