"""Landmarks: crossings, steps, constraints, works and scars, their places and sizes worked out by hand."""

import numpy as np
import pandas as pd
import pytest
import shapely

from gisprio.compute.land.landmarks import cut_to_banks, place_landmarks
from gisprio.compute.scoring.sides import score_sides
from gisprio.contracts.layers import (
    BANK_MEASURES,
    CROSSING_PLACES,
    CROSSINGS,
    KNICKPOINTS,
    SCAR_BANKS,
    SCARS,
    SHOWN_CONSTRAINTS,
    SHOWN_KNICKPOINTS,
    WORKS_DONE,
)
from gisprio.contracts.schema import check, empty
from makers import CRS, frame
from tables import bank_chain, nearby, network, settings

SOUTH = shapely.LineString([(0, 1000), (0, 0)])
"""Five reaches of 200 m; the left bank lies east, at x 3: what is shown ends at x 63 and -63."""
PROMISED = {
    "crossings": CROSSINGS,
    "shown_knickpoints": SHOWN_KNICKPOINTS,
    "shown_constraints": SHOWN_CONSTRAINTS,
    "works_done": WORKS_DONE,
    "scars": SCARS,
}
ROADS = (
    ("Secondary road", shapely.LineString([(-40, 503), (40, 503)])),
    ("Footpath", shapely.LineString([(-40, 513), (40, 513)])),
    (None, shapely.LineString([(-40, 100), (40, 100)])),
    ("Main line railway", shapely.LineString([(-40, 300), (40, 300)])),
    ("Track", shapely.LineString([(-20, 650), (20, 750)])),  # 22 degrees to the stream
)
CONSTRAINTS = (
    ("house", shapely.box(20, 100, 40, 120)),
    ("barn", shapely.box(50, 300, 100, 320)),
    ("mill", shapely.box(70, 300, 100, 320)),
    (None, shapely.LineString([(30, 400), (30, 500)])),
)
WORKS = (
    ("planting", 2015, "finished", shapely.box(3, 500, 33, 600)),
    ("logs", None, None, shapely.Point(-5, 700)),
    ("pond", 2020, "finished", shapely.Point(-90, 700)),
)
SCARS_DRAWN = (
    (2021, 1.5, shapely.LineString([(4, 380), (4, 450)])),  # 20 m along S0-02, 50 m along S0-03
    (2022, np.nan, shapely.Point(-5, 403)),
    (None, 0.8, shapely.LineString([(-14, 403), (-14, 420)])),  # no bank's
    (2023, 2.0, shapely.LineString([(5, 852), (200, 852)])),
    (2023, 2.0, shapely.box(2, 801, 6, 829)),
)


def years(values):
    return pd.array([pd.NA if value is None else value for value in values], dtype="Int64")


@pytest.fixture(scope="module")
def shown():
    """Give what the stage makes of one straight stream with all of the above."""
    kind, year, status, works = zip(*WORKS, strict=True)
    seen, height, scars = zip(*SCARS_DRAWN, strict=True)
    given = {
        "roads": frame([line for _, line in ROADS]).assign(**{"class": [word for word, _ in ROADS]}),
        "constraints": frame([shape for _, shape in CONSTRAINTS], kind=[word for word, _ in CONSTRAINTS]),
        "done": frame(list(works), kind=kind, planting=False, year=years(year), age_y=5.0, status=status),
        "eroding": frame(list(scars), year=years(seen), height_m=height),
    }
    core = bank_chain(SOUTH, lambda x, y: np.full(x.shape, 1), halo=given)
    core |= score_sides(core, {}, {}, settings())
    check(CROSSING_PLACES, core["crossing_places"])
    check(SCAR_BANKS, core["scar_banks"])
    steps = pd.DataFrame({"segment_no": [0], "at_m": [450.0], "face_from_m": [440.0], "face_to_m": [460.0]})
    core["knickpoints"] = check(KNICKPOINTS, steps.assign(drop_m=1.5, near_crossing=True))
    made = place_landmarks(nearby(**given) | core, {}, settings())
    assert list(made) == list(PROMISED)
    return {name: check(PROMISED[name], table) for name, table in made.items()}


def test_a_crossing_is_a_run_of_stations_under_roads_told_by_the_widest(shown):
    """503 m: 10 m of road and 10 m, stations at 497.5 to 512.5; the path beside it adds the one at 517.5."""
    table = shown["crossings"]
    assert table["reach_id"].tolist() == ["S0-01", "S0-02", "S0-03"]
    assert table["from_m"].tolist() == [100.0, 100.0, 103.0]
    assert table["kind"].fillna("").tolist() == ["", "railway", "road"]
    assert table["class"].fillna("").tolist() == ["", "Main line railway", "Secondary road"]
    assert table["length_m"].tolist() == [20.0, 20.0, 25.0]
    assert shapely.get_coordinates(table.geometry).tolist() == [[0, 100], [0, 300], [0, 503]]


def test_crossings_take_what_the_banks_lose(shown):
    core = bank_chain(SOUTH, lambda x, y: np.full(x.shape, 1), halo={
        "roads": frame([line for _, line in ROADS]).assign(**{"class": [word for word, _ in ROADS]})})  # fmt: skip
    banks = score_sides(core, {}, {}, settings())["bank_measures"]
    assert banks["crossing_length_m"].sum() / 2 == shown["crossings"]["length_m"].sum() == 65.0


def test_a_step_lies_on_the_line(shown):
    table = shown["shown_knickpoints"]
    assert table.drop(columns="geometry").to_numpy().tolist() == [["S0-03", 50.0, 1.5, True]]
    assert shapely.get_coordinates(table.geometry).tolist() == [[0, 450]]


def test_constraints_are_cut_to_the_widest_setback_and_30_m(shown):
    table = shown["shown_constraints"]
    assert table["kind"].fillna("").tolist() == ["house", "barn", ""]
    assert table.area.tolist()[:2] == pytest.approx([400.0, 260.0])
    assert table.bounds.to_numpy()[:2].tolist() == [[20, 100, 40, 120], [50, 300, 63, 320]]
    assert table.bounds.to_numpy()[2].tolist() == [25, 395, 35, 505]  # 5 m are kept clear of a pipeline


def test_a_wider_further_rule_shows_more_and_a_line_is_never_too_thin():
    pipeline = shapely.LineString([(30, 400), (30, 500)])
    given = {"constraints": frame([CONSTRAINTS[2][1], pipeline], kind=["mill", "pipeline"])}
    core = bank_chain(SOUTH, lambda x, y: np.full(x.shape, 1), halo=given)
    core |= score_sides(core, {}, {}, settings())
    core["knickpoints"] = empty(KNICKPOINTS)
    wide = settings(setback={"also": {"wide": {"width_m": 50.0}}})
    bare = settings(works={"clear_m": 0.0})
    tables = nearby(**given) | core
    bounds = [place_landmarks(tables, {}, one)["shown_constraints"].bounds.to_numpy().tolist() for one in (bare, wide)]
    assert bounds == [[[29, 399, 31, 501]], [[70, 300, 83, 320], [25, 395, 35, 505]]]


def test_works_keep_kind_year_and_status_and_a_point_is_ten_metres_wide(shown):
    table = shown["works_done"]
    assert table["kind"].tolist() == ["planting", "logs"]
    assert table["year"].tolist() == [2015, pd.NA]
    assert table["status"].fillna("").tolist() == ["finished", ""]
    assert table.bounds.to_numpy().tolist() == [[3, 500, 33, 600], [-10, 695, 0, 705]]


def test_a_scar_is_a_line_and_names_the_bank_most_of_it_lies_along(shown):
    table = shown["scars"]
    assert table["bank_id"].fillna("").tolist() == ["S0-03-L", "S0-03-R", "", "S0-05-L", "S0-05-L"]
    assert table["reach_id"].fillna("").tolist() == ["S0-03", "S0-03", "", "S0-05", "S0-05"]
    assert table["year"].tolist() == [2021, 2022, pd.NA, 2023, 2023]
    np.testing.assert_array_equal(table["height_m"], [1.5, np.nan, 0.8, 2.0, 2.0])
    assert table.bounds.to_numpy()[1].tolist() == [-10, 398, 0, 408]
    assert table.length.drop(1).tolist() == pytest.approx([70.0, 17.0, 58.0, 64.0])


def test_shapes_near_several_banks_are_whole_and_others_empty():
    """Two banks 100 m apart: 60 m around them is a strip from -60 to 160; a line beside it keeps its parts."""
    banks = np.array([shapely.LineString([(x, 0), (x, 1000)]) for x in (0, 100)], dtype=object)
    shapes = np.array(
        [
            shapely.box(-500, 400, 500, 500),
            shapely.LineString([(-100, 450), (300, 450)]),
            shapely.box(400, 400, 500, 500),
            shapely.box(160, 400, 200, 500),  # touches only
        ],
        dtype=object,
    )
    got = cut_to_banks(shapes, banks, 60.0)
    assert shapely.bounds(got[:2]).tolist() == [[-60, 400, 160, 500], [-60, 450, 160, 450]]
    assert shapely.area(got[0]) == pytest.approx(22_000)
    assert shapely.get_type_id(got[1]) == shapely.GeometryType.LINESTRING
    assert shapely.is_empty(got[2:]).all()


def test_nothing_given_gives_the_columns():
    tables = network(SOUTH)
    nothing = {layer.name: empty(layer) for layer in (KNICKPOINTS, CROSSING_PLACES, SCAR_BANKS)}
    made = place_landmarks(nearby() | tables | nothing | {"bank_measures": empty(BANK_MEASURES, CRS)}, {}, settings())
    for name, table in made.items():
        assert len(check(PROMISED[name], table)) == 0
        assert table.crs == CRS
