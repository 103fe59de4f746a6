"""map-public.html as a file: no property, bank or reach in it, totals by hand, nothing to be found by subtracting."""

from __future__ import annotations

import base64
import dataclasses
import hashlib
import json
import re

import numpy as np
import pyproj
import pytest
import shapely

from gisprio.contracts.words import CAUTION
from gisprio.products.backdrop import draw_backdrop
from gisprio.products.payload import decode, encode
from gisprio.products.public_map import public_data, write_public_map
from unit.products.product_world import CRS, EVIL, make_results
from unit.products.public_world import EVEN, make_public_results

MOST_BY_ONE = (5000.0, 100.0, 100.0, 100.0, 100.0)
HELD = {"Upper": EVEN, "Middle": EVEN[:4], "Lower": EVEN, "Other": MOST_BY_ONE}
GAPS = {"Upper": 0.9, "Middle": 0.3, "Lower": 0.5, "Other": 0.25}


def write(results, tmp_path):
    path = tmp_path / "map-public.html"
    write_public_map(path, results)
    return path.read_text(encoding="utf-8")


def payload(page):
    return decode(re.search(r'<script type="text/plain" id="payload">([^<]*)</script>', page)[1])


def data_of(results):
    """Give the data as the page gets them."""
    return decode(encode(public_data(results, None)))


def told(table, row):
    """Give the numbers of a part, as people read them."""
    return {
        name: None if column["v"][row] is None else column["v"][row] / 10 ** column["d"]
        for name, column in table.items()
        if isinstance(column, dict)
    }


@pytest.fixture(scope="module")
def results():
    return make_public_results(HELD, gaps=GAPS)


@pytest.fixture(scope="module")
def page(results, tmp_path_factory):
    return write(results, tmp_path_factory.mktemp("map"))


@pytest.fixture(scope="module")
def data(page):
    return payload(page)


def secrets(results):
    """List what must stand nowhere in the file."""
    tables = results.tables
    return [
        *tables["properties"]["property_id"],
        *tables["frontages"]["property_id"],
        *tables["banks"]["bank_id"],
        *tables["reaches"]["reach_id"],
        *tables["gaps"]["gap_id"],
        *tables["banks"]["why"],
        *tables["findings"]["says"],
        "joint_neighbours",
        "dem.tif",
        "subs.gpkg",
    ]


def test_no_id_no_reason_and_no_path_stands_in_the_page_or_its_data(results, page, data):
    hidden = secrets(results)
    assert len(hidden) > 100
    assert [word for word in hidden if word in page] == []
    text = json.dumps(data, ensure_ascii=False)
    assert [word for word in hidden if word in text] == []


def test_the_data_hold_these_columns_and_no_other(data):
    totals = {"bank_km", "known_km", "gap_km", "gap_ha", "missing", "erode", "both", "erosion_only", "gap_only", "none"}
    assert set(data) == {"about", "classes", "needs", "streams", "parts", "total"}
    assert set(data["streams"]) == {"shapes", "name", "part"}
    assert set(data["parts"]) == {"name", "told", "class", *totals}
    assert set(data["total"]) == totals
    assert set(data["about"]) == {
        "title", "date", "caution", "contact", "units", "system", "setback_m", "counts", "told_by", "fewest",
        "most_share", "line_m", "exaggeration",
    }  # fmt: skip
    assert data["about"]["contact"] == "Friends of the Brook, brook@example.org"
    assert (data["about"]["title"], data["about"]["date"]) == ("Tansy Brook", "2026-03-04")
    assert data["about"]["caution"] == CAUTION


def test_totals_of_a_part_by_hand(data):
    """Eight banks of 200 m, on each 180 m of gap 25 m deep; two of them likely to erode all along."""
    row = data["parts"]["name"].index("Upper")
    assert told(data["parts"], row) == {
        "bank_km": 1.6, "known_km": 1.6, "gap_km": 1.4, "gap_ha": 3.6, "missing": 0.9, "erode": 0.25,
        "both": 0.25, "erosion_only": 0.0, "gap_only": 0.25, "none": 0.5,
    }  # fmt: skip
    assert data["parts"]["class"][row] == 0


def test_four_properties_are_pooled_with_a_neighbour_and_five_stand_alone(data):
    assert data["parts"]["name"] == ["Lower and Middle", "Other", "Upper"]
    assert data["parts"]["told"] == [1, 0, 1]
    pooled = told(data["parts"], 0)
    assert pooled["bank_km"] == 3.2
    assert pooled["missing"] == 0.4
    assert data["parts"]["class"][0] == 2
    five = data_of(make_public_results({**HELD, "Middle": EVEN}, gaps=GAPS))
    assert five["parts"]["name"] == ["Lower", "Middle", "Other", "Upper"]
    assert told(five["parts"], 1)["missing"] == 0.3


def test_a_property_without_frontage_is_not_counted():
    results = make_public_results({"Upper": [*EVEN[:4], 0.0], "Lower": EVEN})
    assert data_of(results)["parts"]["name"] == ["Whole watershed"]
    assert data_of(make_public_results({"Upper": EVEN, "Lower": EVEN}))["parts"]["name"] == ["Lower", "Upper"]


def test_one_property_that_makes_up_most_keeps_its_part_out(data):
    row = data["parts"]["name"].index("Other")
    assert set(told(data["parts"], row).values()) == {None}
    assert data["parts"]["class"][row] == -1
    even = data_of(make_public_results({**HELD, "Other": EVEN}, gaps=GAPS))
    assert told(even["parts"], even["parts"]["name"].index("Other"))["missing"] == 0.25


def test_what_is_kept_out_is_in_no_total(results, data):
    """The total is the sum of the parts that are told, so that no subtraction leaves the one that is not."""
    parts = [told(data["parts"], row) for row, one in enumerate(data["parts"]["told"]) if one]
    total = told(data["total"], 0)
    for name in ("bank_km", "gap_km", "gap_ha"):
        assert total[name] == pytest.approx(sum(part[name] for part in parts), abs=0.11)
    assert total["bank_km"] == 4.8
    assert total["gap_km"] == 2.7  # 8 banks of 180 m, 8 of 60 m and 8 of 100 m
    assert total["missing"] == 0.57
    everything = results.tables["banks"]["gap_length_m"].sum() / 1000
    assert everything == pytest.approx(3.12)
    others = make_public_results(HELD, gaps={**GAPS, "Other": 0.85})
    changed = data_of(others)
    assert told(changed["total"], 0) == total
    for row in range(3):
        assert told(changed["parts"], row) == told(data["parts"], row)


def test_nothing_is_told_of_too_few_properties_altogether():
    data = data_of(make_public_results({"Upper": EVEN[:2], "Lower": EVEN[:2]}))
    assert data["parts"]["name"] == ["Whole watershed"]
    assert data["parts"]["told"] == [0]
    assert set(told(data["parts"], 0).values()) == {None} == set(told(data["total"], 0).values())
    assert sum(data["streams"]["shapes"]["parts"]) >= 2


def whole_only(results, by):
    data = data_of(results)
    assert data["about"]["told_by"] == by
    assert data["parts"]["name"] == ["Whole watershed"]
    assert told(data["parts"], 0) == told(data["total"], 0)
    return told(data["total"], 0)


def without(results, *names, **changed):
    tables = {name: table for name, table in results.tables.items() if name not in names}
    return dataclasses.replace(results, tables={**tables, **changed})


def test_without_properties_only_the_whole_is_told(results):
    land = results.tables["properties"]
    got = whole_only(without(results, "frontages", properties=land[:0]), "unknown")
    assert (got["bank_km"], got["gap_km"]) == (6.4, 3.1)


def test_without_frontages_only_the_whole_is_told_where_its_properties_allow(results):
    land = results.tables["properties"]
    none = results.tables["frontages"][:0]
    even = without(results, frontages=none, properties=land[~land["property_id"].str.startswith("O")])
    assert whole_only(even, "whole")["gap_km"] == 3.1
    most = land.assign(frontage_m=np.where(land["property_id"] == "O000/P", 99_000.0, 10.0))
    assert whole_only(without(results, "frontages", properties=most), "whole")["gap_km"] is None
    assert whole_only(without(results, "frontages", properties=land[:4]), "whole")["gap_km"] is None


def test_without_sub_watersheds_the_whole_is_one_part(results):
    reaches, banks = (results.tables[name].assign(sub_watershed_id=None) for name in ("reaches", "banks"))
    assert whole_only(without(results, reaches=reaches, banks=banks), "parts")["bank_km"] == 6.4


def test_labels_that_gisprio_made_are_not_told():
    """They hold ids of segments; the part takes the names of its two longest streams."""
    results = make_public_results({"W-0001": EVEN, "W-0002": EVEN}, given=False, names=("Sorrel Run", "Hazel Beck"))
    data = data_of(results)
    assert data["parts"]["name"] == ["Sorrel Run", "Hazel Beck"]
    assert "W-000" not in json.dumps(data)
    same = make_public_results({"W-0001": EVEN, "W-0002": EVEN}, given=False, names=("Sorrel Run",))
    assert data_of(same)["parts"]["name"] == ["Sorrel Run (1)", "Sorrel Run (2)"]
    banks = same.tables["banks"].assign(name=None)
    assert data_of(without(same, banks=banks))["parts"]["name"] == ["Part 1", "Part 2"]


def test_a_coarse_look_tells_no_gap_and_no_need():
    results = make_public_results({"Upper": EVEN, "Lower": EVEN})
    banks = results.tables["banks"].assign(gap_length_m=None, gap_area_m2=None, width_known_share=None)
    data = data_of(without(results, banks=banks))
    got = told(data["parts"], 0)
    assert {got[name] for name in ("known_km", "gap_km", "gap_ha", "missing", "both", "none")} == {None}
    assert (got["bank_km"], got["erode"]) == (1.6, 0.25)
    assert data["parts"]["class"] == [-1, -1]
    assert data["parts"]["told"] == [1, 1]


def test_the_share_is_of_what_was_measured():
    results = make_public_results({"Upper": EVEN, "Lower": EVEN}, gaps={"Upper": 0.3})
    banks = results.tables["banks"].assign(width_known_share=0.5)
    got = told(data_of(without(results, banks=banks))["parts"], 1)
    assert (got["bank_km"], got["known_km"], got["gap_km"], got["missing"]) == (1.6, 0.8, 0.5, 0.6)


def test_banks_that_were_not_judged_are_not_counted():
    results = make_public_results({"Upper": EVEN * 2, "Lower": EVEN})
    banks, reaches = results.tables["banks"].copy(), results.tables["reaches"].copy()
    reaches.loc[reaches.index[0], "kind"] = "ditch"
    banks.loc[banks.index[:2], "not_ranked"] = "a ditch"
    data = data_of(without(results, banks=banks, reaches=reaches))
    assert told(data["parts"], data["parts"]["name"].index("Upper"))["bank_km"] == 1.2
    assert data["streams"]["part"] == [-1, 0, 1]
    none = data_of(without(results, banks=banks.assign(not_ranked="a ditch")))
    assert none["parts"]["name"] == []
    assert told(none["total"], 0)["bank_km"] is None
    assert set(none["streams"]["part"]) == {-1}


def lines_of(packed):
    """Give the packed runs as lines in the working system."""
    x, y = (np.cumsum(packed[name]) / 10 ** packed["digits"] for name in ("x", "y"))
    to_metres = pyproj.Transformer.from_crs("EPSG:4326", pyproj.CRS.from_wkt(CRS), always_xy=True)
    xy = np.column_stack(to_metres.transform(x, y))
    return [shapely.LineString(run) for run in np.split(xy, np.cumsum(packed["points"])[:-1])]


def test_lines_are_coarse_and_tell_no_reach(results, data):
    reaches, packed = results.tables["reaches"], data["streams"]["shapes"]
    assert packed["digits"] == 4
    assert packed["tolerance_m"] == 50.0
    lines = lines_of(packed)
    true = shapely.union_all(reaches.geometry.to_numpy())
    vertices = shapely.get_coordinates(lines)
    assert len(vertices) < shapely.get_num_coordinates(true) / 10
    assert len(lines) < len(reaches) / 2
    assert shapely.distance(shapely.points(vertices), true).max() < 12
    densest = shapely.segmentize(true, 5.0)
    assert shapely.distance(shapely.points(shapely.get_coordinates(densest)), shapely.union_all(lines)).max() < 62
    ends = np.array([shapely.get_coordinates(line)[-1] for line in reaches.geometry])
    inner = np.array([n for n in range(len(ends)) if n % 4 != 3])
    shown = [shapely.distance(shapely.points(ends[n]), shapely.multipoints(vertices)) < 8 for n in inner]
    assert sum(shown) < len(inner) / 2


def test_streams_of_a_part_and_a_name_are_one(data):
    assert list(zip(data["streams"]["part"], data["streams"]["name"]["v"], strict=True)) == [
        (0, 0),
        (0, 1),
        (1, 2),
        (2, 2),
    ]
    assert data["streams"]["name"]["w"] == ["Hazel Beck", "Sorrel Run", "Tansy Brook"]


def test_pieces_shorter_than_the_grid_of_places_are_left_out():
    results = make_public_results({"Upper": EVEN, "Lower": EVEN})
    reaches = results.tables["reaches"].copy()
    stub = shapely.LineString([(500_000, 5_300_000), (500_000.03, 5_300_000)])
    reaches.loc[reaches.index[0], "name"] = "Stub"
    reaches.geometry = [stub, *reaches.geometry[1:]]
    streams = data_of(without(results, reaches=reaches))["streams"]
    assert "Stub" not in streams["name"]["w"]
    assert len(streams["part"]) == len(streams["name"]["v"]) == len(streams["shapes"]["parts"])
    points = streams["shapes"]["points"]
    assert min(points) >= 2
    assert sum(points) == len(streams["shapes"]["x"]) == len(streams["shapes"]["y"])


def test_every_script_is_allowed_by_its_hash_and_text_stands_in_the_payload_only(tmp_path):
    results = make_public_results({"Upper": EVEN, EVIL[0]: EVEN}, names=EVIL[:3], title=EVIL[1], contact=EVIL[4])
    page = write(results, tmp_path)
    policy = re.search(r'http-equiv="Content-Security-Policy" content="([^"]+)"', page)[1]
    scripts = re.findall(r"<script>(.*?)</script>", page, flags=re.DOTALL)
    digests = [base64.b64encode(hashlib.sha256(s.encode()).digest()).decode() for s in scripts]
    assert len(scripts) == 3
    assert digests == re.findall(r"'sha256-([^']+)'", policy)
    assert [text for text in (*EVIL, CAUTION) if text in page] == []
    data = payload(page)
    assert data["parts"]["name"] == [EVIL[0], "Upper"]
    assert (data["about"]["title"], data["about"]["contact"]) == (EVIL[1], EVIL[4])
    assert not re.findall(r"""<(?:link|img|iframe|script)[^>]+(?:src|href)=["'](?!data:)""", page)


def test_equal_results_give_equal_bytes(results, page, tmp_path):
    assert write(results, tmp_path) == page


def test_a_hillshade_lies_under_it_but_no_image_of_the_users(results, page, tmp_path):
    picture = draw_backdrop(results.elevation, results.crs)
    image = dataclasses.replace(picture, has_image=True)
    assert write(dataclasses.replace(results, backdrop=lambda: picture), tmp_path) == page
    without_base = write(dataclasses.replace(results, backdrop=lambda: image), tmp_path)
    assert page.count("data:image/webp") == 1
    assert "data:image/webp" not in without_base
    assert payload(without_base)["about"]["exaggeration"] is None


def test_us_units_are_miles_and_acres():
    units = data_of(make_public_results({"Upper": EVEN}, units="us"))["about"]["units"]
    assert (1.609344 * units["km"][0], units["km"][1]) == (pytest.approx(1.0), "mi")
    assert (0.40468564224 * units["ha"][0], units["ha"][1]) == (pytest.approx(1.0), "acres")


def test_any_results_will_do():
    data = data_of(make_results(4))
    assert data["about"]["told_by"] == "parts"
    assert (data["parts"]["name"], data["parts"]["told"]) == (["Whole watershed"], [0])
    assert data_of(make_results(1, ditches=1, properties=False))["parts"]["name"] == []
