"""What visits of several dates saw of planting and pins, as a table of first and last values and a plot."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from gisprio.products.charts import SERIES, chart_svg
from gisprio.products.document import Column, Document

ROWS = 20
"""Series in the table on the page [own]; the file holds all."""
MEASURES = ("survival", "woody cover")
"""What is drawn: a share of plants, and of the ground [%]."""
PLACES = 5
"""Places in one plot [own]: those with most dates."""
_KEY = ["place_id", "measure", "mark"]


def tell_monitoring(page: Document, series: pd.DataFrame) -> None:
    """Tell what visits saw over time; nothing where they saw nothing.

    Parameters
    ----------
    page
        The page to write on.
    series
        Layer ``monitoring``.
    """
    if not len(series):
        return
    ends = series_ends(series)
    page.heading("What visits saw over time").paragraph(
        "Counted or read at the same places; what was planted shows here long before land cover does."
    )
    drawn = plotted(series)
    if len(drawn):
        alt = f"What visits saw by date, in percent. {plot_words(drawn)}"
        page.figure(
            chart_svg(partial(_draw, drawn), width_mm=165, height_mm=75, alt=alt),
            alt,
            "Survival of plants solid, woody cover dashed [%].",
        )
    columns: list[Column] = [
        ("place_id", "Place", "text"),
        ("what", "What", "text"),
        ("unit", "Unit", "text"),
        ("count", "Dates", 0),
        ("first_day", "First", "text"),
        ("first", "Value", 1),
        ("last_day", "Last", "text"),
        ("last", "Value", 1),
        ("change", "Change", "text"),
    ]
    more = f"; {len(ends) - ROWS:,} more are in the file" if len(ends) > ROWS else ""
    page.table(ends.head(ROWS), columns, f"First and last value of each series of visits{more}.")


def series_ends(series: pd.DataFrame) -> pd.DataFrame:
    """Give the first and last value of each series that has a date, those with most dates first.

    Parameters
    ----------
    series
        Layer ``monitoring``: rows of a series in order of time.

    Returns
    -------
    DataFrame
        ``place_id``, ``what`` (measure and mark), ``unit``, ``count``, ``first_day``, ``first``, ``last_day``,
        ``last``, ``change`` (in words, with ``at least`` where a pin was washed out).
    """
    dated = series[series["date"].notna()].assign(mark=series["mark"].fillna(""))
    groups = dated.groupby(_KEY, sort=False)
    first, last = groups.head(1).set_index(_KEY), groups.tail(1).set_index(_KEY)
    table = pd.DataFrame(
        {
            "unit": first["unit"],
            "count": groups.size(),
            "first_day": first["date"],
            "first": first["value"],
            "last_day": last["date"],
            "last": last["value"],
            "change": [_change(*row) for row in zip(last["since_first"], last["unit"], last["at_least"], strict=True)],
        }
    ).reset_index()
    table["what"] = (table["measure"] + " " + table["mark"]).str.strip()
    return table.sort_values(["count", "place_id", "what"], ascending=[False, True, True], ignore_index=True)


def _change(value: float, unit: str, at_least: bool) -> str:
    if pd.isna(value):
        return "–"
    return f"{'at least ' if at_least else ''}{value:+,.1f} {'points' if unit == '%' else unit}"


def plotted(series: pd.DataFrame) -> pd.DataFrame:
    """Give what is drawn: series of :data:`MEASURES` with two dates or more, of the places with most dates."""
    told = series[series["measure"].isin(MEASURES) & series["date"].notna() & series["value"].notna()]
    size = told.groupby(["place_id", "measure"])["date"].transform("nunique")
    told = told[(size >= 2).to_numpy(bool)]
    count = told.groupby("place_id")["date"].nunique().sort_values(ascending=False, kind="stable")
    return told[told["place_id"].isin(count.index[:PLACES])]


def plot_words(drawn: pd.DataFrame) -> str:
    """Say what the plot shows."""
    return " ".join(_series_words(drawn))


def _series_words(drawn: pd.DataFrame) -> Iterator[str]:
    for (place, measure), rows in drawn.groupby(["place_id", "measure"]):
        told = ", ".join(f"{day} {value:.0f}" for day, value in zip(rows["date"], rows["value"], strict=True))
        yield f"{place}, {measure}: {told}."


def _draw(drawn: pd.DataFrame, axes: Axes) -> None:
    """Draw a line a place and measure: survival solid, woody cover dashed."""
    places = sorted(drawn["place_id"].unique())
    for (place, measure), rows in drawn.groupby(["place_id", "measure"]):
        days = pd.to_datetime(rows["date"])
        years = days.dt.year + (days.dt.day_of_year - 1) / 365.25
        number = places.index(place)
        solid = measure == MEASURES[0]
        axes.plot(
            years, rows["value"], color=SERIES[number], linestyle="-" if solid else "--", marker="os^Dv"[number],
            markersize=4, label=f"{place}, {measure}",
        )  # fmt: skip
    axes.set_ylim(0, 100)
    axes.set_ylabel("[%]")
    first, last = axes.get_xlim()
    ticks = np.arange(np.floor(first), np.ceil(last) + 1)
    axes.set_xticks(ticks[:: max(1, len(ticks) // 10)])
    axes.xaxis.set_major_formatter("{x:.0f}")
    axes.grid(visible=True)
    axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), handlelength=4)
