"""Areas in doubt: a side stream without a line, and a line beside its channel, in worlds made by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from gisprio.compute.network.areas import network_areas
from gisprio.compute.network.trust import NEAR_CELLS, Doubts, area_doubts, doubt_findings, past_ratios, side_streams
from gisprio.compute.terrain.flow import stream_pieces
from gisprio.contracts.grids import Grid, Lattice
from tables import segments

CELL_M = 10.0


def one_line(inflow_km2=None, head_km2=2.0):
    """A line of 1 km that runs south along x = 505; ``inflow_km2`` by the lower end of the piece that takes it up."""
    table = segments(shapely.LineString([(505, 1000), (505, 0)]))
    pieces = stream_pieces(table)
    area = pieces["from_m"].map(inflow_km2 or {}).fillna(0.0) * 1e6
    area[pieces["from_m"] == 950.0] = head_km2 * 1e6
    return table, network_areas(table, pieces.assign(area_m2=area, cut=False))


def reaches_at(*low_m):
    low = np.array(low_m, float)
    return pd.DataFrame({"segment_no": 0, "from_m": low, "to_m": low + 200.0})


def said(doubts):
    return doubts.words(np.ones(len(doubts.past_ratio), bool))


def channel(x_m, area_km2):
    """Cells of 10 m over 1 km x 1 km; a channel runs down the column at ``x_m``."""
    values = np.full((100, 100), 1e-4)
    values[:, int(x_m // CELL_M)] = area_km2
    return Grid(values, Lattice(0.0, 1000.0, CELL_M), 0, 0, None)


@pytest.mark.parametrize(
    ("low", "expected"),
    [(800.0, 1.0), (750.0, 1.0), (700.0, 1.0), (620.0, 1.0), (600.0, 0.0), (840.0, 0.0)],
)
def test_side_stream_counts_within_reach_of_the_place(low, expected):
    _, areas = one_line({700.0: 1.0})
    assert side_streams(reaches_at(low), areas, 84.0, 0.25) == pytest.approx([expected])


def test_side_stream_matters_only_when_it_is_a_stream_and_a_tenth_of_the_area():
    _, small = one_line({700.0: 0.2})
    assert side_streams(reaches_at(750.0), small, 84.0, 0.25) == pytest.approx([0.0])
    _, large = one_line({700.0: 0.3}, head_km2=10.0)
    assert side_streams(reaches_at(750.0), large, 84.0, 0.25) == pytest.approx([0.0])
    _, matters = one_line({700.0: 1.3}, head_km2=10.0)
    assert side_streams(reaches_at(750.0), matters, 84.0, 0.25) == pytest.approx([1.3])


def test_ground_above_the_head_of_a_line_is_no_side_stream():
    _, areas = one_line(head_km2=5.0)
    assert side_streams(reaches_at(900.0), areas, 84.0, 0.25) == pytest.approx([0.0])


@pytest.mark.parametrize(("beside_m", "ratio"), [(0, 1.0), (30, 2.5), (50, None)])
def test_channel_beside_the_line(beside_m, ratio):
    table, areas = one_line(head_km2=2.0)
    area = 2.0 if beside_m == 0 else 5.0
    found = past_ratios(reaches_at(200.0), table, areas, channel(505 + beside_m, area))
    assert found == pytest.approx([ratio if ratio is not None else 1e-4 / 2.0])


def test_places_near_another_line_are_left_out():
    table = segments(shapely.LineString([(505, 1000), (505, 0)]), shapely.LineString([(535, 1000), (535, 0)]))
    pieces = stream_pieces(table)
    areas = network_areas(table, pieces.assign(area_m2=1e6, cut=False))
    found = past_ratios(reaches_at(200.0), table, areas, channel(535, 50.0))
    assert np.isnan(found).all()


def test_a_short_reach_is_not_judged():
    table, areas = one_line()
    short = pd.DataFrame({"segment_no": 0, "from_m": [0.0], "to_m": [(NEAR_CELLS + 1) * CELL_M]})
    assert np.isnan(past_ratios(short, table, areas, channel(535, 50.0))).all()


def test_doubts_in_words_and_findings():
    table, areas = one_line({700.0: 1.0})
    found = area_doubts(
        reaches_at(200.0, 750.0), table, areas, channel(535, 6.0), line_error_m=5.0, start_area_km2=0.25
    )
    assert found.past_ratio == pytest.approx([2.0, 3.0])  # 2 km2 at the head, 1 km2 more from the side stream on
    assert found.side_stream_km2 == pytest.approx([0.0, 1.0])
    doubts = Doubts(np.array([0.0, 1.0, 0.0]), np.array([2.06, 3.0, np.nan]))
    assert said(doubts) == [
        "the DEM's own channel beside the line carries 2.1 times the area",
        "the DEM's own channel beside the line carries 3.0 times the area",
        None,
    ]
    doubts = Doubts(np.array([0.0, 1.034, 0.0, 0.5]), np.array([1.26, 1.0, np.nan, np.nan]))
    beside, side = doubt_findings(["A-01", "B-01", "C-01", "D-01"], doubts, np.array([True, True, True, False]))
    assert beside.says == (
        "The drainage area of 1 of 4 reaches is in doubt: the DEM's own channel beside the line carries over a quarter "
        "more water than the line was given: the line lies off its channel, or the DEM shows another way: A-01."
    )
    assert side.says == (
        "The drainage area of 1 of 4 reaches is in doubt: a side stream without a line joins near the reach's lower "
        "end and brings over a tenth of the area: just above or below it the area is another one: B-01."
    )
    assert (side.severity, side.layer, side.check) == ("warning", "reaches", "area_doubt")
    assert doubts.words(np.array([False, True, True, True]))[0] is None
    assert said(doubts)[1] == "a side stream of 1.03 km2 without a line joins near its lower end"
