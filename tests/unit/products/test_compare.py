"""The page, map and layers of a comparison made by hand."""

from __future__ import annotations

import re
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import pytest
import shapely

from gisprio.compute.compare.totals import sub_watershed_totals
from gisprio.contracts.compare import CHANGED_GAPS, COMPARE_LAYERS, WORKS_BETWEEN, Compared, Comparison
from gisprio.contracts.layers import MONITORING
from gisprio.contracts.schema import check, empty
from gisprio.contracts.words import CAUTION
from gisprio.products.compare import compare_page, write_compare_layers
from gisprio.products.compare_map import compare_map
from gisprio.products.compare_visits import plotted, series_ends
from gisprio.products.compare_words import doubts, in_short, length

CRS = pyproj.CRS("EPSG:32633").to_wkt()
HOSTILE = "</svg><script>alert(1)</script>\u202e"


def make_changes(name=None):
    rows = [
        ("closed", 300.0, "clear"),
        ("closed", 15.0, "uncertain"),
        ("opened", 120.0, "clear"),
        ("gone", 40.0, "clear"),
    ]
    frame = pd.DataFrame(rows, columns=["change", "length_m", "certainty"]).assign(
        side="left", bank_id_before="a", bank_id="A", name=name, sub_watershed_id=name, buffer_width_before_m=2.0,
        buffer_width_m=30.0,
    )  # fmt: skip
    lines = [shapely.LineString([(y, y), (y + 100, y)]) for y in (0, 200, 400, 600)]
    return check(CHANGED_GAPS, gpd.GeoDataFrame(frame, geometry=lines))


def make_works(name=None):
    frame = pd.DataFrame(
        {"kind": [name or "planting"], "year": [2024], "status": [None], "streams": ["Tansy Brook"], "banks": ["A"],
         "length_m": [80.0], "gap_m": [80.0], "closed_m": [0.0]}
    )  # fmt: skip
    return check(WORKS_BETWEEN, gpd.GeoDataFrame(frame, geometry=[shapely.box(0, 0, 80, 20)]))


def make_series(place="P"):
    rows = [("2024-05-01", 90.0, None, False), ("2026-05-01", 70.0, -20.0, False)]
    frame = pd.DataFrame(rows, columns=["date", "value", "since_first", "at_least"]).assign(
        place_id=place, bank_id="A", reach_id="A", side="left", visit_id="V1", days=[0.0, 730.0], measure="survival",
        mark=None, unit="%", per_year=np.nan, says=None,
    )  # fmt: skip
    return check(MONITORING, frame)


def make(name=None, **options):
    stations = pd.DataFrame({"sub_watershed_id": [name] * 2, "length_m": [400.0, 400.0], "gap": [True, False]})
    stations = stations.assign(buffer_width_m=1.0, woody_share=[0.0, 1.0])
    changes = make_changes(name)
    ranks = pd.DataFrame(
        {
            "what": ["bank", "bank", "property"], "before": ["a", "b", "p"], "after": ["A", "B", name or "P"],
            "name": [name, None, None], "rank_before": [1, 2, 3], "rank": [2, 1, 1], "moved": [-1, 1, 2],
            "priority_before": [50.0, 40.0, 30.0], "priority": [40.0, 45.0, 30.0],
            "reason": ["scores", "others", "scores"], "why": ["Missing strip: 90.0 to 10.0", "", ""],
            "within": [False, True, None], "gap_before_m": [200.0, 0.0, 10.0], "gap_m": [0.0, 0.0, 10.0],
            "comparable": True, "gap_comparable": True,
        }
    )  # fmt: skip
    inputs = pd.DataFrame(
        [("layer", "land_cover", name or "a.tif", "b.tif", "state", "gaps")],
        columns=["kind", "name", "before", "after", "meaning", "reaches"],
    )
    unmatched = pd.DataFrame(
        {"what": ["bank"], "before": [12], "after": [12], "matched": [11], "gone": [name or "x"], "came": ["y"]}
    )
    totals = sub_watershed_totals(stations, stations, changes, comparable=True)
    tables = {"inputs": inputs, "ranks": ranks, "totals": totals, "unmatched": unmatched}
    tables = {key: check(COMPARE_LAYERS[key], table) for key, table in tables.items()}
    tables |= {"changes": changes, "works": make_works(name), "monitoring": make_series(name or "P")}
    made = Comparison(
        before=Compared(name or "Tiny", "then", "2024-01-01", "aa"),
        after=Compared(name or "Tiny", "now", "2026-01-01", "bb"),
        tables=tables, incomparable=(), doubtful=(), comparable_gaps=True,
        reaches=np.array([shapely.LineString([(0, 0), (1000, 1000)])], object), crs=CRS, setback_m=30.0,
        shortest_gap_m=20.0, top_n=20, units="si",
    )  # fmt: skip
    return replace(made, **options)


def test_the_answer_says_what_differs_first():
    assert list(in_short(make())) == [
        "What differs: the ground as seen then and now: land_cover.",
        "Gaps closed on 315 m of bank (300 m of it clear) and opened on 120 m (120 m clear): 400 m of gap then, 400 m "
        "now. Neither closed nor opened: 40 m no bank there now.",
        "1 work that the earlier run did not know lies beside 80 m of bank; 0 m of gap closed there, 80 m still "
        "count as gap: land cover shows no planting for years.",
        "The ranks of 2 of 2 banks moved, 1 of them by more than the draws leave open; 0 of the first 20 are new "
        "there.",
    ]


def test_lengths_are_in_the_units_of_the_report():
    assert "Gaps closed on 1,033 ft of bank (984 ft of it clear)" in list(in_short(make(units="us")))[1]
    assert length(15_000.0, "us") == "9.3 mi"
    assert "Metres" not in compare_page(make(units="us"))


def test_doubts_name_what_has_no_partner_and_what_a_new_cover_does():
    told = doubts(make(doubtful=("sites",)))
    assert told[-1] == "Without a partner at their place: 1 of 12 banks then (x); 1 of 12 now (y)."
    assert any(text.startswith("Another land cover map differs by what grew") for text in told)
    assert any("which may move: sites. Run the earlier config again" in text for text in told)
    assert "1 of 1 " not in " ".join(told)


def test_the_page_is_whole_and_safe_with_hostile_names():
    page = compare_page(make(HOSTILE))
    assert "<script" not in page
    assert "\u202e" not in page
    assert page.count("<svg") == page.count("</svg>") == 2
    assert "&lt;/svg&gt;&lt;script&gt;" in page
    assert CAUTION in page.replace("&#x27;", "'")
    assert page == compare_page(make(HOSTILE))


def test_the_map_tells_closed_from_opened_by_form_too():
    picture = compare_map(make())
    kinds = re.findall(r'<polyline class="([^"]+)"', picture)
    assert sorted(kinds) == [
        "cm-closed", "cm-closed cm-thin", "cm-core", "cm-opened", "cm-other", "cm-stream",
    ]  # fmt: skip
    assert kinds.index("cm-core") == kinds.index("cm-opened") + 1
    assert kinds.index("cm-closed cm-thin") < kinds.index("cm-opened") < kinds.index("cm-closed")
    for text in ("N", "closed 300 m", "opened 120 m", "200 m", "gap closed: 315 m", "works done since"):
        assert f">{text}</text>" in picture
    assert picture.count("<polygon") == 2  # the arrow, the works


@pytest.mark.parametrize(("side_m", "units", "told", "bar_m"), [
    (1000, "si", "200 m", 200.0), (20_000, "si", "5 km", 5000.0), (1000, "us", "1,000 ft", 304.8),
    (20_000, "us", "2 mi", 3218.7),
])  # fmt: skip
def test_the_scale_bar_is_as_long_as_it_says(side_m, units, told, bar_m):
    reaches = np.array([shapely.LineString([(0, 0), (side_m, side_m)])], object)
    picture = compare_map(make(reaches=reaches, units=units))
    assert f">{told}</text>" in picture
    bar = re.search(r'class="cm-bar" x="[\d.]+" y="[\d.]+" width="([\d.]+)"', picture)
    stream = re.search(r'class="cm-stream" points="([\d.]+),[\d.]+ ([\d.]+),', picture)
    drawn = float(bar[1]) / (float(stream[2]) - float(stream[1]))
    assert drawn == pytest.approx(bar_m / side_m, abs=0.001)


def test_what_was_measured_in_two_ways_is_marked_and_not_summed():
    ranks = make().tables["ranks"].assign(comparable=False)
    page = compare_page(
        make(
            comparable_gaps=False, incomparable=("lengths and areas of gaps",), tables={**make().tables, "ranks": ranks}
        )
    )
    assert "measured in another way (marked * below): lengths and areas of gaps." in page
    assert "No totals: gaps of the two runs were measured in two ways." in page
    assert "Rank then *" in page
    assert "closed 300 m" not in page


def test_planted_sites_are_told_as_what_is_not_there():
    told = list(in_short(make(planted=("s1", "s2"), planted_m=150.0)))
    assert (
        told[1]
        == "Shown as if 2 sites (s1, s2), 150 m of bank, were planted and grown: nothing of it stands on the ground."
    )
    assert "As if planted: Tiny" in compare_page(make(planted=("s1",), planted_m=150.0))


def test_visits_are_told_by_first_and_last_value():
    ends = series_ends(make_series()).to_dict("records")
    assert [(row["what"], row["first"], row["last"], row["change"], row["count"]) for row in ends] == [
        ("survival", 90.0, 70.0, "-20.0 points", 2)
    ]
    pin = make_series().assign(measure="pin", mark="P1", unit="mm", at_least=[False, True])
    assert series_ends(pin)["what"].tolist() == ["pin P1"]
    assert series_ends(pin)["change"].tolist() == ["at least -20.0 mm"]
    assert len(plotted(make_series())) == 2
    assert len(plotted(pin)) == len(plotted(make_series().head(1))) == 0
    nothing = {**make().tables, "monitoring": empty(MONITORING)}
    assert "What visits saw" not in compare_page(make(tables=nothing))


def test_layers_read_back_with_what_their_fields_mean(tmp_path):
    path = tmp_path / "compare.gpkg"
    write_compare_layers(path, make())
    first = path.read_bytes()
    write_compare_layers(path, make())
    assert path.read_bytes() == first
    assert [file.name for file in tmp_path.iterdir()] == ["compare.gpkg"]
    back = gpd.read_file(path, layer="changed_gaps")
    assert back.crs.to_epsg() == 32633
    wanted = ["change", "length_m", "certainty"]
    assert back[wanted].to_numpy().tolist() == make_changes()[wanted].to_numpy().tolist()
    fields = pyogrio.read_dataframe(path, sql="SELECT * FROM gpkg_data_columns WHERE column_name = 'lost_sight_m'")
    assert fields["description"].str.startswith("In a gap then, cover not known now.").tolist() == [True]


def test_a_coarse_look_says_that_no_gap_is_measured():
    totals = make().tables["totals"].assign(known_before_m=0.0, known_m=0.0, woody_share=0.625)
    made = make(tables={**make().tables, "totals": totals, "changes": make_changes().iloc[:0]})
    told = list(in_short(made))[1]
    assert told == (
        "No gap is measured in either run: the land cover is too coarse. Woody share of the strips: "
        "50.0 % then, 62.5 % now."
    )
    page = compare_page(made)
    assert "Gap then" not in page
    assert ">gap closed" not in page
    assert "62.5 %" in page


def test_many_parts_are_told_by_those_that_changed_most_and_the_sum():
    one = make().tables["totals"]
    parts = pd.concat([one.head(1).assign(sub_watershed_id=f"W{n:02d}", closed_m=float(n)) for n in range(25)])
    page = compare_page(make(tables={**make().tables, "totals": pd.concat([parts, one.tail(1)], ignore_index=True)}))
    rows = re.findall(r'<th scope="row">(W\d\d|All)</th>', page)
    assert rows == [*(f"W{n}" for n in range(15, 25)), "All"]
    assert "15 more sub-watersheds are in the file" in page
