"""The soil at bank points, and its factor, on a straight stream whose bank points lie at x = 3 and -3."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from gisprio.compute.banks.polygon_values import mean_inside
from gisprio.compute.factors.subsoil_fines import CARD, critical_shear_pa
from gisprio.compute.scoring.sides import score_sides
from gisprio.compute.scoring.values import value_score
from makers import frame
from tables import bank_chain, settings

SOUTH = shapely.LineString([(0, 1000), (0, 0)])


@pytest.mark.reference
@pytest.mark.parametrize(("fines", "pascal"), [(0.0, 0.1), (20.0, 4.5908), (50.0, 13.070), (100.0, 22.490)])
def test_critical_shear_of_bare_soil(fines, pascal):
    """Julian and Torres 2006."""
    assert critical_shear_pa(fines) == pytest.approx(pascal, abs=1e-3)
    assert value_score(np.array([fines]), CARD.nodes)[0] == pytest.approx(1 - pascal / 22.5, abs=1e-4)


@pytest.mark.reference
def test_critical_shear_under_sparse_trees():
    """Julian and Torres 2006: 5.40 times that of bare soil."""
    assert critical_shear_pa(50.0, 5.40) == pytest.approx(70.578, abs=0.01)


def test_between_nodes_the_score_is_that_of_the_formula_within_half_a_hundredth():
    fines = np.linspace(0, 100, 1001)
    score = value_score(fines, CARD.nodes)
    assert np.abs(score - (1 - critical_shear_pa(fines) / 22.5)).max() < 0.005
    assert (np.diff(score) < 0).all()


def test_where_units_overlap_or_meet_their_mean_counts_and_units_that_tell_nothing_do_not():
    units = np.array([shapely.box(0, 0, 10, 10), shapely.box(10, 0, 20, 10), shapely.box(15, 0, 30, 10)], object)
    x, y = np.array([5.0, 10.0, 17.0, 25.0, 40.0]), np.full(5, 5.0)
    got = mean_inside(x, y, units, np.array([20.0, 60.0, np.nan]))
    assert got[:3].tolist() == [20.0, 40.0, 60.0]
    assert np.isnan(got[3:]).all()
    assert np.isnan(mean_inside(x, y, units[:0], np.empty(0))).all()


def test_a_bank_scores_by_the_soil_it_stands_in():
    """Left 20 % fines, right 50 % below y 500 and nothing known above: by hand 1 - 4.5908/22.5 and 1 - 13.07/22.5."""
    units = [shapely.box(0, 0, 50, 1000), shapely.box(-50, 0, 0, 500), shapely.box(-50, 500, 0, 1000)]
    soils = frame(units, k_us=[0.3] * 3, silt_clay_pct=[20.0, 50.0, np.nan])
    core = bank_chain(SOUTH, lambda x, y: np.full(x.shape, 1), halo={"soils": soils})
    banks = score_sides(core, {}, {}, settings())["bank_measures"].set_index(["reach_no", "side"])
    left, right = banks.xs(0, level="side"), banks.xs(1, level="side")
    assert set(left["subsoil_fines_pct"]) == {20.0}
    assert set(left["subsoil_fines_basis"]) == {"modelled"}
    assert left["subsoil_fines_score"].tolist() == pytest.approx([79.6] * 5)
    assert right["subsoil_fines_score"].tolist()[:2] == pytest.approx([41.9] * 2)
    assert right["subsoil_fines_basis"].tolist()[3:] == ["missing"] * 2
