"""Costs of works: quantities times the user's prices, and what is added; a range at every step."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from gisprio.contracts.costs import NEEDS_PRICE, ONE_OF, PRICEABLE, WHOLES, CostTable, WorksCosts
from gisprio.contracts.errors import SettingsError
from gisprio.contracts.layers import PROPERTY_COSTS, SITE_COSTS, WORK_COSTS
from gisprio.contracts.schema import check
from gisprio.contracts.settings import SizingCosts

ENDS = ("low", "mid", "high")
COSTS = [f"cost_{end}" for end in ENDS]
_QUANTITIES = [f"quantity_{end}" for end in ENDS]
_PRICES = ["price_low", "price_mid", "price_high"]
_ADDED = ("concept", "contingency", "design", "total")
_LINES = {"concept": "concept_range", "design": "design_and_permits"}


def cost_lines(items: pd.DataFrame, prices: CostTable, settings: SizingCosts) -> pd.DataFrame:
    """Price the items of each site, and add what is not foreseen, design and permits.

    Parameters
    ----------
    items
        Layer ``work_items``.
    prices
        The user's table.
    settings
        Section ``sizing.costs``.

    Returns
    -------
    DataFrame
        Layer ``work_costs``: by site, items in the order of the list of items, start-up, the concept range,
        contingency, design and permits, total. An item that nobody priced is a line without a cost. Of a site none of
        whose items has a price no more is told.

    Raises
    ------
    SettingsError
        The table has no index for ``price_year``.

    Notes
    -----
    cost_low = quantity_low x price_low, cost_high = quantity_high x price_high, cost_mid = quantity_mid x (price_low +
    price_high) / 2. Sums of low ends and of high ends are those of all lines being off the same way. With S the sum of
    items and start-up, the concept range widens it to min(S_low, (1 - below) S_mid) and max(S_high, (1 + above) S_mid):
    it is never narrower, and adds nothing to a range that is wide enough already. Contingency, and design and permits,
    are shares of that; their low shares go with the low end, their high ones with the high end.
    """
    found = _items(items, price_frame(prices, settings))
    starts = _starts(found, prices, settings)
    priced = pd.concat([found[found["cost_low"].notna()], starts]).groupby("site_id", sort=False)
    added = _added(priced[COSTS].sum(), settings)
    for year, end in (("price_year", priced["price_year"].min()), ("price_year_last", priced["price_year"].max())):
        added[year] = added["site_id"].map(end)
    lines = pd.concat([found, starts, added], ignore_index=True)
    lines["currency"], lines["example"] = prices.currency, prices.example or None
    place = pd.Series(range(len(lines)), index=lines.index)
    sites = {site: number for number, site in enumerate(dict.fromkeys(items["site_id"]))}
    order = np.lexsort([place, lines["order"].astype(float), lines["site_id"].map(sites)])
    return check(WORK_COSTS, lines.iloc[order].reset_index(drop=True)[WORK_COSTS.names()])


def cost_works(items: pd.DataFrame, sites: pd.DataFrame, prices: CostTable, settings: SizingCosts) -> WorksCosts:
    """Price all works: lines, sites and properties.

    Parameters
    ----------
    items, sites
        Layers ``work_items`` and ``work_sites``.
    prices, settings
        As in :func:`cost_lines`.

    Raises
    ------
    SettingsError
        As in :func:`cost_lines`.
    """
    lines = cost_lines(items, prices, settings)
    costs = sum_sites(lines, prices, settings, sites)
    owned = property_costs(costs, sites, prices, settings)
    return WorksCosts(prices, lines, costs, owned, property_start(prices, settings), _words(settings))


def site_costs(
    items: pd.DataFrame, prices: CostTable, settings: SizingCosts, sites: pd.DataFrame | None = None
) -> pd.DataFrame:
    """Give what the works of each site cost, start-up of the site with it and that of the property without.

    Parameters
    ----------
    items, prices, settings
        As in :func:`cost_lines`.
    sites
        Layer ``work_sites``: sites that were not sized are rows too then, and those not wholly sized are "at least".

    Returns
    -------
    DataFrame
        Layer ``site_costs``.

    Raises
    ------
    SettingsError
        As in :func:`cost_lines`.
    """
    return sum_sites(cost_lines(items, prices, settings), prices, settings, sites)


def sum_sites(
    lines: pd.DataFrame, prices: CostTable, settings: SizingCosts, sites: pd.DataFrame | None = None
) -> pd.DataFrame:
    """Give the totals of lines, one row a site; for the rest see :func:`site_costs`."""
    ids = list(dict.fromkeys(lines["site_id"] if sites is None else sites["site_id"]))
    oldest, newest = years_of(prices, settings)
    told = [*COSTS, "price_year", "price_year_last"]
    found = lines[lines["kind"] == "total"].set_index("site_id")[told].reindex(ids)
    bare = lines[(lines["kind"] == "item") & lines["cost_low"].isna()].groupby("site_id")["line"].agg(", ".join)
    found["price_year"] = found["price_year"].fillna(oldest)
    found["price_year_last"] = found["price_year_last"].fillna(newest)
    found["currency"], found["example"] = prices.currency, prices.example or None
    found["not_priced"] = bare.reindex(ids).astype(object)
    unsized = pd.Series(None, index=ids, dtype=object)
    if sites is not None:
        unsized = sites.set_index("site_id")["not_sized"].reindex(ids).astype(object)
    found["at_least"] = (found["not_priced"].notna() | unsized.notna()).astype(bool)
    known = set(lines["site_id"])
    found["reason"] = [
        None if cost == cost else _reason(site in known, bare_items, why)
        for site, cost, bare_items, why in zip(ids, found["cost_low"], found["not_priced"], unsized, strict=True)
    ]
    return check(SITE_COSTS, found.rename_axis("site_id").reset_index()[SITE_COSTS.names()])


def property_costs(costs: pd.DataFrame, sites: pd.DataFrame, prices: CostTable, settings: SizingCosts) -> pd.DataFrame:
    """Give what the works on each property cost: its sites, and its start-up once.

    Parameters
    ----------
    costs
        Layer ``site_costs``.
    sites
        ``site_id`` and ``property_id``, null where a site lies on no known property.
    prices, settings
        As in :func:`cost_lines`.

    Returns
    -------
    DataFrame
        Layer ``property_costs``, properties in the order of their first site. One without a priced site has no cost.

    Raises
    ------
    SettingsError
        As in :func:`cost_lines`.
    """
    owned = costs.merge(sites[["site_id", "property_id"]], on="site_id").dropna(subset=["property_id"])
    groups = owned.groupby("property_id", sort=False)
    found = groups[COSTS].sum(min_count=1)
    start = property_start(prices, settings)
    for end, extra in zip(ENDS, start, strict=True):
        found[f"start_{end}"] = np.where(found["cost_low"].notna(), extra, np.nan)
        found[f"cost_{end}"] += extra
    found["site_count"] = groups.size()
    found["priced_count"] = groups["cost_low"].count()
    found["at_least"] = groups["at_least"].any() | (found["priced_count"] < found["site_count"])
    found["currency"], found["example"] = prices.currency, prices.example or None
    oldest, newest = groups["price_year"].min(), groups["price_year_last"].max()
    years = price_frame(prices, settings)["price_year"].loc[lambda given: given.index == "start_property"]
    for year in years:
        oldest, newest = oldest.clip(upper=year), newest.clip(lower=year)
    found["price_year"], found["price_year_last"] = oldest, newest
    return check(PROPERTY_COSTS, found.reset_index()[PROPERTY_COSTS.names()])


def property_start(prices: CostTable, settings: SizingCosts) -> tuple[float, float, float]:
    """Give the start-up of one property with all that is added: low, mid, high; zeros where the table has none."""
    table = price_frame(prices, settings)
    if "start_property" not in table.index:
        return 0.0, 0.0, 0.0
    sums = pd.DataFrame([table.loc["start_property", _PRICES].to_numpy(float)], columns=COSTS)
    total = _added(sums, settings).loc[lambda lines: lines["kind"] == "total", COSTS]
    low, mid, high = total.iloc[0].tolist()
    return low, mid, high


def price_frame(prices: CostTable, settings: SizingCosts) -> pd.DataFrame:
    """Give prices of one unit by key, in money of the year asked for.

    Returns
    -------
    DataFrame
        ``price_low``, ``price_mid``, ``price_high``, ``year_given``, ``price_year``, ``raised`` (how, in words).

    Raises
    ------
    SettingsError
        The table has no index for ``price_year``.

    Notes
    -----
    price = price given x index of ``price_year`` / index of the year given; without an index prices stay as given.
    """
    year = _target(prices, settings)
    rows = []
    for price in prices.prices.values():
        times, raised = 1.0, ""
        if year is not None and year != price.year:
            times = prices.index[year] / prices.index[price.year]
            raised = f", of {price.year} x {prices.index[year]:g} / {prices.index[price.year]:g}"
        low, high = price.low * times, price.high * times
        rows.append((low, (low + high) / 2, high, price.year, year or price.year, raised))
    return pd.DataFrame(rows, index=list(prices.prices), columns=[*_PRICES, "year_given", "price_year", "raised"])


def years_of(prices: CostTable, settings: SizingCosts) -> tuple[int, int]:
    """Give the years of the oldest and the newest price, once the index has brought them to a year."""
    year = _target(prices, settings)
    return prices.years() if year is None else (year, year)


def _target(prices: CostTable, settings: SizingCosts) -> int | None:
    year = settings.price_year
    if year is None:
        return max(prices.index, default=None)
    if year in prices.index or {price.year for price in prices.prices.values()} == {year}:
        return year
    raise SettingsError(
        f"[sizing.costs] price_year = {year}: {prices.name} has no price_index of that year.",
        wanted="rows price_index of that year and of each year of a price"
        + (f"; it has {', '.join(map(str, sorted(prices.index)))}." if prices.index else "; it has none."),
        do="add the rows, or leave price_year out: prices stay as the table gives them, or of the newest index.",
    )


def _items(items: pd.DataFrame, table: pd.DataFrame) -> pd.DataFrame:
    """Give the lines of items: priced ones, and those that nobody priced."""
    keys = list(PRICEABLE)
    found = items[items["item"].isin(keys)].join(table, on="item")
    has = found["price_low"].notna()
    part, empty = _parts_and_empty_wholes(found, table)
    found = found[(has & ~empty) | (found["item"].isin(_missed(table)) & ~part)]
    for end in ENDS:
        found[f"cost_{end}"] = found[f"quantity_{end}"] * found[f"price_{end}"]
    return found.assign(
        line=found["item"],
        kind="item",
        price_year_last=found["price_year"],
        order=found["item"].map({key: number for number, key in enumerate(keys)}),
        says=_said(found),
    )


def _missed(table: pd.DataFrame) -> set[str]:
    """Give the items that are missed where they have no price: of what is counted in two ways at most the first."""
    twins = {one for pair in ONE_OF for one in (pair if set(pair) & set(table.index) else pair[1:])}
    return set(NEEDS_PRICE) - twins


def _parts_and_empty_wholes(found: pd.DataFrame, table: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Tell the items that are part of works priced as a whole on their site, and wholes of which nothing is there."""
    part, empty = np.zeros(len(found), bool), np.zeros(len(found), bool)
    for whole, parts in WHOLES.items():
        if whole in table.index:
            inside, itself = found["item"].isin(parts), found["item"] == whole
            part |= (inside & found["site_id"].isin(found.loc[itself, "site_id"])).to_numpy()
            empty |= (itself & ~found["site_id"].isin(found.loc[inside, "site_id"])).to_numpy()
    return part, empty


def _priced_sites(found: pd.DataFrame) -> Sequence[str]:
    return found.loc[found["cost_low"].notna(), "site_id"].unique().tolist()


def _starts(found: pd.DataFrame, prices: CostTable, settings: SizingCosts) -> pd.DataFrame:
    """Give the start-up of each site that has a priced item."""
    table = price_frame(prices, settings)
    sites = _priced_sites(found)
    lines = pd.DataFrame({"site_id": sites, "item": "start_site"}, dtype=object).join(table, on="item")
    if "start_site" not in table.index:
        lines = lines.iloc[:0]
    lines[_QUANTITIES] = 1.0
    lines[COSTS] = lines[_PRICES].to_numpy(float)
    lines["price_year_last"] = lines["price_year"]
    return lines.assign(line="start_site", kind="start", unit="site", order=len(PRICEABLE), says=_said(lines))


def _said(lines: pd.DataFrame) -> list[str]:
    """Say how each line came about."""
    rows = lines[["quantity_low", "quantity_high", "price_low", "price_high", "price_year", "raised"]]
    return [
        f"{_range(q_low, q_high)} x {_range(p_low, p_high)} (prices of {year:.0f}{raised})"
        if p_low == p_low
        else "not priced: the table has no row for it"
        for q_low, q_high, p_low, p_high, year, raised in rows.itertuples(index=False, name=None)
    ]


def _range(low: float, high: float) -> str:
    return f"{low:.6g} to {high:.6g}" if low != high else f"{low:.6g}"


def _added(sums: pd.DataFrame, settings: SizingCosts) -> pd.DataFrame:
    """Give the lines that are added to the sums of sites, and their totals."""
    low, mid, high = (sums[column].to_numpy(float) for column in COSTS)
    wide = (
        np.minimum(low, (1 - settings.concept_below) * mid),
        mid,
        np.maximum(high, (1 + settings.concept_above) * mid),
    )
    blocks = {"concept": (wide[0] - low, 0 * mid, wide[2] - high)}
    total = wide
    for kind, shares in (("contingency", settings.contingency), ("design", settings.design_and_permits)):
        three = shares[0], sum(shares) / 2, shares[1]
        blocks[kind] = tuple(share * cost for share, cost in zip(three, wide, strict=True))
        total = tuple(sum_ + more for sum_, more in zip(total, blocks[kind], strict=True))
    blocks["total"] = total
    says = _words(settings)
    return pd.concat(
        [
            pd.DataFrame(dict(zip(COSTS, block, strict=True))).assign(
                site_id=sums.index.to_numpy(object),
                line=_LINES.get(kind, kind),
                kind=kind,
                order=len(PRICEABLE) + 1 + _ADDED.index(kind),
                says=says[kind],
            )
            for kind, block in blocks.items()
        ],
        ignore_index=True,
    )


def _words(settings: SizingCosts) -> dict[str, str]:
    """Say what the lines add that are no items, and who says so."""
    usual, base = SizingCosts(), "of items, start-up and concept range"

    def told(text: str, *keys: str) -> str:
        own = any(getattr(settings, key) != getattr(usual, key) for key in keys)
        return f"{text} ({'your own, from the config' if own else 'common practice, no source'})"

    def share(key: str) -> str:
        low, high = getattr(settings, key)
        return told(f"{100 * low:g} to {100 * high:g} % {base}", key)

    below, above = 100 * settings.concept_below, 100 * settings.concept_above
    width = f"widens the sum where it is narrower than -{below:g} % to +{above:g} % of its middle"
    return {
        "concept": told(width, "concept_below", "concept_above"),
        "contingency": share("contingency"),
        "design": share("design_and_permits"),
        "total": "sum of the lines above",
    }


def _reason(sized: bool, not_priced: str | None, not_sized: str | None) -> str:
    """Say why a site has no cost."""
    if isinstance(not_priced, str):
        return f"none of its items has a price: {not_priced}"
    if isinstance(not_sized, str):
        return not_sized
    return "none of its items costs anything" if sized else "nothing was sized there"
