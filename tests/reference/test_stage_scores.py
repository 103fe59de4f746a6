"""Worked numbers of value functions, delivery, judged weights and rank acceptability, read off stages and runs.

Each is registered in ``checks.py``, as those of ``test_stage_checks.py`` are.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely

import gisprio
from banks_world import drawn_tables, ranked_banks, some_values, three_factors
from end_to_end.wrong_inputs import write_plain
from gisprio.compute.scoring.robustness import draw_ranks
from gisprio.compute.scoring.sides import score_sides
from gisprio.compute.terrain.delivery import measure_delivery
from gisprio.compute.terrain.flow import share_catchments
from gisprio.contracts.errors import SettingsError
from gisprio.contracts.findings import findings_from
from gisprio.contracts.grids import ArraySource
from gisprio.contracts.layers import SOILS, WATERSHED
from gisprio.contracts.schema import check, empty
from gisprio.run.check import check as check_project
from makers import CRS
from tables import bank_chain, nearby, segments, settings, source

pytestmark = pytest.mark.reference


# ---------------------------------------------------------------- value functions


BREAKS = {"unit_stream_power": [[10, 0], [35, 0.5], [300, 1]]}
"""The published breaks alone; by default a tail of our own lies below 10 W/m2."""
POWERS = {5: 0.0, 10: 0.0, 20: 0.2766, 35: 0.5, 100: 0.7443, 130.8: 0.8068, 300: 1.0, 1000: 1.0}
HEIGHT_RATIOS = {1.0: 0.0, 1.1: 0.1, 1.2: 0.3333, 1.3: 0.4037, 1.5: 0.5444, 1.6: 0.5889, 2.0: 0.7667, 2.8: 0.8889}
ANGLES = {0: 0.0, 20: 0.1, 45: 0.2389, 60: 0.3222, 80: 0.5444, 90: 0.7667}
SHEARS_PA = {0: 0.1, 20: 4.5908, 50: 13.070, 80: 20.2712, 100: 22.490}
COVERS = {"none": (0, 1.0), "grass": (1, 1 / 1.97), "dense trees": (2, 1 / 19.2)}
"""Erodibility under plants over that of bare soil, by the reach that has them: 1 / C of the published coefficients."""
REACH_M, REACHES, DEPTH_M = 200.0, 8, 0.5
LINE = shapely.LineString([(0, 1600), (0, 0)])


@pytest.fixture(scope="module")
def scored():
    """Eight reaches; reach n, upstream from the mouth, holds the n-th value of each factor. One row a reach."""
    soils = gpd.GeoDataFrame(
        {"k_us": np.nan, "silt_clay_pct": list(map(float, SHEARS_PA))},
        geometry=[shapely.box(-500, REACH_M * n, 500, REACH_M * (n + 1)) for n in range(len(SHEARS_PA))],
        crs=CRS,
    )
    cover = lambda x, y: np.array([5, 2, 1, 1])[np.clip((y / REACH_M).astype(int), 0, 3)]  # noqa: E731
    core = bank_chain(LINE, cover, halo={"soils": check(SOILS, soils)})
    number = core["stations"].set_index(["segment_no", "station_no"])["reach_no"]
    powers = dict(enumerate(np.resize(list(POWERS), REACHES).astype(float)))
    core["reach_measures"]["unit_stream_power_w_m2"] = core["reach_measures"]["reach_no"].map(powers)
    sides = core["side_heights"]
    reach = number.loc[list(zip(sides["segment_no"], sides["station_no"], strict=True))].to_numpy()
    angles = np.resize(list(ANGLES), REACHES).astype(float)
    core["side_heights"] = sides.assign(
        bank_height_m=DEPTH_M * np.array(list(HEIGHT_RATIOS))[reach], bank_angle_deg=angles[reach]
    )
    made = score_sides(core, {}, {}, settings(priority={"nodes": BREAKS}))["side_scores"]
    made["reach_no"] = number.loc[list(zip(made["segment_no"], made["station_no"], strict=True))].to_numpy()
    return made.groupby("reach_no").median(numeric_only=True)


def score(scored, factor, place):
    """Give the score 0..1 of a factor in the reach of a place; scores are kept in whole thousandths."""
    return scored.loc[place, f"{factor}_score"] / 100


@pytest.mark.parametrize("power", POWERS)
def test_score_of_unit_stream_power(scored, power):
    assert score(scored, "unit_stream_power", list(POWERS).index(power)) == pytest.approx(POWERS[power], abs=0.00051)


@pytest.mark.parametrize("ratio", HEIGHT_RATIOS)
def test_score_of_bank_height_ratio(scored, ratio):
    place = list(HEIGHT_RATIOS).index(ratio)
    assert score(scored, "bank_height_ratio", place) == pytest.approx(HEIGHT_RATIOS[ratio], abs=0.00056)


@pytest.mark.parametrize("angle", ANGLES)
def test_score_of_bank_angle(scored, angle):
    assert score(scored, "bank_angle", list(ANGLES).index(angle)) == pytest.approx(ANGLES[angle], abs=0.00056)


@pytest.mark.parametrize("fines", SHEARS_PA)
def test_score_of_critical_shear(scored, fines):
    expected = 1 - SHEARS_PA[fines] / 22.5
    assert score(scored, "subsoil_fines", list(SHEARS_PA).index(fines)) == pytest.approx(expected, abs=0.00051)


@pytest.mark.parametrize("cover", COVERS)
def test_score_of_resistance_under_cover(scored, cover):
    place, expected = COVERS[cover]
    assert score(scored, "near_bank_cover", place) == pytest.approx(expected, abs=0.0011)


BENDS = {2.5: 0.9059, 3: 0.8186, 4: 0.6556, 5: 0.5079, 6: 0.3756, 8: 0.1571}
WIDTH_M = 6.0


@pytest.fixture(scope="module")
def bends():
    """Half circles of known radius over width, to the left and right in turn; the score at the top of each."""
    corner, heading, places, tops = np.zeros(2), 0.0, [], []
    for n, ratio in enumerate(BENDS):
        radius, turn = ratio * WIDTH_M, 1.0 if n % 2 else -1.0
        middle = corner + radius * turn * np.array([-np.sin(heading), np.cos(heading)])
        angle = heading - turn * np.pi / 2 + turn * np.linspace(0, np.pi, 721)
        arc = middle + radius * np.column_stack([np.cos(angle), np.sin(angle)])
        places.append(arc[1:] if n else arc)
        tops.append(arc[360])
        corner, heading = arc[-1], heading + turn * np.pi
    line = shapely.LineString(np.concatenate(places))
    core = bank_chain(line, lambda x, y: np.full(np.shape(x), 2), step=1000.0)
    made = score_sides(core, {}, {}, settings())["side_scores"]
    sides = made.merge(core["stations"][["segment_no", "station_no", "x", "y"]], on=["segment_no", "station_no"])
    best = []
    for x, y in tops:
        near = sides[np.hypot(sides["x"] - x, sides["y"] - y) < 4]
        best.append(near["outer_bend_score"].max() / 100)
    return dict(zip(BENDS, best, strict=True))


@pytest.mark.parametrize("ratio", BENDS)
def test_score_of_a_bend(bends, ratio):
    """Smoothing over s = 15 m, three errors of the line, takes s^2 / 24 r^2 off the curvature: 4 % at 2.5 widths."""
    assert bends[ratio] == pytest.approx(BENDS[ratio], abs=0.02)


# ---------------------------------------------------------------- what the hillslope sends


def single_cells(factor, slope):
    """Supply of a metre of bank from one cell of 10 m on each side, steep as told, of cover factor C and K = 1.

    The cell behind the bank is the whole hillslope: the next falls away from the stream.
    """
    y = np.abs(np.arange(-50.0, 51.0, 10.0))
    profile = np.interp(y, [0, 10, 20, 30, 50], [0, 10 * slope, 20 * slope, 8 * slope, 0])
    dem = source(np.repeat(profile[:, None], 60, axis=1).astype(np.float32), -5.0, 55.0, 10.0)
    known = settings(streams={"burn_m": 1e-6}, delivery={"c_factor": {"pasture": factor}, "soil_k_us": 1.0})
    tables = {
        "segments": segments(shapely.LineString([(0, 0), (590, 0)])),
        "watershed": empty(WATERSHED),
        "soils": empty(SOILS, CRS),
        "legend": nearby()["legend"],
    }
    routed = share_catchments(tables, {"elevation": dem}, known.part(("streams",)))
    tables["catchments"] = routed["catchments"]
    sources = {
        "elevation": dem,
        "flow_direction": ArraySource(routed["flow_direction"]),
        "land_cover": source(np.full(dem.shape, 2, np.uint8), -5.0, 55.0, 10.0, 0),
    }
    supply = measure_delivery(tables, sources, known.part(("delivery", "streams")))["bank_supply"]
    own = supply[supply["from_m"].between(100, 450)]
    assert len(own) >= 12
    return float(own["delivery"].median())


LS_OF_A_CELL = 0.7765
"""Length and steepness of a first cell of 10 m at 10 %."""


@pytest.mark.parametrize(("index", "arrives"), [(-6, 0.0299), (-5, 0.0481), (-4, 0.0763), (-3, 0.1184), (-2, 0.1782)])
def test_what_arrives_by_index_of_connectivity(index, arrives):
    """One cell: D_up = C S sqrt(100), D_dn = 10 / (C S), so the index is 2 log10(C S); a metre of bank has 10 m2."""
    factor = 10 ** (index / 2) / 0.1
    assert single_cells(factor, 0.1) == pytest.approx(LS_OF_A_CELL * factor * arrives * 10, rel=2e-3)


def test_length_and_steepness_of_a_first_cell():
    """With C = 1 on 10 % the index is -2; LS is what is left when C, K and the share that arrives are taken out."""
    assert single_cells(1.0, 0.1) / (0.1782 * 10) == pytest.approx(LS_OF_A_CELL, rel=1e-3)


# ---------------------------------------------------------------- weights from judgements, ranks under all weights


EROSION = ("unit_stream_power", "outer_bend", "near_bank_cover", "subsoil_fines", "observed_erosion")
JUDGED = {
    "three": ([[1, 3, 5], [1 / 3, 1, 3], [1 / 5, 1 / 3, 1]], [0.636986, 0.258285, 0.104729], 0.0332),
    "four": (
        [[1, 2, 3, 4], [1 / 2, 1, 2, 3], [1 / 3, 1 / 2, 1, 2], [1 / 4, 1 / 3, 1 / 2, 1]],
        [0.467296, 0.277181, 0.160088, 0.095435],
        0.0115,
    ),
    "five": (
        [[1, 1 / 2, 4, 3, 3], [2, 1, 7, 5, 5], [1 / 4, 1 / 7, 1, 1 / 2, 1 / 3], [1 / 3, 1 / 5, 2, 1, 1],
         [1 / 3, 1 / 5, 3, 1, 1]],
        [0.263603, 0.475835, 0.053815, 0.098068, 0.108678],
        0.0161,
    ),
}  # fmt: skip
"""Judgements of factors in pairs, their weights and consistency ratio."""


def judged_config(folder, judgements, names=EROSION):
    """Give the config of the small world with judgements of erosion factors in pairs."""
    config = write_plain(folder)
    weights = ", ".join(f"{name} = 1" for name in names[: len(judgements)])
    pairs = pairs_of(judgements, names)
    with config.open("a") as file:
        file.write(f"[priority]\nerosion = {{ {weights} }}\n[priority.pairwise]\nerosion = {pairs}\n")
    return gisprio.read_settings(config)


def pairs_of(judgements, names=EROSION):
    """Give a table of judgements as pairs: first, second, how many times as important."""
    count = range(len(judgements))
    return [[names[i], names[j], judgements[i][j]] for i in count for j in count if i < j]


def told(name):
    """Give the sentence that tells weights and ratio of a set of judgements."""
    _, weights, ratio = JUDGED[name]
    shown = ", ".join(f"{key} {100 * weight:.1f} %" for key, weight in zip(EROSION, weights, strict=False))
    return f"Weights of erosion from judgements in pairs: {shown}; consistency ratio {ratio:.3f}, within 0.10."


def test_a_run_ranks_by_the_principal_eigenvector(tmp_path):
    judgements, weights, _ = JUDGED["three"]
    record = gisprio.run(judged_config(tmp_path / "world", judgements))
    got = {row["key"]: row["weight"] for row in record.factors if row["group"] == "erosion"}
    assert [got[key] for key in EROSION[:3]] == [round(1000 * weight) for weight in weights]
    said = gisprio.open_results(tmp_path / "world" / "results").findings
    assert said.loc[said["check"] == "pairwise", "says"].tolist() == [told("three")]


@pytest.mark.parametrize("name", JUDGED)
def test_weights_told_are_the_principal_eigenvector(name):
    """Of four factors the mean of rows would give 46.7, 27.8, 16.0, 9.5 %."""
    sections = {"pairwise": {"erosion": pairs_of(JUDGED[name][0])}}
    known = settings(priority=sections, robustness={"draws": 1})
    found = findings_from(draw_ranks(drawn_tables(ranked_banks(some_values(4))), {}, known)["findings"])
    assert [one.says for one in found if one.check == "pairwise"] == [told(name)]


def test_a_run_refuses_judgements_in_a_circle(tmp_path):
    circle = [[1, 9, 1 / 9], [1 / 9, 1, 9], [9, 1 / 9, 1]]
    with pytest.raises(SettingsError, match=r"consistency ratio 6\.130"):
        check_project(judged_config(tmp_path / "world", circle))


def shares(scores, top_n):
    """Give the share of draws in which each bank is among the first; weights of two factors are drawn evenly.

    A spread of 1 / sqrt(3) around two equal weights is the even distribution over all there are.
    """
    priority = {"combine": "weighted_sum", "weights": {"erosion": 100, "gap": 0}}
    values = some_values(len(scores)).assign(freedom_to_move=1.0)
    banks = ranked_banks(values, priority=three_factors(**priority))
    for name, column in (("unit_stream_power", 0), ("outer_bend", 1)):
        banks[f"{name}_score"] = [100.0 * row[column] for row in scores]
    known = settings(
        priority={"erosion": {"unit_stream_power": 50, "outer_bend": 50}, "gap": {"missing_strip": 100}, **priority},
        robustness={"draws": 10_000, "weight_spread": 3**-0.5, "error_scale": 0.0, "top_n": top_n},
    )
    return draw_ranks(drawn_tables(banks), {}, known)["drawn_banks"]["top_share"].tolist()


def test_rank_acceptability_of_two_alternatives():
    first = shares([(1, 0.2), (0.4, 0.9)], 1)
    assert first == pytest.approx([6 / 13, 7 / 13], abs=0.015)
    assert sum(first) == pytest.approx(1, abs=1e-12)


def test_rank_acceptability_of_three_alternatives():
    alternatives = [(1, 0), (0.6, 0.6), (0, 1)]
    assert shares(alternatives, 1) == pytest.approx([0.4, 0.2, 0.4], abs=0.015)
    assert shares(alternatives, 2) == pytest.approx([0.5, 1.0, 0.5], abs=0.015)
