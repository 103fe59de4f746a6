"""The plots of the report, each with its words for those who do not see it."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from gisprio.products.budget_curve import curve_words, draw_budget_curve
from gisprio.products.charts import QUIET, SERIES, chart_svg
from gisprio.products.report_facts import Facts, Reached, Units

WIDE_MM = 178.0
"""Width of a plot: that of A4 and Letter between their margins [mm]."""
MOST_INTERVALS = 30
"""Banks whose interval of ranks is drawn [own]."""
_RANKS = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000, 50_000, 100_000)
_GAP, _UNSURE, _FULL = SERIES[4], "#e8a37e", "#b9c9bf"

Plot = tuple[str, str]
"""The picture as SVG, and its words."""


def gap_by_order(totals: pd.DataFrame, units: Units) -> Plot:
    """Draw bank by stream order: clear gap, uncertain gap, setback there, cover not known; a bar an order."""
    rows = totals[totals["strahler_order"].notna()]
    names = [f"Order {int(order)}" for order in rows["strahler_order"]]
    clear, unsure = rows["clear_m"].fillna(0.0), rows["uncertain_m"].fillna(0.0)
    parts = (
        ("lacks its setback, clear", clear, _GAP, ""),
        ("lacks its setback, uncertain", unsure, _UNSURE, "///"),
        ("has its setback", (rows["known_m"] - clear - unsure).clip(lower=0), _FULL, ""),
        ("cover not known", (rows["length_m"] - rows["known_m"]).clip(lower=0), "#ffffff", "..."),
    )
    shown = [part for part in parts if part[1].sum() > 0.5]

    def draw(axes: Axes) -> None:
        left = np.zeros(len(rows))
        for label, metres, colour, hatch in shown:
            wide = np.array([units.far(value) for value in metres])
            axes.barh(names, wide, left=left, label=label, color=colour, hatch=hatch, edgecolor=QUIET, linewidth=0.6)
            left = left + wide
        axes.invert_yaxis()
        axes.set_xlabel(f"Bank, both sides ({units.km})")
        axes.grid(axis="x")
        axes.tick_params(axis="y", length=0)
        axes.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=len(shown), columnspacing=1.2)

    said = [
        f"{name}: {units.far(long):.1f} {units.km} of bank, of which {units.far(gap):.1f} lack the setback"
        for name, long, gap in zip(names, rows["length_m"], clear + unsure, strict=True)
    ]
    alt = f"Bank by stream order. {'; '.join(said)}."
    return chart_svg(draw, width_mm=WIDE_MM, height_mm=20 + 9 * len(rows), alt=alt), alt


def reached_curve(banks: Reached, properties: Reached | None) -> Plot:
    """Draw the share of the priority-weighted gap that the first banks and properties reach."""
    curves: list[tuple[str, Reached, str, Any]] = [("banks, by length", banks, SERIES[0], "-")]
    curves += [("properties, by number", properties, SERIES[1], (0, (5, 2)))] if properties is not None else []

    def draw(axes: Axes) -> None:
        axes.plot([0, 100], [0, 100], color=QUIET, linewidth=0.8, linestyle=":", label="if all were alike")
        for label, curve, colour, line in curves:
            taken, share = thinned(curve)
            axes.plot(100 * taken / taken[-1], 100 * share, color=colour, linestyle=line, label=label)
        axes.set(xlim=(0, 100), ylim=(0, 100))
        axes.set_xlabel("Taken in order of rank (% of all that are ranked)")
        axes.set_ylabel("Priority-weighted gap reached (%)")
        axes.grid(visible=True)
        axes.legend(loc="lower right")

    said = []
    for label, curve, _, _ in curves:
        tenth, quarter = (100 * curve.at(share * curve.taken[-1]) for share in (0.1, 0.25))
        what = label.partition(",")[0]
        said.append(f"The first 10 % of {what} hold {tenth:.0f} %, the first 25 % {quarter:.0f} %")
    alt = f"Share of the priority-weighted gap that is reached in order of rank. {'; '.join(said)}."
    return chart_svg(draw, width_mm=WIDE_MM * 0.72, height_mm=64, alt=alt), alt


def thinned(curve: Reached, most: int = 400) -> tuple[np.ndarray, np.ndarray]:
    """Give at most so many points of a curve, evenly spread, first and last among them."""
    at = np.unique(np.linspace(0, len(curve.taken) - 1, min(most, len(curve.taken))).round().astype(int))
    return curve.taken[at], curve.share[at]


def rank_intervals(facts: Facts) -> Plot | None:
    """Draw how far the ranks of the first banks move in the draws; None where none is drawn."""
    top = facts.top[facts.top["rank_p05"].notna()].head(MOST_INTERVALS)
    if top.empty:
        return None
    at = np.arange(len(top))
    low, mid, high = (top[name].to_numpy(float) for name in ("rank_p05", "rank_p50", "rank_p95"))

    def draw(axes: Axes) -> None:
        axes.axvspan(0.8, facts.top_n + 0.5, color="#eef3f1", linewidth=0)
        axes.hlines(at, low, high, color=SERIES[0], linewidth=3)
        axes.plot(mid, at, "o", color="white", markeredgecolor=SERIES[0], markersize=5, label="median of the draws")
        axes.plot(top["rank"].to_numpy(float), at, "D", color=SERIES[1], markersize=4, label="rank of the run")
        axes.plot([], [], color=SERIES[0], linewidth=3, label="90 % of the draws")
        axes.set_xscale("log")
        ticks = [tick for tick in _RANKS if tick <= 1.5 * high.max()]
        axes.set_xticks(ticks, [f"{tick:,}" for tick in ticks])
        axes.set_xticks([], minor=True)
        axes.set_xlim(0.85, max(1.15 * high.max(), facts.top_n + 1))
        axes.set_yticks(at, [f"{row.rank}  {row.bank_id}" for row in top.itertuples()])
        axes.set_ylim(len(top) - 0.4, -0.6)
        axes.set_xlabel(f"Rank (each step is a multiple; shaded: the first {facts.top_n})")
        axes.grid(axis="x")
        axes.tick_params(axis="y", length=0)
        axes.legend(loc="lower center", bbox_to_anchor=(0.4, 1.0), ncols=3, columnspacing=1.2)

    first = top.iloc[0]
    alt = (
        f"How far ranks move in the draws, for the first {len(top)} banks. Rank 1, bank {first['bank_id']}, lies "
        f"between {low[0]:.0f} and {high[0]:.0f} in 90 % of the draws; the widest interval is {_span(low, high)}, the "
        f"narrowest {_span(low, high, widest=False)}. The numbers stand in the table of the most urgent banks."
    )
    return chart_svg(draw, width_mm=WIDE_MM, height_mm=20 + 4.6 * len(top), alt=alt), alt


def shortlist_curve(curve: pd.DataFrame, made: Mapping[str, Any]) -> Plot:
    """Draw effect against budget, as ``shortlist.json`` holds them."""
    rows = curve.sort_values("budget", kind="stable")
    alt = curve_words(rows, made)
    draw = partial(draw_budget_curve, curve=rows, facts=made)
    return chart_svg(draw, width_mm=WIDE_MM * 0.72, height_mm=70, alt=alt), alt


def _span(low: np.ndarray, high: np.ndarray, *, widest: bool = True) -> str:
    wide = high - low
    at = int(wide.argmax() if widest else wide.argmin())
    return f"{low[at]:.0f} to {high[at]:.0f}"
