"""Visits of several dates as series: survival, cover, pins that move, are gone or built over, photo points."""

import datetime as dt

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from gisprio.compute.visits.monitoring import (
    day_numbers,
    eroded_m3,
    monitoring_findings,
    monitoring_series,
    pin_rate_mm_y,
    places_of,
    survival_pct,
)
from gisprio.contracts.layers import MONITORING, SHOWN_VISITS
from gisprio.contracts.schema import check
from gisprio.inputs.dates import year_of


def visits(*forms):
    """Give brought-back visits: each a dict with ``date``, perhaps ``x`` along a left bank, and what was seen."""
    none = {column.name: np.nan if column.kind == "float" else None for column in SHOWN_VISITS.columns}
    rows = []
    for number, form in enumerate(forms):
        seen = dict(form)
        x, date = seen.pop("x", 0.0), seen.pop("date", None)
        place = {"visit_id": f"V{number + 1}", "bank_id": "B-L", "reach_id": "B", "side": "left", "from_m": x}
        fixed = {"at_random": False, "bankfull_height_basis": "missing", "geometry": shapely.Point(x, 0)}
        rows.append(none | place | fixed | {"date_y": year_of(date) if date else np.nan} | seen)
    return check(SHOWN_VISITS, gpd.GeoDataFrame(rows, geometry="geometry", crs=32633))


def series(*forms, measure=None):
    got = monitoring_series(visits(*forms))
    return got if measure is None else got[got["measure"] == measure].reset_index(drop=True)


def test_published_check_values():
    """Values file, section 12: items 43 and 44."""
    assert eroded_m3(np.array([100.0]), np.array([1.5]), np.array([0.15]))[0] == pytest.approx(22.5)
    assert pin_rate_mm_y(np.array([0.16 - 0.10]), np.array([365.0]))[0] == pytest.approx(60.0)
    assert survival_pct(np.array([42.0]), np.array([10.0]), np.array([8.0]))[0] == 70.0


def test_days_are_those_of_the_calendar():
    days = [dt.date(2023, 12, 31), dt.date(2024, 2, 29), dt.date(2024, 12, 31), dt.date(2025, 1, 1)]
    days.append(dt.date(1969, 3, 1))
    numbers = day_numbers(pd.Series([year_of(day) for day in days]))
    assert numbers.tolist() == [(day - dt.date(1970, 1, 1)).days for day in days]


def test_a_pin_in_365_days_and_the_volume_it_stands_for():
    got = series(
        {"date": "2025-05-31", "pin_id": "P1", "pin_m": 0.10, "bank_height_m": 1.5, "eroding_length_m": 100.0},
        {"date": "2026-05-31", "pin_id": "P1", "pin_m": 0.25},
    )
    pins, volume = got[got["measure"] == "pin"], got[got["measure"] == "eroded volume"]
    assert pins["value"].tolist() == pytest.approx([100, 250])
    assert pins["since_first"].tolist() == pytest.approx([0, 150])
    assert pins["days"].tolist() == [0, 365]
    assert pins["per_year"].tolist() == pytest.approx([np.nan, 150], nan_ok=True)
    assert volume[["value", "per_year"]].to_numpy().tolist() == [[pytest.approx(22.5)] * 2]
    assert volume["says"].tolist() == ["100 m of bank 1.5 m high, one pin"]
    assert got["unit"].tolist() == ["mm", "mm", "m3"]
    assert got["date"].tolist() == ["2025-05-31", "2026-05-31", "2026-05-31"]
    assert not got["at_least"].any()


def test_a_face_that_builds_up_is_below_0_and_says_so():
    got = series({"date": "2024-01-01", "pin_m": 0.20}, {"date": "2024-12-31", "pin_m": 0.12}, measure="pin")
    assert got["per_year"].tolist() == pytest.approx([np.nan, -80.0], nan_ok=True)
    assert got["says"].fillna("").tolist() == ["", "the face built up: the pin stands out less than at first"]


def test_a_lost_pin_gives_at_least_what_was_in_the_bank_and_a_new_one_goes_on():
    flush = {"pin_id": "A", "pin_m": 0.0, "pin_length_m": 1.52}
    got = series(
        {"date": "2023-06-01", **flush},
        {"date": "2024-05-31", "pin_id": "A", "pin_lost": 1.0, "pin_m": 0.10},
        {"date": "2025-05-31", "pin_id": "A", "pin_m": 0.14},
        measure="pin",
    )
    assert got["since_first"].tolist() == pytest.approx([0, 1520, 1560])
    assert got["per_year"].tolist()[1:] == pytest.approx([1520, 780])
    assert got["at_least"].tolist() == [False, True, True]
    assert got["says"][1] == "gone: at least what was in the bank of its length"


def test_of_a_lost_pin_only_what_was_in_the_bank_counts_or_more_where_more_was_seen():
    first = {"date": "2024-01-01", "pin_m": 0.10, "pin_length_m": 0.60}
    gone = {"date": "2025-01-01", "pin_lost": 1.0}
    assert series(first, gone, measure="pin")["since_first"].tolist() == pytest.approx([0, 500])
    hanging = {"date": "2024-06-01", "pin_m": 0.65}  # it was told too short
    assert series(first, hanging, gone, measure="pin")["since_first"].tolist() == pytest.approx([0, 550, 550])


def test_a_lost_pin_of_unknown_length_or_unread_claims_no_more_than_was_seen():
    got = series(
        {"date": "2023-01-01", "pin_id": "A", "pin_m": 0.1}, {"date": "2024-01-01", "pin_id": "A", "pin_m": 0.3},
        {"date": "2025-01-01", "pin_id": "A", "pin_lost": 1.0}, {"date": "2025-01-01", "pin_id": "B", "pin_lost": 1.0},
        measure="pin",
    )  # fmt: skip
    a, b = got[got["mark"] == "A"], got[got["mark"] == "B"]
    assert a["since_first"].tolist() == pytest.approx([0, 200, 200])
    assert a["at_least"].tolist() == [False, False, True]
    assert a["value"].isna().tolist() == [False, False, True]
    assert b["since_first"].isna().all()
    assert b["says"].tolist() == ["gone before it was read"]
    says = [finding.says for finding in monitoring_findings(got)]
    assert says == ["1 pins are gone whose length is not told: B-L@0 (pin A)."]


def test_survival_needs_all_three_counts_and_cover_is_against_the_first_visit():
    got = series(
        {"date": "2024-04-01", "plants_alive": 60.0, "plants_dead": 0.0, "plants_missing": 0.0, "woody_cover_pct": 5.0},
        {"date": "2025-04-01", "plants_alive": 42.0, "plants_dead": 10.0, "plants_missing": 8.0, "survival_pct": 90.0},
        {"date": "2026-04-01", "plants_alive": 40.0, "woody_cover_pct": 35.0},
        {"date": "2027-04-01", "survival_pct": 65.0},
    )
    lives, cover = got[got["measure"] == "survival"], got[got["measure"] == "woody cover"]
    assert lives["value"].tolist() == pytest.approx([100, 70, np.nan, 65], nan_ok=True)
    assert lives["since_first"].tolist() == pytest.approx([0, -30, np.nan, -35], nan_ok=True)
    assert lives["says"].tolist()[1:] == [
        "42 alive, 10 dead, 8 missing",
        "dead or missing plants were not counted: write 0 where there are none",
        "judged by eye",
    ]
    assert cover[["days", "value", "since_first"]].to_numpy().tolist() == [[0, 5, 0], [730, 35, 30]]
    assert [finding.says for finding in monitoring_findings(got)] == [
        "1 counts of plants tell no dead or no missing ones, so no survival: B-L@0 (survival)."
    ]


def test_two_visits_of_one_day_are_averaged_and_one_without_a_date_stands_in_no_order():
    got = series(
        {"date": "2025-04-01", "bare_pct": 20.0}, {"date": "2025-04-01", "bare_pct": 30.0},
        {"bare_pct": 90.0}, {"date": "2026-04-01", "bare_pct": 5.0}, {"bare_pct": 80.0},
    )  # fmt: skip
    assert got["visit_id"].tolist() == ["V1, V2", "V4", "V3", "V5"]
    assert got["value"].tolist() == [25, 5, 90, 80]
    assert got["since_first"].tolist() == pytest.approx([0, -20, np.nan, np.nan], nan_ok=True)
    assert got["date"].isna().tolist() == [False, False, True, True]
    assert [finding.says for finding in monitoring_findings(got)] == [
        "2 rows have no date and stand in no order of time: B-L@0 (bare ground).",
        "1 values are means of several visits of one day: B-L@0 (bare ground).",
    ]


def test_a_photograph_that_turned_across_north_says_so():
    got = series(
        {"date": "2024-04-01", "photo_point": "F1", "photo_bearing_deg": 355.0},
        {"date": "2025-04-01", "photo_point": "F1", "photo_bearing_deg": 3.0},
        {"date": "2026-04-01", "photo_point": "F1", "photo_bearing_deg": 20.0},
        {"date": "2026-04-01", "photo_point": "F2"},
    )
    assert got["says"].fillna("").tolist() == [
        "", "", "turned: the first was taken at 355 degrees", "its bearing is not told",
    ]  # fmt: skip
    assert got["since_first"].isna().all()


def test_a_place_is_what_lies_within_15_m_of_its_first_visit_on_its_side():
    at, side = np.array([[0.0, 0], [15, 0], [29, 0], [0, 1], [-15.1, 0]]), np.array(["left"] * 3 + ["right", "left"])
    assert places_of(at, side).tolist() == [0, 0, 2, 3, 4]
    got = series(
        {"date": "2025-04-01", "bare_pct": 9.0, "x": 14.0}, {"date": "2024-04-01", "bare_pct": 8.0},
        {"date": "2026-04-01", "bare_pct": 7.0, "x": 16.0, "bank_id": None},
    )  # fmt: skip
    assert got["place_id"].tolist() == ["B-L@0", "B-L@0", "left 16 0"]
    assert got["since_first"].tolist() == [0, 1, 0]


def test_row_order_changes_nothing_and_older_results_give_no_row():
    forms = visits(
        {"date": "2024-01-01", "pin_id": "A", "pin_m": 0.1, "bare_pct": 4.0}, {"date": "2025-01-01", "pin_m": 0.2},
        {"date": "2026-01-01", "pin_id": "A", "pin_m": 0.3, "bank_height_m": 2.0, "eroding_length_m": 10.0},
    )  # fmt: skip
    pd.testing.assert_frame_equal(monitoring_series(forms), monitoring_series(forms.iloc[::-1]))
    assert monitoring_series(forms.drop(columns=["bare_pct"])).columns.tolist() == MONITORING.names()
    assert len(monitoring_series(forms.iloc[:0])) == 0
