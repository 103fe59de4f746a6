"""The curve of budgets of a shortlist, as its own page and the report draw it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd
from matplotlib.axes import Axes

from gisprio.contracts.costs import years_text
from gisprio.products.charts import QUIET, SERIES


def draw_budget_curve(axes: Axes, curve: pd.DataFrame, facts: Mapping[str, Any]) -> None:
    """Draw the best choice for each budget, and the budget asked for.

    Parameters
    ----------
    axes
        To draw on.
    curve
        ``budget`` and ``effect``, by budget.
    facts
        Of the choice, as ``shortlist.json`` holds them.
    """
    axes.plot(curve["budget"], curve["effect"], color=SERIES[0], marker="o", markersize=4, label="Best choice")
    axes.axvline(facts["budget"], color=QUIET, linewidth=1, linestyle="--")
    axes.set_xlim(left=0)
    axes.set_ylim(bottom=0)
    axes.set_xlabel(f"Budget [{facts['currency']}, {price_years(facts)}]")
    axes.set_ylabel(f"Effect\n[{facts['effect']['unit']}]")
    axes.xaxis.set_major_formatter("{x:,.0f}")
    axes.yaxis.set_major_formatter("{x:,.0f}")
    axes.grid(visible=True)


def curve_words(curve: pd.DataFrame, facts: Mapping[str, Any]) -> str:
    """Say the curve for those who do not see it."""
    told = ", ".join(
        f"{budget:,.0f} does {effect:,.0f}" for budget, effect in zip(curve["budget"], curve["effect"], strict=True)
    )
    return f"Effect against budget in {facts['currency']}. {told}."


def price_years(facts: Mapping[str, Any]) -> str:
    """Say of which years the prices are."""
    return years_text(facts["price_year"], facts["price_year_last"])
