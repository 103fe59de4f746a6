"""Joining lines: whatever way and in whatever order they were drawn; rings, loose ends, copies, lines off the DEM."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from gisprio.compute.network.direction import drawn_trust
from gisprio.compute.network.join import join_streams, position_ids
from gisprio.contracts.findings import findings_from
from gisprio.contracts.layers import SEGMENTS, SOURCE_PARTS
from gisprio.contracts.schema import check
from makers import CRS, Place, straight_height
from network_world import WHOLE, heights, streams, whole_chain
from tables import settings, source

P = Place()


def joined(lines, dem=None, **columns):
    """Join lines over the straight valley: segments, source parts, findings by check."""
    layer = streams(lines, **columns)
    out = join_streams({"stream_lines": layer}, {"elevation": dem or heights()}, settings().part(("streams",)))
    said = {finding.check: finding for finding in findings_from(out["findings"])}
    return check(SEGMENTS, out["segments"]), check(SOURCE_PARTS, out["source_parts"]), said


def main_stem_in(step):
    return [P.line((u, 0), (u + step, 0)) for u in range(0, 3000, step)]


def tree():
    """A stem in three lines, two tributaries; confluences at 1,000 and 2,000 m."""
    return [
        P.line((0, 0), (500, 20), (1000, 0)),
        P.line((300, 400), (1000, 0)),
        P.line((1000, 0), (2000, 0)),
        P.line((1400, -400), (2000, 0)),
        P.line((2000, 0), (3000, 0)),
    ]


def test_a_tree_is_joined_confluence_to_confluence():
    segments, parts, said = joined(tree())
    assert len(segments) == 5
    assert said == {}
    by_line = parts.assign(line=parts["to_m"].round(3)).merge(segments.drop(columns="geometry"), on="segment_no")
    assert sorted(by_line["strahler_order"]) == [1, 1, 1, 2, 2]
    outlet = segments[segments["downstream_no"] == -1]
    assert outlet.geometry.iloc[0].coords[-1] == tuple(P.on_map(3000, 0))
    below = segments.set_index("segment_no")
    assert below.loc[outlet["main_upstream_no"].iloc[0], "length_m"] == pytest.approx(1000)
    np.testing.assert_array_equal(parts["to_m"], segments["length_m"])
    assert segments["segment_id"].is_monotonic_increasing


@pytest.mark.parametrize("seed", range(5))
def test_row_order_and_drawn_direction_change_no_byte(seed):
    draw = np.random.default_rng(seed)
    lines = tree()
    mixed = [lines[n] for n in draw.permutation(5)]
    mixed = [line.reverse() if draw.random() < 0.5 else line for line in mixed]
    plain, turned = whole_chain(streams(lines), heights()), whole_chain(streams(mixed), heights())
    for name in ("segments", "catchments", "reach_measures", "stretches", "source_parts"):
        pd.testing.assert_frame_equal(
            pd.DataFrame(plain[name]).astype({"geometry": str}) if "geometry" in plain[name] else plain[name],
            pd.DataFrame(turned[name]).astype({"geometry": str}) if "geometry" in turned[name] else turned[name],
            check_exact=True,
        )


@pytest.mark.parametrize("step", [3000, 500, 30])
def test_a_stream_drawn_upstream_throughout_is_turned(step):
    """Even where each line falls by only 15 cm, less than any height is known to."""
    straight, _, _ = joined(main_stem_in(step))
    lines = [line.reverse() for line in main_stem_in(step)]
    segments, _, said = joined(lines)
    assert segments["segment_id"].tolist() == straight["segment_id"].tolist()
    assert segments.geometry.iloc[0].coords[-1] == tuple(P.on_map(3000, 0))
    assert said["against_flow"].severity == "note"
    assert said["against_flow"].says.startswith(f"{3000 // step} lines are drawn against the flow: L")
    assert "uphill" not in said


def test_on_flat_ground_the_drawn_direction_decides():
    flat = heights(lambda u, v: np.full(np.shape(u), 5.0))
    for line in (P.line((0, 0), (3000, 0)), P.line((3000, 0), (0, 0))):
        segments, _, said = joined([line], flat)
        assert segments.geometry.iloc[0].coords[-1] == line.coords[-1]
        assert said == {}


def test_trust_in_the_drawn_direction_is_read_off_lines_that_clearly_fall():
    length = np.array([100.0, 100.0, 200.0])
    assert drawn_trust(np.array([5.0, 9.0, 4.0]), length) == 1.0
    assert drawn_trust(np.array([-5.0, -9.0, -4.0]), length) == -1.0
    assert drawn_trust(np.array([5.0, 9.0, -4.0]), length) == 0.0
    assert drawn_trust(np.array([-1.0, 0.5, -2.9]), length) == 1.0  # none is clear


def test_a_stream_that_leaves_a_dem_cut_along_its_watershed_still_flows_out():
    """The lowest 300 m have no heights; all lines drawn upstream."""
    lines = [line.reverse() for line in tree()]
    segments, _, _ = joined(lines, heights(extent=(*WHOLE[:2], 2705.0, WHOLE[3])))
    outlet = segments[segments["downstream_no"] == -1]
    assert outlet.geometry.iloc[0].coords[-1] == tuple(P.on_map(3000, 0))


def of_no_height(u, v):
    return np.full(np.shape(u), np.nan)


@pytest.mark.parametrize(
    ("height", "upstream"), [(straight_height, False), (straight_height, True), (of_no_height, False)]
)
def test_a_layer_cut_at_a_confluence_flows_out_there(height, upstream):
    """The two lines that meet at 2,000 m have nothing below them."""
    lines = [line.reverse() if upstream else line for line in tree()[:4]]
    segments, _, _ = joined(lines, heights(height))
    outlets = segments[segments["downstream_no"] == -1]
    assert {line.coords[-1] for line in outlets.geometry} == {tuple(P.on_map(2000, 0))}
    assert sorted(segments["strahler_order"]) == [1, 1, 1, 2]


def test_lines_drawn_towards_each_other_make_no_outlet_where_one_falls_away():
    """The last line falls by 15 cm and is drawn upstream; all others are drawn downstream."""
    lines = [P.line((0, 0), (2970, 0)), P.line((3000, 0), (2970, 0))]
    segments, _, said = joined(lines)
    assert len(segments) == 1
    assert segments.geometry.iloc[0].coords[-1] == tuple(P.on_map(3000, 0))
    assert "against_flow" in said


def test_ends_within_the_tolerance_are_one_node_and_lines_split_where_another_ends():
    lines = [P.line((0, 0), (3000, 0)), P.line((1200, 500), (1500, 0.6))]
    segments, parts, said = joined(lines, area_km2=[4.0, 0.2])
    assert sorted(segments["length_m"].round()) == [583, 1500, 1500]
    assert sorted(segments["strahler_order"]) == [1, 1, 2]
    assert said == {}
    lowest = segments.loc[segments["downstream_no"] == -1, "segment_no"].iloc[0]
    given = parts.set_index("segment_no")["area_km2"]
    assert given[lowest] == 4.0
    assert sorted(given.drop(lowest).fillna(-1)) == [-1, 0.2]  # the area of the long line holds at its lower end only


def test_an_end_beyond_the_tolerance_is_a_loose_end_that_is_said():
    _, _, said = joined([P.line((0, 0), (3000, 0)), P.line((1200, 500), (1500, 6.0))])
    assert said["dangle"].severity == "warning"
    x, y = P.on_map(1500, 6)
    assert said["dangle"].says == f"1 loose ends stop short of another line: 6.0 m at {x:.0f}, {y:.0f}."
    assert said["parts"].says == "The lines hang together in 2 parts, each with an outlet of its own."


def test_short_pieces_at_an_end_are_no_loose_ends():
    _, _, said = joined(main_stem_in(12))
    assert said == {}


def test_a_side_channel_that_misses_its_upper_end_is_a_loose_end():
    side = P.line((1003, 5), (1100, 60), (1400, 60), (1500, 0))
    _, _, said = joined([P.line((0, 0), (1500, 0)), P.line((1500, 0), (3000, 0)), side])
    assert said["dangle"].says.startswith("1 loose ends stop short of another line: 5.0 m at ")


def test_a_divided_channel_has_a_main_and_a_minor_path_and_is_said():
    lines = [
        P.line((0, 0), (1300, 0)),
        P.line((1300, 0), (1300, 100), (1700, 100), (1700, 0)),
        P.line((1300, 0), (1300, -150), (1700, -150), (1700, 0)),
        P.line((1700, 0), (3000, 0)),
    ]
    segments, _, said = joined(lines)
    assert segments["strahler_order"].tolist() == [1, 1, 1, 1]
    assert segments.set_index(segments["length_m"].round())["minor"].to_dict() == {
        1300.0: False,
        600.0: False,
        700.0: True,
    }
    assert list(said) == ["divided"]
    assert said["divided"].severity == "note"
    x, y = P.on_map(1300, 0)
    assert said["divided"].says == (
        f"The stream parts at 1 places: {x:.0f}, {y:.0f}. Which way is the main one was told by [columns] "
        "streams.divergence at 0, by the larger given drainage area at 0, by the shorter way at 1. The others are "
        "minor: they carry their own ground alone and raise no order."
    )
    made = whole_chain(streams(lines), heights())["reach_measures"]
    assert made["drainage_area_km2"].max() == pytest.approx(4.046, rel=0.02)  # nothing is counted twice


def test_a_single_ring_leaves_no_circle_behind():
    ring = shapely.Point(*P.on_map(1500, 0)).buffer(200).exterior.coords
    for lines in ([shapely.LineString(ring)], [shapely.LineString(ring[:30]), shapely.LineString(ring[29:])]):
        segments, parts, said = joined(lines)
        assert len(segments) == 2
        assert (segments["downstream_no"] == -1).all()
        assert segments["length_m"].sum() == pytest.approx(shapely.LineString(ring).length)
        assert parts.groupby("segment_no")["to_m"].max().tolist() == segments["length_m"].tolist()
        assert "cycle" in said


def test_copies_and_lines_without_length_are_left_out_and_said():
    lines = [P.line((0, 0), (3000, 0)), P.line((3000, 0), (0, 0)), shapely.LineString([(1, 1), (1, 1)])]
    segments, _, said = joined(lines)
    assert len(segments) == 1
    assert said["copies"].says == "1 stream lines are copies of another line: L1. Left out."
    assert said["no_length"].says == "1 stream lines have no length: L2. Left out."


def test_a_line_that_must_run_uphill_is_said():
    """The stem is broken by a ridge of 12 m in the DEM that no line goes round."""

    def ridge(u, v):
        return 100 - 0.005 * u + np.where(np.abs(u - 1500) < 60, 12.0, 0.0) + 0.1 * np.abs(v)

    _, _, said = joined([P.line((0, 0), (1500, 0)), P.line((1500, 0), (3000, 0))], heights(ridge))
    assert said["uphill"].severity == "warning"
    assert said["uphill"].says == ("1 lines run uphill on the DEM by more than 2.5 m: L0; the worst by 4.5 m (L0).")


def test_names_and_parts_follow_the_drawn_lines():
    lines = main_stem_in(1000)
    segments, parts, _ = joined(lines, name=["Upper", "Lower", "Lower"], kind=["natural", "piped", "natural"])
    assert segments["name"].tolist() == ["Lower"]
    assert parts[["from_m", "to_m", "kind", "name"]].values.tolist() == [
        [0.0, 1000.0, "natural", "Lower"],
        [1000.0, 2000.0, "piped", "Lower"],
        [2000.0, 3000.0, "natural", "Upper"],
    ]


def test_ids_come_from_position_and_tell_twins_apart():
    line = shapely.LineString([(0, 0), (100, 50)])
    moved = shapely.affinity.translate(line, 0.0, 1.0)
    ids = position_ids([line, moved, line])
    assert len(set(ids)) == 3
    assert all(len(name) == 6 and name[0].isalpha() and name.isupper() for name in ids)
    assert position_ids([moved])[0] == ids[1]
    assert position_ids([shapely.affinity.translate(line, 0.001, 0.0)])[0] == position_ids([line])[0]


def test_no_lines_and_lines_outside_the_dem_give_tables_not_tracebacks():
    assert len(whole_chain(streams([]), heights())["reach_measures"]) == 0
    made = whole_chain(streams([P.line((20000, 0), (21000, 0))]), heights())
    reaches = made["reach_measures"]
    assert len(reaches) == 5
    assert (
        reaches[["drainage_area_km2", "slope_m_m", "bankfull_width_m", "unit_stream_power_w_m2"]].isna().all(axis=None)
    )
    assert set(reaches["drainage_area_basis"]) == {"missing"}
    assert made["findings"]["outside_dem"].says.startswith("1 segments lie mostly outside the heights")
    blank = source(np.full((20, 20), np.nan, np.float32), 500_000.0, 5_300_000.0, 10.0)
    assert whole_chain(streams([P.line((0, 0), (100, 0))]), blank)["reach_measures"].crs == CRS
