"""Visits at their banks: places, heights, scars and ranks on a straight stream, and words of agreement."""

import numpy as np
import pandas as pd
import pytest
import shapely

from gisprio.compute.banks.bank_heights import as_visited, bank_height
from gisprio.compute.scoring.ranks import last_verdicts, rank_banks
from gisprio.compute.scoring.sides import score_sides
from gisprio.compute.visits.agreement import Agreement, Area
from gisprio.compute.visits.judging import agreement_words, desk_scores, judge_visits, usable
from gisprio.compute.visits.places import place_visits
from gisprio.contracts.layers import VISITS
from gisprio.contracts.schema import check
from makers import frame
from tables import bank_chain, nearby, network, settings

SOUTH = shapely.LineString([(0, 1000), (0, 0)])
"""Five reaches of 200 m; the left bank lies east, at x 3."""


def visits(*places, side=0, **columns):
    """Give filled forms at (x, y), of the left bank but for ``side``."""
    none = {column.name: np.nan if column.kind == "float" else None for column in VISITS.columns}
    given = none | {"side": side, "at_random": False, "at_desk": False, "date_y": 2025.5} | columns
    given |= {"visit_id": [f"V{n + 1}" for n in range(len(places))]}
    return check(VISITS, frame([shapely.Point(*place) for place in places], **given))


def placed(forms, *lines):
    tables = network(*(lines or (SOUTH,)))
    got = place_visits({**tables, "visits": forms}, {}, settings())
    return got["visit_places"], got["findings"]


def test_a_visit_is_matched_to_the_nearest_bank_of_its_side():
    """Lines 40 m apart: x 22 lies 19 m from the left bank of the first, at 3, and 15 m from the right of the second."""
    other = shapely.affinity.translate(SOUTH, 40, 0)
    left, _ = placed(visits((22, 410)), SOUTH, other)
    right, _ = placed(visits((22, 410), side=1), SOUTH, other)
    columns = ["segment_no", "reach_no", "side", "at_m", "away_m"]
    assert left[columns].to_numpy().tolist() == [[0, 2, 0, 410.0, 19.0]]
    assert right[columns].to_numpy().tolist() == [[1, 7, 1, 410.0, 15.0]]


def test_it_speaks_for_50_m_inside_its_reach():
    got, _ = placed(visits((3, 500), (3, 405), (3, 999)))
    assert got[["from_m", "to_m"]].to_numpy().tolist() == [[475, 525], [400, 450], [950, 1000]]


def test_on_the_other_side_of_a_narrow_stream_it_is_near_its_bank_and_far_off_it_is_lost():
    got, told = placed(visits((-3, 500), (34, 500)))
    assert got[["visit_no", "away_m"]].to_numpy().tolist() == [[0, 6.0]]
    assert told["says"].tolist() == ["1 of 2 filled visits lie within 30 m of no bank of their side: V2 (left)."]
    assert told["do"].tolist() == [
        "Nothing, if the stream line moved or is gone; else check the points and sides. They change no bank."
    ]


def judged(forms, height=None):
    """Run the bank stages on a weak wooded stream with these visits; banks by id, and the tables."""
    place = place_visits({**network(SOUTH), "visits": forms}, {}, settings())["visit_places"]
    core = bank_chain(SOUTH, lambda x, y: np.full(x.shape, 1), halo={"visit_places": place}, height=height)
    core["reach_measures"] = core["reach_measures"].assign(unit_stream_power_w_m2=5.0)
    core["valleys"] = core["valleys"].assign(valley_width_m=60.0)
    core |= score_sides(core, {}, {}, settings())
    tables = nearby() | core | {"visits": forms}
    tables |= rank_banks(tables, {}, settings())
    return tables["banks"].set_index("bank_id"), tables


@pytest.fixture(scope="module")
def seen():
    """Left bank at 500: erodes, 2.4 m, 95 degrees. At 700: stable. Right bank at 300: the line is wrong."""
    forms = pd.concat(
        [
            visits((3, 500), erodes=1.0, bank_height_m=2.4, bank_angle_deg=95.0, verdict="ok", material="silt",
                   stratification="none", root_depth_m=0.72, root_density_pct=79.0, surface_protection_pct=54.0),
            visits((3, 700), erodes=0.0),
            visits((-3, 300), side=1, verdict="wrong line"),
        ],
        ignore_index=True,
    )  # fmt: skip
    return judged(forms)


def test_a_bank_seen_to_erode_scores_80_and_only_there_the_words_say_so(seen):
    banks, _ = seen
    assert banks.loc["S0-03-L", ["observed_erosion", "erosion_score"]].tolist() == [1.0, 80.0]
    assert banks.loc["S0-03-L", "why"].startswith("Erodes")
    assert not banks["why"].drop("S0-03-L").str.contains("rodes").any()
    assert banks.loc["S0-04-L", "observed_erosion"] == 0.0
    assert banks["observed_erosion"].drop(["S0-03-L", "S0-04-L"]).isna().all()


def test_what_was_measured_stands_where_the_map_told_nothing(seen):
    banks, tables = seen
    assert banks["bank_height_m"].dropna().to_dict() == {"S0-03-L": 2.4}
    rows = tables["side_heights"].merge(tables["stations"][["segment_no", "station_no", "at_m"]])
    there = rows["bank_height_code"] == "visit"
    assert rows.loc[there, "at_m"].tolist() == [477.5 + 5 * n for n in range(10)]
    assert rows.loc[there, ["bank_height_m", "bank_angle_deg", "side"]].drop_duplicates().to_numpy().tolist() == [
        [2.4, 95.0, 0.0]
    ]
    assert rows.loc[~there, "bank_height_m"].isna().all()


def test_a_bad_verdict_takes_the_bank_out_of_the_ranking(seen):
    banks, _ = seen
    assert banks.loc["S0-02-R", "not_ranked"] == "a visit found the line wrong here"
    assert banks["not_ranked"].drop("S0-02-R").isna().all()
    assert banks["rank"].isna().to_dict() == {bank: bank == "S0-02-R" for bank in banks.index}


def test_the_latest_visit_counts():
    forms = visits((3, 500), (3, 520), (3, 540), erodes=1.0, bank_height_m=2.0)
    forms = forms.assign(verdict=["wrong line", "ok", None], date_y=[2023.5, 2025.5, 2026.5], erodes=[1.0, 1.0, 0.0])
    banks, tables = judged(forms)
    assert set(last_verdicts(tables["bank_measures"], tables["visit_places"])["verdict"]) == {None, "ok"}
    assert banks["not_ranked"].isna().all()
    assert banks.loc["S0-03-L", "observed_erosion"] == pytest.approx(0.8)  # from 515 on the last saw none: 40 of 50 m


def test_a_look_at_the_desk_counts_until_a_visit_says_otherwise_and_is_no_visit():
    """Left bank at 500: wrong line at the desk, ok there before that. At 700: wrong line at the desk, twice judged."""
    forms = visits((3, 500), (3, 505), (3, 700), (3, 705), (3, 100))
    forms = forms.assign(
        verdict=["wrong line", "ok", "ok", "wrong line", "ok"], at_desk=[True, False, True, True, True],
        date_y=[2026.5, 2024.5, 2025.5, 2026.5, 2025.5], erodes=[1.0, 1.0, 1.0, np.nan, 0.0],
    )  # fmt: skip
    banks, tables = judged(forms)
    assert banks["not_ranked"].dropna().to_dict() == {"S0-04-L": "a look at the desk found the line wrong here"}
    got = judge_visits(tables, {}, settings())
    assert got["shown_visits"]["seen_at"].tolist() == ["desk", "bank", "desk", "desk", "desk"]
    assert got["visit_agreement"]["visits"].tolist() == [1]
    assert got["visit_agreement"]["says"].tolist() == [
        "How well the scores agree with the visits cannot be judged: 1 usable visits, of 30 wanted. "
        "4 looks at the desk do not count here: nobody was at the bank."
    ]


def test_a_look_at_the_desk_that_lies_at_another_bank_than_it_names_is_told():
    """Rows whose places were mixed up; a bank of another run is no mistake, nor is a visit that went elsewhere."""
    forms = visits((3, 500), (3, 700), (3, 300), (3, 300), (200, 500), verdict="ok")
    names = ["S0-03-L", "S0-03-L", "GONE-L", "S0-01-L", "S0-00-L"]
    forms = forms.assign(bank_id=names, at_desk=[True, True, True, False, True])
    told = judge_visits(judged(forms)[1], {}, settings())["findings"]
    assert told.loc[told["check"] == "other_bank", ["severity", "says"]].to_numpy().tolist() == [
        ["warning", "1 look at the desk lies at another bank than the one named: S0-03-L at S0-04-L."]
    ]


def test_without_visits_no_height_is_touched():
    core = bank_chain(SOUTH, lambda x, y: np.full(x.shape, 1))
    assert as_visited(core["side_heights"], core["stations"], core["visit_places"]) is core["side_heights"]


def test_the_height_of_a_bank_is_what_a_visit_measured_there():
    code = np.array(["visit", "top", "top"], object)
    bank = {"has_bank": np.ones(3, bool), "length_m": np.full(3, 5.0), "bank_height_m": np.array([2.4, 1.0, 1.0]),
            "bank_height_code": code}  # fmt: skip
    assert bank_height(bank, settings().dem) == {"bank_height_m": 2.4, "bank_height_says": None}


def test_visits_are_shown_with_bank_and_field_index_apart_from_scores(seen):
    """Height 2.4 over 0.5 of the curve: 10; roots .3: 5.9; 79 %: 1.98; 95 degrees 8.09; 54 %: 3.98."""
    _, tables = seen
    got = judge_visits(tables, {}, settings())
    shown = got["shown_visits"]
    assert shown["bank_id"].tolist() == ["S0-03-L", "S0-04-L", "S0-02-R"]
    assert shown["field_hazard_index"].iloc[0] == pytest.approx(10 + 5.9 + 1.976 + 8.09 + 3.98, abs=0.01)
    assert shown["field_hazard_class"].fillna("none").tolist() == ["moderate", "none", "none"]
    assert shown["bankfull_height_basis"].tolist() == ["modelled"] * 3
    assert shown["field_hazard_says"].iloc[2].startswith("not seen: bank height over bankfull height, root depth")
    assert not any("hazard" in name for name in tables["banks"].columns)
    assert got["visit_agreement"]["says"].tolist() == [
        "How well the scores agree with the visits cannot be judged: 2 usable visits, of 30 wanted."
    ]
    assert got["findings"]["severity"].tolist() == ["note"]


def test_the_score_compared_is_without_what_was_seen(seen):
    banks, tables = seen
    desk = desk_scores(tables["banks"], tables["factors"], settings().priority)
    assert banks.loc["S0-03-L", "erosion_worst_score"] == 80.0
    assert desk.loc["S0-03-L", "erosion_score"] == pytest.approx(desk.loc["S0-05-L", "erosion_score"])
    assert "S0-02-R" not in desk.index


def test_visits_at_random_share_the_banks_that_were_not_visited_for_their_rank():
    desk = pd.DataFrame({"erosion_score": 50.0, "priority": 50.0}, index=[f"B{n}" for n in range(11)])
    shown = visits(*[(3, 100)] * 5, erodes=1.0).assign(
        bank_id=["B0", "B1", "B2", "B2", "gone"], at_random=[False, True, True, True, True], erodes=[1, 0, 1, 0, 1.0],
        seen_at="bank", date_y=[2025, 2025, 2025.5, 2026, 2025.0],
    )  # fmt: skip
    got = usable(shown, desk)
    assert got.index.tolist() == ["B0", "B1", "B2"]
    assert got["weight"].tolist() == [1.0, 5.0, 5.0]
    assert got.loc["B2", "erodes"] == 0.0


def test_agreement_in_words():
    told = Agreement(44, 11, "", 0.453, 0.31, 39, Area(0.78, 0.62, 0.889), (12, 5, 3, 24), ("bend",))
    assert agreement_words(told, {"bend": "Outer bend"}, 50.0) == (
        "44 usable visits, 11 of them at random. A bank that erodes has the higher erosion score in 78% of pairs with "
        "one that does not (95 % interval 62% to 89%; 50 % is chance). Rank correlation with the field index, on 39 "
        "visits: erosion score 0.45, priority 0.31. Of 17 scored 50 or above 12 erode; of 27 scored below 3 do. High "
        "where banks do not erode, so misleading here: Outer bend."
    )
