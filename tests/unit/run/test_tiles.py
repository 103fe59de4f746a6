"""Tiles, their order, and what a tile gets."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from gisprio.contracts.errors import ContractError
from gisprio.run.pieces import Surroundings, core_rows, halo_width, near_box, put_together
from gisprio.run.stages import promised
from gisprio.run.tiles import Tile, hilbert, lay_tiles
from unit.run.fake_chain import filled, make_settings


def chain_of_segments(count: int, length_m: float) -> gpd.GeoDataFrame:
    """Segments in a row that flow west, the lowest first, its end at (0, 0)."""
    lines = [shapely.LineString([((i + 1) * length_m, 0), (i * length_m, 0)]) for i in range(count)]
    return filled(
        promised("segments"), count, lines, segment_no=range(count), segment_id=[f"s{i}" for i in range(count)],
        downstream_no=[i - 1 for i in range(count)], length_m=[length_m] * count,
        main_upstream_no=[*range(1, count), -1],
    )  # fmt: skip


@pytest.mark.parametrize("side", [2, 4, 16])
def test_hilbert_goes_through_every_cell_by_single_steps(side):
    column, row = (part.ravel() for part in np.meshgrid(np.arange(side), np.arange(side)))
    place = hilbert(column, row)
    assert sorted(place) == list(range(side * side))
    order = np.argsort(place)
    steps = np.abs(np.diff(column[order])) + np.abs(np.diff(row[order]))
    assert set(steps) == {1}


def test_hilbert_starts_at_the_lowest_cell_wherever_it_is():
    column, row = np.array([0, 1, 1, 0]), np.array([0, 0, 1, 1])
    assert hilbert(column, row).tolist() == [0, 3, 2, 1]
    assert hilbert(column - 7, row + 1000).tolist() == [0, 3, 2, 1]
    assert hilbert(column[:0], row[:0]).tolist() == []


def test_a_segment_belongs_to_the_tile_of_its_downstream_end():
    segments = chain_of_segments(5, 1000.0)  # downstream ends at x = 0, 1000, ... 4000
    tiles = lay_tiles(segments, 2000.0)
    got = [(tile.name, tile.segment_nos.tolist()) for tile in tiles]
    assert got == [("0_0", [0, 1]), ("1_0", [2, 3]), ("2_0", [4])]
    moved = segments.translate(-500, -1)
    west = lay_tiles(segments.set_geometry(moved), 2000.0)
    assert sorted((tile.name, tile.segment_nos.tolist()) for tile in west) == [
        ("-1_-1", [0]), ("0_-1", [1, 2]), ("1_-1", [3, 4]),
    ]  # fmt: skip
    assert lay_tiles(segments[:0], 2000.0) == []


def test_halo_width_by_hand(tmp_path):
    settings = make_settings(tmp_path, setback={"width_m": 30.0}, streams={"line_error_m": 5.0})
    reaches = pd.DataFrame({"bankfull_width_m": [4.0, 20.0, np.nan]})
    # transects: the larger of 100, 6 x 20 = 120; smoothing: the largest of 2 x 20, 3 x 10, 3 x 5 = 40
    assert halo_width(settings, reaches, 10.0) == 2 * (120 + 30 + 3) + 20 + 40
    # without widths: transects of 100 m; smoothing the largest of 0, 30, 15 = 30
    assert halo_width(settings, None, 10.0) == 2 * (100 + 30 + 3) + 30
    assert halo_width(settings, reaches[2:], 1.0) == 2 * (100 + 30 + 3) + 15


def test_core_rows_by_segment_and_by_reach():
    tile = Tile(0, 0, np.array([1, 3]))
    reaches = pd.DataFrame({"reach_no": [0, 1, 2, 3], "segment_no": [1, 2, 3, 3]})
    assert core_rows("reaches", reaches, tile, None)["reach_no"].tolist() == [0, 2, 3]
    banks = pd.DataFrame({"reach_no": [3, 1, 0], "side": [0, 0, 1]}, index=[7, 8, 9])
    own = core_rows("banks", banks, tile, reaches)
    assert own["reach_no"].tolist() == [3, 0]
    assert own.index.tolist() == [0, 1]
    with pytest.raises(ContractError) as caught:
        core_rows("legend", pd.DataFrame({"code": [1]}), tile, reaches)
    assert str(caught.value) == (
        "table legend cannot be cut into tiles: it has no segment_no and no reach_no.\n"
        "  Wanted: a table of segments or reaches in the reads of a piece stage.\n"
        "  Do: name it under as_is in run/stages.py if it is needed whole."
    )


def test_rows_near_a_tile_are_those_whose_box_meets_its_box():
    segments = chain_of_segments(3, 100.0)
    tile = Tile(0, 0, np.array([1]))
    assert near_box(segments, tile, 50.0) == (50.0, -50.0, 250.0, 50.0)
    boxes = [(40, 0, 49, 1), (40, 0, 51, 1), (100, 49, 101, 60), (100, 51, 101, 60), (240, -60, 300, -49)]
    water = gpd.GeoDataFrame({"kind": list("abcde")}, geometry=[shapely.box(*box) for box in boxes])
    assert Surroundings(segments, 50.0, 70.0).rows("water", water, tile)["kind"].tolist() == ["b", "c", "e"]
    with pytest.raises(ContractError) as caught:
        Surroundings(segments, 50.0, 70.0).rows("legend", pd.DataFrame({"code": [1]}), tile)
    assert str(caught.value) == (
        "table legend has no geometry, so it has no rows near a tile.\n"
        "  Wanted: a table with geometry in the halo of a piece stage.\n"
        "  Do: name it under as_is in run/stages.py if it is needed whole."
    )


def test_segments_are_followed_along_the_network_for_twice_the_width():
    segments = chain_of_segments(12, 30.0)
    near = Surroundings(segments, 50.0, 70.0).rows("segments", segments, Tile(0, 0, np.array([6])))
    # the box of 180..210 grown by 50 meets 120..270 (4 to 8); 2 x 50 m along the network is 4 segments each way
    assert near["segment_no"].tolist() == [2, 3, 4, 5, 6, 7, 8, 9, 10]


def test_a_ring_of_segments_ends():
    segments = chain_of_segments(3, 1.0)
    segments["downstream_no"] = [2, 0, 1]
    near = Surroundings(segments, 50.0, 70.0).rows("segments", segments, Tile(0, 0, np.array([0])))
    assert near["segment_no"].tolist() == [0, 1, 2]


def test_tiles_put_together_are_sorted_by_key():
    parts = [pd.DataFrame({"b": [2, 5], "x": [0, 1]}), pd.DataFrame({"b": [1, 3], "x": [2, 3]})]
    assert put_together(parts, ("b",)).to_dict("list") == {"b": [1, 2, 3, 5], "x": [2, 0, 3, 1]}
    assert put_together([parts[0][:0]], ("b",)).columns.tolist() == ["b", "x"]
