"""Gaps that mirror each other: a shifted line is told from a field beside a wood."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from gisprio.compute.banks.mirrors import sum_mirrors
from gisprio.compute.scoring.line_offsets import judge_line_offsets, mirrored_runs
from gisprio.contracts.layers import MIRRORS
from gisprio.contracts.schema import check
from makers import frame
from tables import bank_chain, settings

LINE = shapely.LineString([(0, 1000), (0, 0)])  # left is east
NAMES = ("segments", "reach_measures", "mirrors")


def _chain(cover, low_m=None, line=LINE, halo=None):
    """Bank stages with ``mirrors``; the low of the channel is told ``low_m`` to the left of the line."""
    core = bank_chain(line, cover, halo=halo)
    if low_m is not None:
        core["valleys"]["line_offset_m"] = low_m
    core |= sum_mirrors(core, {}, {}, settings())
    check(MIRRORS, core["mirrors"])
    return core


def _runs(*args, **kwargs):
    core = _chain(*args, **kwargs)
    return mirrored_runs(*(core[name] for name in NAMES), 30.0)


def _strip(half_m, shift):
    """Wood ``half_m`` to both sides of a narrow channel that lies ``shift(y)`` east of the line; else fields."""
    return lambda x, y: np.where(np.abs(x - shift(y)) < half_m, 1, 4)


def _wooded_right(x, y):
    return np.where(x < 0, 1, 4)


def test_a_line_15_m_off_the_middle_of_a_wooded_strip_is_told_with_its_side_and_shift():
    (run,) = _runs(_strip(18, lambda y: -15), low_m=-15.0)
    assert (run.side, run.stream, run.length_m) == ("left", "S0", 1000.0)
    assert run.reach_ids == ("S0-01", "S0-02", "S0-03", "S0-04", "S0-05")
    assert run.shift_m == pytest.approx(15.0)
    (other,) = _runs(_strip(18, lambda y: 15), low_m=15.0)
    assert (other.side, other.shift_m) == ("right", pytest.approx(15.0))


@pytest.mark.parametrize("low_m", [None, 0.0, 6.0, -6.0])
def test_a_field_on_one_bank_and_a_wood_on_the_other_is_no_shift(low_m):
    assert _runs(_wooded_right, low_m=low_m) == []


@pytest.mark.parametrize("low_m", [None, 0.0])
def test_a_strip_of_30_m_on_one_bank_alone_is_no_shift(low_m):
    assert _runs(lambda x, y: np.where((x < 0) & (x > -33), 1, 4), low_m=low_m) == []


def _wandering(y):
    """The channel lies 5 to 15 m west of the line."""
    return -10 - 5 * np.sin(2 * np.pi * y / 400)


def test_widths_that_make_up_for_each_other_tell_a_shift_where_no_low_is_seen():
    (run,) = _runs(_strip(18, _wandering))
    assert run.side == "left"
    assert run.shift_m == pytest.approx(10.0, abs=1.0)


def test_the_low_under_the_line_speaks_against_a_shift():
    assert _runs(_strip(18, _wandering), low_m=0.0) == []


def test_widths_that_vary_each_by_itself_tell_no_shift():
    def cover(x, y):
        left, right = 6 + 5 * np.sin(2 * np.pi * y / 400), 22 + 5 * np.sin(2 * np.pi * y / 310)
        return np.where((x < 3 + left) & (x > -3 - right), 1, 4)

    assert _runs(cover) == []


def test_under_500_m_nothing_is_told():
    def of_length(low, high):
        return _runs(lambda x, y: np.where((y > low) & (y < high), _strip(18, lambda _: -15)(x, y), 1), low_m=-15.0)

    assert of_length(200, 600) == []
    (run,) = of_length(200, 800)
    assert run.reach_ids == ("S0-02", "S0-03", "S0-04")


def test_the_low_beside_a_line_says_nothing_of_bank_lines_at_the_water():
    water = frame([shapely.box(-3, -50, 3, 1050)], kind=["channel"])
    core = _chain(_strip(18, lambda y: -15), low_m=-15.0, halo={"water": water})
    assert (core["mirrors"]["told_m"] == 0).all()
    assert mirrored_runs(*(core[name] for name in NAMES), 30.0) == []


def test_sums_of_one_reach_by_hand():
    core = _chain(_strip(18, lambda y: -5), low_m=-2.0)  # left 10 m, right 20 m
    left, right = core["mirrors"].iloc[0], core["mirrors"].iloc[1]
    assert left[["known_m", "short_m", "told_m", "agrees_m"]].tolist() == [200.0, 200.0, 200.0, 0.0]
    assert left["shift_m2"] == pytest.approx(200 * 5.0)
    assert left["own_other_m3"] == right["own_other_m3"] == pytest.approx(200 * 10.0 * 20.0)
    assert (left["own_m2"], right["own_m2"]) == (right["other_m2"], left["other_m2"])
    assert right["short_m"] == 0.0
    core = _chain(_strip(18, lambda y: -5), low_m=-2.5)  # half of the shift: agrees
    assert core["mirrors"].iloc[0][["agrees_m", "agreed_m2"]].tolist() == [200.0, 500.0]


def _judged(**kwargs):
    core = _chain(_strip(18, lambda y: -15), low_m=-15.0)
    banks = pd.DataFrame({"reach_no": [0, 0, 1, 1, 2], "side": [0, 1, 0, 1, 0], "length_m": 200.0})
    core["bank_measures"] = banks.assign(**{"recentred_m": np.nan, "recentred_length_m": 0.0, **kwargs})
    core["gaps"] = gpd.GeoDataFrame(
        {
            "reach_id": ["S0-02", "S0-03", "X-01"],
            "certainty": ["clear", "uncertain", "clear"],
            "uncertain_because": [None, "in_water", None],
        }
    )
    return judge_line_offsets(core, {}, settings())


def test_mirrored_gaps_are_uncertain_and_a_warning():
    got = _judged()
    assert got["judged_gaps"]["certainty"].tolist() == ["uncertain", "uncertain", "clear"]
    assert got["judged_gaps"]["uncertain_because"].fillna("").tolist() == ["mirrored", "in_water", ""]
    (finding,) = got["findings"].itertuples(index=False)
    assert (finding.severity, finding.layer, finding.check, finding.feature_id) == (
        "warning",
        "streams",
        "mirrored_gaps",
        "S0-01",
    )
    assert finding.says == (
        "Along 1.0 km of S0 (S0-01 to S0-05) the strip is short on the left and full on the right, as it is beside a "
        "line that lies about 15 m too far left. The gaps there are uncertain."
    )
    assert finding.do == "Compare the line with an aerial photograph or a better map; move it, or give bank lines."


def test_what_was_recentred_is_told_with_its_median():
    moves = {"recentred_m": [-4.0, -4.0, 9.0, 9.0, 1.0], "recentred_length_m": [200.0, 200.0, 50.0, 50.0, 100.0]}
    findings = _judged(**moves)["findings"]
    says = findings.loc[findings["check"] == "recentred", "says"].tolist()
    assert says == [
        "Bank lines of half the bankfull width were re-centred on 0.3 of 0.6 km, by 4.0 m (median of reaches; 9.0 m at "
        "most): fine heights show the channel there."
    ]
