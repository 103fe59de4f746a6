"""The network stage on 317 lines of a real river network with published attributes.

NHDPlus High Resolution lines of the Soque River basin, as they come inside the landlab package (its ``soque`` example
data); the attributes are those of the US national dataset (value-added attributes, Moore and others 2019, USGS OFR
2019-1096): ``StreamOrde``, ``AreaSqKm`` of each line's own catchment, ``TotDASqKm``, ``LengthKM``, smoothed elevations
in centimetres and ``Slope``. The layer is cut at a confluence, where two streams leave it.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from gisprio.compute.network.areas import network_areas
from gisprio.compute.network.join import join_streams
from gisprio.compute.network.profile import Path, falling, reach_slope
from gisprio.contracts.findings import findings_from
from gisprio.contracts.layers import CATCHMENTS, SEGMENTS, SOURCE_PARTS, STREAMS
from gisprio.contracts.schema import check
from reference.outside import data_file
from tables import settings, source

pytestmark = pytest.mark.reference

CELL_M = 10.0
LOWEST_SLOPE = 1e-5
"""The dataset puts this where its two elevations are equal."""


@dataclass(frozen=True)
class Network:
    """Published lines in the working system, and what gisprio made of them.

    Parameters
    ----------
    published
        Index: the line's id.
    segments, findings
        Of the stage.
    parts
        Layer ``source_parts``; index: the line's id, in the order of ``published``.
    """

    published: gpd.GeoDataFrame
    segments: pd.DataFrame
    findings: list
    parts: pd.DataFrame


def node_heights(lines):
    """Give a grid with the published height at each node, NaN elsewhere: the lower end of a line, the top of a head."""
    first = shapely.get_coordinates(shapely.get_point(lines.geometry.array, 0))
    last = shapely.get_coordinates(shapely.get_point(lines.geometry.array, -1))
    place = np.concatenate([first, last])
    height = np.concatenate([lines["MaxElevSmo"], lines["MinElevSmo"]]) / 100
    x0, y1 = place[:, 0].min() - 50, place[:, 1].max() + 50
    column, row = ((place[:, 0] - x0) // CELL_M).astype(int), ((y1 - place[:, 1]) // CELL_M).astype(int)
    grid = np.full((row.max() + 6, column.max() + 6), np.nan, np.float32)
    grid[row, column] = height
    return source(grid, x0, y1, CELL_M)


@pytest.fixture(scope="module", params=["as published", "shuffled and turned"])
def network(request):
    lines = gpd.read_file(data_file("landlab", "soque/Soque_Links.shp"))
    lines = lines.to_crs(lines.estimate_utm_crs()).set_index("Permanent_")
    drawn = lines.geometry
    if request.param != "as published":
        drawn = drawn.sample(frac=1.0, random_state=1)
        drawn = drawn.reverse()
    layer = gpd.GeoDataFrame(
        {"source_id": drawn.index, "name": drawn.index, "kind": "natural", "class": None, "area_km2": np.nan,
         "divergence": None},
        geometry=list(drawn),
        crs=lines.crs,
    )
    out = join_streams({"stream_lines": check(STREAMS, layer)}, {"elevation": node_heights(lines)}, only_streams())
    parts = check(SOURCE_PARTS, out["source_parts"]).set_index("name").loc[lines.index]
    return Network(lines, check(SEGMENTS, out["segments"]), findings_from(out["findings"]), parts)


def only_streams():
    return settings().part(("streams",))


def line_below(network):
    """Give the id of the line each line flows into by gisprio's links, empty at the end."""
    parts = network.parts.reset_index().sort_values(["segment_no", "from_m"])
    within = parts.groupby("segment_no")["name"].shift(1)
    top = parts.groupby("segment_no")["name"].last()
    next_segment = network.segments.set_index("segment_no")["downstream_no"].reindex(parts["segment_no"])
    entered = top.reindex(next_segment).to_numpy()
    below = within.where(within.notna(), entered).fillna("")
    return pd.Series(below.to_numpy(), index=parts["name"].to_numpy()).reindex(network.published.index)


def test_every_line_is_there_once_and_nothing_had_to_be_mended(network):
    assert len(network.published) == len(network.parts) == 317
    assert {finding.check for finding in network.findings} <= {"against_flow"}
    assert not network.segments["minor"].any()


def test_each_line_flows_into_the_line_whose_published_upper_node_is_its_lower_node(network):
    starts = pd.Series(network.published.index, index=network.published["FromNode"])
    expected = starts.reindex(network.published["ToNode"]).fillna("").to_numpy()
    below = line_below(network).to_numpy()
    assert (below == expected).sum() == 317
    assert (below == "").sum() == 2


def test_strahler_order_on_317_of_317(network):
    segment = network.parts["segment_no"].to_numpy()
    order = network.segments["strahler_order"].to_numpy()[segment]
    assert (order == network.published["StreamOrde"].to_numpy()).sum() == 317


def test_published_local_areas_carried_down_our_links_are_the_published_totals_on_317_of_317(network):
    """To 1e-9 km2; the ground of a segment is put where it is read, at the segment's lower end."""
    parts = network.parts.assign(own_km2=network.published["AreaSqKm"])
    own = parts.groupby("segment_no")["own_km2"].sum()
    ground = pd.DataFrame(
        {"segment_no": own.index, "from_m": 0.0, "area_m2": own.to_numpy() * 1e6, "cut": np.zeros(len(own), bool)}
    )
    areas = network_areas(network.segments, check(CATCHMENTS, ground))
    upward = parts.sort_values(["segment_no", "from_m"], ascending=[True, False])
    in_segment = upward.groupby("segment_no")["own_km2"].cumsum().reindex(parts.index)
    total = areas.above_km2[parts["segment_no"]] + in_segment.to_numpy()
    wrong = np.abs(total - network.published["TotDASqKm"].to_numpy()) > 1e-9
    assert (~wrong).sum() == 317
    lowest = parts["from_m"].to_numpy() == 0
    np.testing.assert_allclose(areas.below_km2[parts["segment_no"]][lowest], total[lowest], rtol=1e-12)


def test_lengths_are_within_2_percent_or_the_half_metre_of_a_published_length(network):
    """Published to the metre: of lines of 8 to 25 m three are off by 2.2 to 2.8 %, less than that rounding."""
    published = network.published["LengthKM"].to_numpy() * 1000
    measured = (network.parts["to_m"] - network.parts["from_m"]).to_numpy()
    off = np.abs(measured - published)
    assert (off <= 0.02 * published).sum() >= 314
    assert (off <= np.maximum(0.02 * published, 0.5)).sum() == 317
    assert measured.sum() == pytest.approx(published.sum(), rel=5e-3)


def ends_by_our_links(network):
    """Give the published height at the upper and at the lower end of each line [m].

    The upper end is the lower end of a line that flows in by gisprio's links; a head has its own.
    """
    low = network.published["MinElevSmo"] / 100
    below = line_below(network)
    inflow = low.groupby(below).agg(["min", "max"]).reindex(low.index)
    assert (inflow["min"].dropna() == inflow["max"].dropna()).all()
    return inflow["max"].fillna(network.published["MaxElevSmo"] / 100).to_numpy(), low.to_numpy()


def test_slope_by_its_published_definition_on_317_of_317(network):
    """Drop between the smoothed elevations of its ends over its published length, at least 1e-5."""
    upper, lower = ends_by_our_links(network)
    slope = np.maximum((upper - lower) / (network.published["SlopeLenKm"].to_numpy() * 1000), LOWEST_SLOPE)
    assert (np.abs(slope - network.published["Slope"].to_numpy()) <= 2e-8).sum() == 317


def test_our_own_fit_along_each_line_gives_the_published_slope_and_none_where_the_ends_are_level(network):
    """Heights that fall evenly between the published ends, known to a millimetre; published to the centimetre.

    Drops are compared, since our lengths are those of the working system. Where both ends are level the dataset gives
    1e-5; ours is missing.
    """
    upper, lower = ends_by_our_links(network)
    length = (network.parts["to_m"] - network.parts["from_m"]).to_numpy()
    found = np.full(317, np.nan)
    for row in range(317):
        at = np.linspace(0.0, length[row], 11)
        height = lower[row] + (upper[row] - lower[row]) * at / length[row]
        path = Path(at, height, np.zeros(11, bool), falling(height))
        found[row] = reach_slope(path, 0.0, length[row], np.nan, 0.001).slope
    level = upper == lower
    assert np.isnan(found[level]).all()
    assert 0 < level.sum() < 30
    np.testing.assert_allclose(found[~level] * length[~level], (upper - lower)[~level], rtol=0, atol=1e-9)
    published = network.published["Slope"].to_numpy() * network.published["SlopeLenKm"].to_numpy() * 1000
    np.testing.assert_allclose(found[~level] * length[~level], published[~level], rtol=0, atol=1e-4)
