"""River, road and rail parcels, by word and by shape."""

import shapely

from gisprio.compute.land.passages import class_reason, mark_passages
from gisprio.contracts.findings import findings_from
from gisprio.contracts.layers import PARCELS_MARKED, ROADS, WATER
from gisprio.contracts.schema import check, empty
from makers import frame
from tables import settings

PARCELS = [
    ("farm", "farm", shapely.box(0, 10, 500, 400)),
    ("by-word", "Road reserve", shapely.box(0, 400, 500, 600)),
    ("wet", None, shapely.box(0, -10, 500, 10)),
    ("along", None, shapely.box(0, -25, 500, -10)),
    ("crossed", None, shapely.box(0, -400, 500, -25)),
]


def _tables(water=True):
    properties = frame([p[2] for p in PARCELS], property_id=[p[0] for p in PARCELS])
    properties["class"] = [p[1] for p in PARCELS]
    road = frame([shapely.LineString([(0, -17), (500, -17)]), shapely.LineString([(250, -400), (250, 400)])])
    road["class"] = ["primary", "track"]
    pool = frame([shapely.box(-50, -8, 550, 8)], kind=["channel"])
    return {
        "properties": properties,
        "roads": road[["class", "geometry"]],
        "water": pool if water else empty(WATER, properties.crs),
    }


def test_passed_over_by_word_by_water_and_by_road():
    got = mark_passages(_tables(), {}, settings())
    parcels = check(PARCELS_MARKED, got["parcels"]).set_index("property_id")["passed_over"]
    assert parcels.dropna().to_dict() == {"by-word": "road", "wet": "river", "along": "road"}
    (finding,) = findings_from(got["findings"])
    assert finding.says == "3 river, road or rail parcels get no frontage: by-word, wet, along."


def test_nothing_without_water_or_roads_but_words():
    tables = _tables(water=False)
    tables["roads"] = empty(ROADS, tables["properties"].crs)
    got = mark_passages(tables, {}, settings())["parcels"]
    assert got["passed_over"].dropna().tolist() == ["road"]


def test_words_are_whole_words():
    assert class_reason("Broadleaf") is None
    assert class_reason("rail_line") == "rail"
    assert class_reason("right of way") == "road"
