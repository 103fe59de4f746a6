"""Worked numbers of papers and handbooks, read off what stages and whole runs give for layers made by hand.

Each number is registered in ``checks.py`` with its source and tolerance. Where a stage adds something of its own to a
published formula (smoothing of a line, a slope fitted to heights), the tolerance says what that takes.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

import gisprio
from end_to_end.wrong_inputs import write_plain
from gisprio.compute.network.reaches import measure_reaches
from gisprio.compute.terrain.flow import share_catchments
from gisprio.contracts.layers import INFLOWS, WATERSHED
from gisprio.contracts.schema import check, empty
from gisprio.inputs.project import read_inputs
from makers import CRS, Place
from network_world import heights, streams, whole_chain
from reference.test_terrain import COUNTS, HEIGHTS
from tables import segments, settings, source

pytestmark = pytest.mark.reference

TEN_MI2 = 25.899881
AREAS_KM2 = (1.0, 10.0, TEN_MI2, 100.0, 1000.0)
PLACE = Place()
SQUARE = (-105.0, -305.0, 705.0, 305.0)
"""Extent of a plane with lines 600 m long."""


def plane(slope):
    """Heights that fall evenly downstream."""
    return heights(lambda u, v: 100.0 - slope * u + 0.0 * v, extent=SQUARE)


def side_by_side(count, length_m=400.0):
    """Lines of one reach each, 100 m apart."""
    return [PLACE.line((50, v), (50 + length_m, v)) for v in np.linspace(-200, 200, count)]


def reaches_of(made, **sections):
    """Measure the reaches of a network again under other settings."""
    known = settings(**{"streams": {"reach_length_m": 1000.0}, **sections})
    got = measure_reaches(made, made["sources"], known.part(("streams", "hydraulics", "dem")))["reach_measures"]
    return got.set_index(got["drainage_area_km2"].round(6))


# ---------------------------------------------------------------- size and power by drainage area


@pytest.fixture(scope="module")
def sized():
    """Five streams of known drainage area on a slope of .005."""
    lines = streams(side_by_side(len(AREAS_KM2)), area_km2=AREAS_KM2)
    return whole_chain(lines, plane(0.005), settings(streams={"reach_length_m": 1000.0}))


@pytest.fixture(scope="module")
def by_curve(sized):
    """Give the reaches by curve, each measured once."""
    made: dict[str, pd.DataFrame] = {}

    def of(curve):
        if curve not in made:
            made[curve] = reaches_of(sized, hydraulics={"curve": curve})
        return made[curve]

    return of


WIDTHS = [
    ("usa", 1.0, 2.700), ("usa", 10.0, 6.072), ("usa", 100.0, 13.657), ("usa", 1000.0, 30.716),
    ("bieger-appalachian-highlands", 10.0, 8.112), ("bieger-appalachian-highlands", 100.0, 21.094),
    ("bieger-atlantic-plain", 10.0, 5.121), ("bieger-interior-plains", 10.0, 5.744),
    ("bieger-laurentian-upland", 10.0, 8.434), ("bieger-interior-highlands", 10.0, 30.694),
    ("bieger-rocky-mountain-system", 10.0, 3.376), ("bieger-intermontane-plateaus", 10.0, 2.886),
    ("bieger-pacific-mountain-system", 10.0, 6.917),
    ("nc-rural-piedmont", TEN_MI2, 9.754), ("northeast-2013", TEN_MI2, 12.157),
]  # fmt: skip


@pytest.mark.parametrize(("curve", "area", "width"), WIDTHS)
def test_bankfull_width(by_curve, curve, area, width):
    assert by_curve(curve).loc[area, "bankfull_width_m"] == pytest.approx(width, abs=0.001)


@pytest.mark.parametrize(
    ("curve", "area", "depth"),
    [("usa", 1.0, 0.3), ("usa", 100.0, 0.8001), ("usa", 1000.0, 1.3065), ("bieger-atlantic-plain", 10.0, 0.5049),
     ("nc-rural-piedmont", TEN_MI2, 0.955), ("northeast-2013", TEN_MI2, 0.6295)],
)  # fmt: skip
def test_bankfull_depth(by_curve, curve, area, depth):
    assert by_curve(curve).loc[area, "bankfull_depth_m"] == pytest.approx(depth, abs=0.001)


@pytest.mark.parametrize(
    ("curve", "discharge"),
    [("nc-rural-piedmont", 13.232), ("northeast-2013", 9.2695), ("massachusetts-2013", 234.10 * 0.028316846592),
     ("new-york-5", 325.16 * 0.028316846592)],
)  # fmt: skip
def test_bankfull_discharge(by_curve, curve, discharge):
    assert by_curve(curve).loc[TEN_MI2, "bankfull_discharge_m3_s"] == pytest.approx(discharge, abs=0.002)


def own(**power):
    return {"hydraulics": {"curve": "mine.toml", "own_curve": {"units": "si", **power}}}


def test_a_curve_in_miles_and_feet_gives_the_width_of_the_same_curve_in_kilometres(sized):
    us = {"hydraulics": {"curve": "mine.toml", "own_curve": {"units": "us", "width": [11.89, 0.43], "depth": [1, 0.3]}}}
    si = own(width=[11.89 * 0.3048 * 2.589988110336**-0.43, 0.43], depth=[0.3, 0.3])
    one, other = (reaches_of(sized, **sections)["bankfull_width_m"] for sections in (us, si))
    np.testing.assert_allclose(one, other, rtol=1e-11)


@pytest.mark.parametrize(("slope", "discharge", "width", "power"), [(0.005, 10, 12, 40.875), (0.002, 3, 8, 7.3575)])
def test_unit_stream_power(sized, slope, discharge, width, power):
    """The slope is fitted to heights kept as float32: that takes 1e-3 of it at most."""
    made = sized
    if slope != 0.005:
        made = whole_chain(streams(side_by_side(1), area_km2=10.0), plane(slope), settings())
    sections = own(width=[width, 1e-12], depth=[1.0, 1e-12], discharge=[discharge, 1e-12])  # alike for all areas
    got = reaches_of(made, **sections)
    assert got["unit_stream_power_w_m2"].iloc[0] == pytest.approx(power, rel=1e-3)


def test_chain_from_area_alone(sized):
    """USA curve, 10 km2, slope .005, n .04 all the way up: the rising form of roughness is put below it."""
    sections = {"curve": "usa", "manning_low": 0.04, "steep_roughness": {"factor": 1e-6}}
    row = reaches_of(sized, hydraulics=sections).loc[10.0]
    assert row["bankfull_discharge_m3_s"] == pytest.approx(2.958, rel=1e-3)
    assert row["unit_stream_power_w_m2"] == pytest.approx(23.894, rel=2e-3)


def test_power_of_the_northeast_curve(by_curve):
    assert by_curve("northeast-2013").loc[TEN_MI2, "unit_stream_power_w_m2"] == pytest.approx(37.40, rel=1e-3)


# ---------------------------------------------------------------- slope, sinuosity, order, areas


def test_error_of_a_slope_fitted_to_51_heights():
    line = PLACE.line((50, 0), (560, 0))
    made = whole_chain(streams([line], area_km2=1.0), plane(0.001), settings())
    row = reaches_of(made, dem={"vertical_error_m": 0.1}).iloc[0]
    assert row["slope_window_m"] == pytest.approx(500, abs=11)
    assert row["slope_m_m"] == pytest.approx(0.001, rel=1e-2)
    assert row["slope_se_m_m"] == pytest.approx(9.513e-5, abs=2e-7)


def waves():
    """Four waves of a sine whose amplitude times wave number is 1."""
    u = np.linspace(0, 8 * np.pi, 8001)
    return shapely.LineString(PLACE.on_map(50 + 20 * u, 20 * np.sin(u)))


def steps():
    """Up 100, across 400, down 100: 600 m over 400."""
    return PLACE.line((50, 0), (50, 100), (450, 100), (450, 0))


@pytest.mark.parametrize(("line", "sinuosity", "within"), [(waves, 1.2160, 5e-4), (steps, 1.5, 1e-9)])
def test_sinuosity(line, sinuosity, within):
    made = whole_chain(streams([line()], area_km2=0.01), plane(0.005), settings())
    assert reaches_of(made).iloc[0]["sinuosity"] == pytest.approx(sinuosity, abs=within)


NETWORK = {
    "a": ((0, -40), (100, -30)), "b": ((0, -20), (100, -30)), "c": ((0, 0), (200, -15)), "f": ((100, -30), (200, -15)),
    "d": ((0, 40), (200, 50)), "e": ((0, 60), (200, 50)), "g": ((200, -15), (400, 15)), "h": ((200, 50), (400, 15)),
    "i": ((400, 15), (500, 20)), "j": ((0, 100), (500, 20)), "k": ((500, 20), (650, 20)),
}  # fmt: skip
"""Heads a b c d e j; f = a + b, g = c + f, h = d + e, i = g + h, k = i + j."""
GREAT_KM2 = 1e4
"""Drainage area given at each head: the ground of the little plane is nothing beside it."""


def carried(network, heads, **columns):
    """Give order and sum of sources of each line, by name, from stages on layers."""
    lines = streams([PLACE.line(*ends) for ends in network.values()], source_id=list(network), **columns)
    points = gpd.GeoDataFrame(
        {"area_km2": [GREAT_KM2] * len(heads)},
        geometry=[shapely.Point(PLACE.on_map(*network[name][0])) for name in heads],
        crs=CRS,
    )
    all_of_it = check(WATERSHED, gpd.GeoDataFrame(geometry=[PLACE.box(*SQUARE)], crs=CRS))
    made = whole_chain(lines, plane(0.01), settings(), inflows=check(INFLOWS, points), watershed=all_of_it)
    reaches = made["reach_measures"].sort_values(["segment_no", "from_m"]).groupby("segment_no").first()
    segment = made["segments"].set_index("segment_no")
    middles = {name: PLACE.line(*ends).interpolate(0.5, normalized=True) for name, ends in network.items()}
    where = {name: segment.distance(point).idxmin() for name, point in middles.items()}
    order = {name: int(segment.loc[number, "strahler_order"]) for name, number in where.items()}
    magnitude = (reaches["drainage_area_km2"] / GREAT_KM2).round()
    magnitude = {name: magnitude.loc[number] for name, number in where.items()}
    return order, magnitude


@pytest.fixture(scope="module")
def tree():
    return carried(NETWORK, "abcdej")


def test_orders_of_strahlers_network(tree):
    assert tree[0] == {**dict.fromkeys("abcdej", 1), "f": 2, "g": 2, "h": 2, "i": 3, "k": 3}


def test_magnitudes_of_shreves_network(tree):
    assert tree[1] == {**dict.fromkeys("abcdej", 1), "f": 2, "g": 3, "h": 2, "i": 5, "k": 6}


def test_a_divided_channel_that_rejoins_raises_neither_order_nor_area():
    """p and q meet in a, a parts into m (main) and n (minor), which meet again in z."""
    network = {
        "p": ((0, -30), (100, 0)), "q": ((0, 30), (100, 0)), "a": ((100, 0), (200, 0)), "m": ((200, 0), (400, 0)),
        "n": ((200, 0), (300, 80), (400, 0)), "z": ((400, 0), (600, 0)),
    }  # fmt: skip
    order, magnitude = carried(network, "pq", divergence=[None, None, None, 1, 2, None])
    assert (order["a"], order["m"], order["z"]) == (2, 2, 2)
    assert (magnitude["a"], magnitude["z"]) == (2, 2)


def test_accumulation_of_the_6_by_6_grid():
    """The drainage area of every cell by the heights alone, in cells of 100 m2, itself counted."""
    line = shapely.LineString([(45, 15), (45, 5)])
    tables = {"segments": segments(line), "watershed": empty(WATERSHED)}
    made = share_catchments(
        tables, {"elevation": source(HEIGHTS.astype(np.float32), 0.0, 60.0, 10.0)}, settings().part(("streams",))
    )
    np.testing.assert_array_equal(np.rint(made["plain_area"].values * 1e4), COUNTS + 1)


def test_a_missing_code_of_an_area_is_missing_when_layers_are_read(tmp_path):
    config = write_plain(tmp_path)
    config.write_text(config.read_text().replace("[columns]", '[columns]\nstreams.area_km2 = "area"'))
    table = gpd.read_file(tmp_path / "streams.gpkg").assign(area=[-9998.0, 3.2, -9999.0])
    (tmp_path / "streams.gpkg").unlink()
    table.to_file(tmp_path / "streams.gpkg", driver="GPKG")
    inputs = read_inputs(gisprio.read_settings(config))
    np.testing.assert_array_equal(inputs.tables["streams"]["area_km2"], [np.nan, 3.2, np.nan])
    assert any(found.check == "value" and "-9998" in found.says for found in inputs.findings)
    inputs.close()
