"""Streams that come in from beyond the heights: null with a reason, or the area that is known there."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from gisprio.compute.network.areas import CAUSES, area_findings, network_areas
from gisprio.compute.network.inflows import clipped_sources, place_inflows
from gisprio.compute.terrain.flow import stream_pieces
from gisprio.contracts.grids import Grid, Lattice
from gisprio.contracts.layers import INFLOWS
from gisprio.contracts.schema import check
from makers import Place, frame
from network_world import WHOLE, heights, streams, whole_chain
from tables import segments

P = Place()
OUTSIDE, GROUND, STREAM = CAUSES


def inflows(*places, area_km2):
    return check(INFLOWS, frame([shapely.Point(place) for place in places], area_km2=area_km2))


def stem_and_side(**changed):
    """Segment 0, 600 m, takes up 1 (400 m) and 2 (300 m, minor where told)."""
    table = segments(
        shapely.LineString([(0, 600), (0, 0)]),
        shapely.LineString([(0, 1000), (0, 600)]),
        shapely.LineString([(300, 600), (0, 600)]),
        downstream=(-1, 0, 0),
    )
    return table.assign(**changed)


def ground(table, own_km2, cut=()):
    """Give every piece of 50 m its own ground [km2] by segment; ``cut`` names (segment, from_m)."""
    pieces = stream_pieces(table)
    places = list(zip(pieces["segment_no"], pieces["from_m"], strict=True))
    return pieces.assign(area_m2=np.array(own_km2)[pieces["segment_no"]] * 1e6, cut=[place in cut for place in places])


def areas(table, pieces, known=(), clipped=None):
    known = pd.DataFrame(known, columns=["segment_no", "at_m", "area_km2"]).astype({"segment_no": int})
    return network_areas(table, pieces, known, clipped)


def at(found, *places):
    segment_no, from_m = np.array([s for s, _ in places]), np.array([m for _, m in places], float)
    reaches = pd.DataFrame({"segment_no": segment_no, "from_m": from_m})
    none = pd.DataFrame({"segment_no": [0], "from_m": [0.0], "to_m": [1.0], "area_km2": [np.nan]})
    return found.at_reaches(reaches, none)


def says(found):
    return [None if pd.isna(reason) else reason for reason in found["drainage_area_says"]]


def test_below_an_inflow_its_area_stands_for_all_that_is_above():
    """12 pieces of 0.1 on the stem, 8 of 0.2, 6 of 0.3; 40 km2 come in 250 m up the stem."""
    table = stem_and_side()
    found = at(areas(table, ground(table, [0.1, 0.2, 0.3]), [(0, 250.0, 40.0)]), (0, 0), (0, 100), (0, 250), (0, 300))
    assert found["drainage_area_km2"].tolist() == pytest.approx([40.5, 40.3, 40.0, 1.6 + 1.8 + 0.6])
    assert set(found["drainage_area_basis"]) == {"modelled"}
    assert found["drainage_area_says"].isna().all()


def test_an_inflow_at_the_head_of_a_source_is_carried_down():
    table = stem_and_side()
    found = at(areas(table, ground(table, [0.1, 0.2, 0.3]), [(1, 400.0, 40.0)]), (1, 200), (1, 0), (0, 0))
    assert found["drainage_area_km2"].tolist() == pytest.approx([40.8, 41.6, 41.6 + 1.8 + 1.2])


def test_a_stream_from_beyond_the_dem_has_no_area_below_and_the_reason_is_given():
    table = stem_and_side()
    clipped = np.array([False, True, False])
    found = at(areas(table, ground(table, [0.1, 0.2, 0.3]), clipped=clipped), (0, 0), (1, 0), (2, 0))
    assert says(found) == [STREAM, STREAM, None]
    assert found["drainage_area_basis"].tolist() == ["missing", "missing", "modelled"]
    said = area_findings(found.assign(reach_id=["A", "B", "C"]))
    assert said[0].says == (
        "The drainage area of 2 of 3 reaches is missing: a stream above comes in from beyond the DEM (2). "
        "Bankfull width, discharge and stream power are missing with it."
    )
    assert said[0].do == (
        "Give a DEM of the whole watershed; [layers] watershed if it was cut along the divide; [layers] inflows where "
        "a stream comes in; or an area column."
    )


def test_an_inflow_makes_up_for_the_stream_and_for_the_cut_ground_beside_it():
    """The ground of the uppermost 100 m is cut, and that of 300 m lower down: the latter is not the inflow's."""
    table = stem_and_side()
    clipped = np.array([False, True, False])
    near, far = ((1, 350), (1, 300)), ((0, 50),)
    known = [(1, 400.0, 40.0)]
    found = at(areas(table, ground(table, [0.1, 0.2, 0.3], near), known, clipped), (1, 300), (1, 0), (0, 0))
    assert found["drainage_area_km2"].tolist() == pytest.approx([40.4, 41.6, 44.6])
    found = at(areas(table, ground(table, [0.1, 0.2, 0.3], near + far), known, clipped), (1, 0), (0, 100), (0, 0))
    assert says(found) == [None, None, GROUND]
    found = at(areas(table, ground(table, [0.1, 0.2, 0.3], ((1, 0),)), known, clipped), (1, 100), (1, 0), (0, 0))
    assert says(found) == [None, GROUND, GROUND]  # 350 m of whole ground lie between


def test_above_an_inflow_nothing_changes():
    table = stem_and_side()
    clipped = np.array([False, True, False])
    found = at(areas(table, ground(table, [0.1, 0.2, 0.3]), [(0, 250.0, 40.0)], clipped), (1, 0), (0, 300), (0, 200))
    assert says(found) == [STREAM, STREAM, None]
    assert found["drainage_area_km2"].iloc[2] == pytest.approx(40.1)


def test_inflows_go_to_a_source_s_head_before_a_nearer_line():
    table = stem_and_side()
    points = inflows((10, 990), (4, 300), (500, 300), area_km2=[5.0, 6.0, 7.0])
    placed, said = place_inflows(points, table, 50.0)
    assert placed.values.tolist() == [[0, 300.0, 6.0], [1, 400.0, 5.0]]
    assert [finding.check for finding in said] == ["off_stream"]
    assert said[0].severity == "warning"
    assert said[0].says == "1 of 3 inflows lie over 50 m off every stream: 500, 300. Left out."
    assert said[0].do == "Move them to the stream, or raise [streams] inflow_snap_m."


def test_of_two_inflows_on_a_segment_the_lower_counts():
    placed, said = place_inflows(inflows((0, 500), (0, 100), area_km2=[5.0, 6.0]), stem_and_side(), 50.0)
    assert placed.values.tolist() == [[0, 100.0, 6.0]]
    assert said[0].says == ("1 inflows lie on a segment with another one further down, which counts: 0, 500. Left out.")
    assert said[0].do == "Give one for each stream that comes in."


def test_a_minor_path_is_no_source():
    table = stem_and_side(minor=[False, False, True])
    placed, _ = place_inflows(inflows((290, 610), area_km2=[5.0]), table, 50.0)
    assert placed.values.tolist() == [[2, 290.0, 5.0]]  # on the line, not at its head
    grid = Grid(np.ones((100, 30), np.float32), Lattice(-5.0, 1000.0, 10.0))
    assert clipped_sources(table, grid).tolist() == [False, True, False]
    assert clipped_sources(stem_and_side(), grid).tolist() == [False, True, True]


def test_a_small_hole_at_a_head_is_no_edge_of_the_dem():
    values = np.ones((120, 60), np.float32)
    lattice = Lattice(-200.0, 1100.0, 10.0)
    assert not clipped_sources(stem_and_side(), Grid(values, lattice)).any()
    values[9:12, 19:22] = np.nan
    assert not clipped_sources(stem_and_side(), Grid(values, lattice)).any()
    values[:12, 19:22] = np.nan
    assert clipped_sources(stem_and_side(), Grid(values, lattice)).tolist() == [False, True, False]


def test_a_valley_whose_dem_begins_halfway_down():
    """The straight valley without its upper 1,000 m; the area below them as on the whole DEM."""
    line = streams([P.line((0, 0), (3000, 0))])
    whole = whole_chain(line, heights())["reach_measures"]
    cut = heights(extent=(1000.0, *WHOLE[1:]))
    lost = whole_chain(line, cut)
    assert lost["reach_measures"]["drainage_area_km2"].isna().all()
    assert set(lost["reach_measures"]["drainage_area_says"]) == {STREAM}
    assert lost["findings"]["area_missing"].says.startswith(
        "The drainage area of 15 of 15 reaches is missing: a stream above comes in from beyond the DEM (15). "
    )
    there = whole.loc[(whole["from_m"] - 1900).abs().idxmin()]
    at_m = float(there["from_m"])
    place = frame([shapely.Point(P.on_map(3000 - at_m, 0))], area_km2=[there["drainage_area_km2"]])
    found = whole_chain(line, cut, inflows=check(INFLOWS, place))["reach_measures"]
    known = found["drainage_area_km2"].notna()
    assert known.tolist() == (found["from_m"] <= at_m).tolist()
    assert set(found["drainage_area_basis"][known]) == {"modelled"}
    np.testing.assert_allclose(found["drainage_area_km2"][known], whole["drainage_area_km2"][known], rtol=0.02)
