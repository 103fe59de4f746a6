"""What a strip does: published values of the equation and the reviews, laws of the ranges, and how they are told.

Numbers of the tests are those of the list of checks of buffer widths.
"""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest
import shapely

from gisprio.compute.scoring.strip_meaning import (
    MEANING_COLUMNS,
    shading_heights,
    strip_meaning,
    sun_side,
    trapped_by_equation,
    trapped_by_review,
    trapped_range,
    width_by_equation,
)
from gisprio.run.strip import strip_lines
from makers import CRS

WIDTHS = np.arange(0.0, 100.0, 0.25)


def bank(now=5.0, setback=30.0, stream=5.0, flows=2) -> dict:
    made = strip_meaning(pd.Series([now]), pd.Series([setback]), pd.Series([stream])).iloc[0].to_dict()
    return made | {"buffer_width_m": now, "setback_m": setback, "concentrated_flow_gap_count": flows}


def told(**columns) -> str:
    return " ".join(line.strip() for line in strip_lines(bank(**columns)))


def test_17_the_equation_of_width():
    """Zhang and others 2010, J. Environ. Qual. 39:76."""
    got = trapped_by_equation([0.0, 5.0, 10.0, 15.0, 30.0])
    assert got == pytest.approx([0.0, 81.126, 89.849, 90.787, 90.8999], abs=0.001)


def test_18_the_width_of_80_percent_and_none_from_the_most_on():
    """The same, turned round: never infinity."""
    got = width_by_equation([0.0, 50.0, 80.0, 85.0, 90.9, 91.0])
    assert got[:4] == pytest.approx([0.0, 1.791, 4.7556, 6.132], abs=0.0005)
    assert np.isnan(got[4:]).all()
    assert trapped_by_equation(width_by_equation([33.0])) == pytest.approx([33.0])


def test_19_the_review_gives_classes_and_nothing_between():
    """Sweeney and Newbold 2014, JAWRA 50:560."""
    got = trapped_by_review([0.0, 9.99, 10.0, 20.0, 29.99, 30.0, 90.0])
    assert got.tolist() == [0.0, 0.0, 65.0, 65.0, 65.0, 85.0, 85.0]


def test_17_and_19_the_range_is_of_the_two_published_lines():
    low, high = trapped_range([5.0, 10.0, 30.0])
    assert low.tolist() == [0.0, 65.0, 85.0]
    assert high == pytest.approx([81.126, 89.849, 90.8999], abs=0.001)


def test_a_wider_strip_never_traps_less_and_low_is_never_over_high():
    low, high = trapped_range(WIDTHS)
    assert (np.diff(low) >= 0).all()
    assert (np.diff(high) >= 0).all()
    assert (low[1:] < high[1:]).all()
    assert high.max() <= 90.9


def test_21_heights_of_trees_for_70_percent_shade():
    """N. Z. J. Mar. Freshw. Res. 2021, doi 10.1080/00288330.2021.1950193: height over width 1.0 to 2.6."""
    low, high = shading_heights([5.0, 12.0])
    assert low == pytest.approx([5.0, 12.0])
    assert high == pytest.approx([13.0, 31.2])
    assert low[0] > 0.9 * 5.0


def test_what_is_missing_stays_missing_and_what_is_not_asked_for_has_no_range():
    nothing = pd.Series([np.nan, 5.0, 5.0], index=[7, 8, 9])
    got = strip_meaning(nothing, pd.Series([30.0, 0.0, 30.0], index=[7, 8, 9]), nothing)
    assert tuple(got.columns) == MEANING_COLUMNS
    assert got.index.tolist() == [7, 8, 9]
    assert got.isna().to_numpy().tolist() == [
        [True, True, False, False, True, True],
        [False, False, True, True, False, False],
        [False] * 6,
    ]


def test_20_habitat_and_class_values_are_the_published_ones():
    """Semlitsch and Bodie 2003, Conserv. Biol. 17:1219; Sweeney and Newbold 2014."""
    text = told()
    assert "apart from the setback: 159 to 290 m for amphibians, 127 to 289 m for reptiles." in text
    assert "as full protection was found to need" in text
    assert "strips up to 40 m wide held 26 to 64 %." in text
    assert "strips over 40 m wide held 27 to 99 %." in told(setback=40.5)
    assert "within 2 degrees C of a stream in forest, not full protection" in told(setback=20.0)
    assert "is under the 20 m from which it was kept" in told(setback=19.9)


def test_a_bank_in_words():
    assert strip_lines(bank())[:9] == [
        "",
        "  What the strip would do, in ranges: assumes sheet flow; says nothing of bank erosion; width",
        "    alone explains about 37 % of how far studies of sediment differ (that share from memory).",
        "    Sediment held: 0 to 82 % by the counting cover there today; 85 to 91 % by the width asked",
        "      for (a review, and an equation).",
        "    Concentrated flow crosses a gap in 2 places: it passes by a strip.",
        "    Shade on most of the stream (70 %): from trees of 5 to 13 m.",
        "    Warmth of the water: the width asked for is as wide as full protection was found to need.",
        "    Nitrate in ground water: strips up to 40 m wide held 26 to 64 %.",
    ]
    assert "no counting cover today; 85 to 91 %" in told(now=0.0)
    assert "Sediment held: not known today; 85 to 91 %" in told(now=np.nan)
    assert "Concentrated" not in told(flows=0)
    assert "Shade" not in told(stream=np.nan)
    assert strip_lines(bank(setback=0.0)) == []
    assert strip_lines({"setback_m": 30.0}) == []


@pytest.mark.parametrize("setback", [1.0, 10.0, 19.0, 30.0, 41.0, 100.0])
@pytest.mark.parametrize("now", [0.0, 0.5, 9.0, 10.0, 30.0, np.nan])
def test_50_no_removal_is_told_as_a_single_number_or_with_decimals(now, setback):
    text = told(now=now, setback=setback)
    assert "width alone explains about 37 %" in text
    assert "assumes sheet flow" in text
    rest = text.replace("about 37 %", "").replace("(70 %)", "")
    assert rest.count("%") == len(re.findall(r"\b\d+ to \d+ %", rest)) >= 2
    assert not re.search(r"\d\.\d", text)


def test_the_sun_stands_in_the_south_north_of_the_equator():
    told = ("on the sun's side", "away from the sun", "beside the sun")
    assert (sun_side(-1.0, 45.0), sun_side(1.0, 45.0), sun_side(0.0, 45.0)) == told
    assert (sun_side(1.0, -45.0), sun_side(-1.0, -45.0), sun_side(0.4, -45.0)) == told


@pytest.mark.parametrize(("side", "word"), [("left", "away from the sun"), ("right", "on the sun's side")])
def test_a_bank_knows_its_side_of_the_sun(side, word):
    """The stream flows east at 47 degrees north: its left bank is the northern one."""
    line = shapely.LineString([(500_000, 5_300_000), (500_200, 5_300_000)])
    bank = {"sediment_asked_low_pct": 85.0, "sediment_asked_high_pct": 91.0, "setback_m": 30.0, "side": side,
            "shade_tree_low_m": 5.0, "shade_tree_high_m": 13.0, "geometry": line, "buffer_width_m": 0.0}  # fmt: skip
    told = " ".join(" ".join(strip_lines(bank, CRS)).split())
    assert f"from trees of 5 to 13 m. This bank lies {word}; the sun's side shades most." in told
