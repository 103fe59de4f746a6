"""The story of the sample: what was planted in it is ranked, or passed over, as somebody who knows streams would do.

``sample_layers/planted.csv`` tells what was planted, by the geometry of the invented world alone. A place is taken
to the nearest bank line of its side. Weights are drawn 2,000 times; the scores of the factors stay as they are.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from numpy.typing import NDArray

import gisprio
from gisprio.compute.factors import factors_of
from gisprio.compute.scoring import chance
from gisprio.compute.scoring.errors import model_errors
from gisprio.compute.scoring.observed import observed_least
from gisprio.compute.scoring.ranks import factor_table
from gisprio.compute.scoring.robustness import draw_weighing
from gisprio.faces.main import main
from makers import LENGTH_M, PASTURE, WATER, WOODY, Place, straight_valley

PLANTED = Path(__file__).resolve().parents[2] / "sample_layers" / "planted.csv"
DRAWS = 2000
NOT_RANKED = {
    "lake path": "standing water, without a bank",
    "ditch": "a ditch",
    "pipe": "piped",
    "tidal reach": "tidal",
}


@dataclass(frozen=True)
class Story:
    """Banks of the sample, one row a planted bank, and ranks in each draw (draws x ranked banks, in their order)."""

    banks: gpd.GeoDataFrame
    planted: pd.DataFrame
    ranked: pd.Index
    ranks: NDArray[np.int32]

    def of(self, what: str) -> pd.DataFrame:
        """Give the banks of one kind of planted thing."""
        return self.planted[self.planted["what"] == what]

    def share(self, banks: pd.Series, held: NDArray[np.bool_]) -> pd.Series:
        """Give the share of draws in which something holds of each bank."""
        return pd.Series(held.mean(axis=0), self.ranked)[banks]


def ranks_under_drawn_weights(banks: pd.DataFrame, reaches: pd.DataFrame, settings) -> NDArray[np.int32]:
    """Rank banks by whole keys under each draw of the weights; (draws, banks)."""
    used = factor_table(banks, settings.priority, factors_of(settings)).query("used")
    score = model_errors(banks, used, reaches, settings.priority).score
    robustness = settings.robustness.model_copy(update={"draws": DRAWS})
    least = {f"{group}_least": observed_least(banks, group) for group in ("erosion", "gap")}
    weighing = replace(draw_weighing(used, settings.priority, robustness), **least)
    ranks = np.empty((DRAWS, len(banks)), np.int32)
    for draw in range(DRAWS):
        chance.rank_keys(weighing.keys(score, draw), ranks[draw])
    return ranks


def planted_banks(banks: gpd.GeoDataFrame) -> pd.DataFrame:
    """Give the nearest bank of each planted place, of the side that is named or of both."""
    rows = []
    for place in pd.read_csv(PLANTED).itertuples():
        for side in ("left", "right") if place.side == "both" else (place.side,):
            own = banks[banks["side"] == side]
            apart = own.distance(shapely.Point(place.x, place.y))
            rows.append({"what": place.what, "apart_m": apart.min(), **own.loc[apart.idxmin()].drop("geometry")})
    return pd.DataFrame(rows)


@pytest.fixture(scope="module")
def story(sample_results, sample_config) -> Story:
    """Run the sample, find the planted banks, draw the weights."""
    results, settings = gisprio.open_results(sample_results), gisprio.read_settings(sample_config)
    banks = results.banks
    ranked = banks[banks["rank"].notna()].reset_index(drop=True)
    ranks = ranks_under_drawn_weights(ranked, results.reaches, settings)
    return Story(banks, planted_banks(banks), pd.Index(ranked["bank_id"]), ranks)


@pytest.mark.slow
def test_places_lie_on_their_banks_and_weights_differ(story):
    """Each place is on the stream of its bank, and the draws do not repeat the ranks of the run."""
    assert (story.planted["apart_m"] < 30).all()  # half the pond's width
    assert (story.planted["apart_m"][story.planted["what"] != "lake path"] < 6).all()
    assert story.planted["bank_id"].is_unique
    assert (story.ranks.std(axis=0) > 0).mean() > 0.8
    run = story.banks.set_index("bank_id").loc[story.ranked, "rank"].to_numpy()
    assert np.corrcoef(run, np.median(story.ranks, axis=0))[0, 1] > 0.99


@pytest.mark.slow
def test_planted_bare_outer_bends_are_in_the_top_decile_in_nine_of_ten_draws(story):
    """Each of the six."""
    bends = story.of("bare outer bend")["bank_id"]
    assert len(bends) == 6
    shares = story.share(bends, story.ranks <= len(story.ranked) / 10)
    assert (shares >= 0.9).all(), shares.to_dict()


@pytest.mark.slow
def test_planted_wooded_ravines_are_in_the_lower_half_in_nine_of_ten_draws(story):
    """Both banks of each of the six."""
    ravines = story.of("wooded ravine")["bank_id"]
    assert len(ravines) == 12
    shares = story.share(ravines, story.ranks > len(story.ranked) / 2)
    assert (shares >= 0.9).all(), shares.to_dict()


@pytest.mark.slow
@pytest.mark.parametrize("what", NOT_RANKED)
def test_what_is_no_bank_to_plant_is_not_ranked_and_says_why(story, what):
    """The lake path, the ditch, the pipe and the tidal reach: measured, without a rank."""
    found = story.of(what)
    assert len(found) == 2
    assert found["not_ranked"].tolist() == [NOT_RANKED[what]] * 2
    assert found[["rank", "priority", "top_share"]].isna().all(axis=None)
    assert found["gap_length_m"].notna().all()


@pytest.mark.slow
def test_the_marsh_has_no_gap_and_is_never_at_the_top(story):
    """Marsh counts as cover, so that bends of a strong stream stay below the twentieth rank in every draw."""
    marsh = story.of("marsh")
    assert marsh["not_ranked"].isna().all()
    assert (marsh["adjacent_cover"] == "wetland").all()
    assert (marsh["gap_length_m"] == 0).all()
    assert (marsh["gap_score"] == 0).all()
    assert (marsh["erosion_score"] > 30).all()  # cover alone keeps it down
    assert (marsh["rank"] > 20).all()
    assert (story.share(marsh["bank_id"], story.ranks <= 20) == 0).all()


@pytest.mark.slow
def test_the_steep_wooded_headwater_is_never_at_the_top(story):
    """Its flow is strong for its width, but the valley leaves it no room, and the strip is whole."""
    head = story.of("steep wooded headwater")
    ranked = story.banks[story.banks["rank"].notna()]
    assert (head["unit_stream_power_w_m2"] > ranked["unit_stream_power_w_m2"].median()).all()
    assert (head["freedom_to_move"] < 0.1).all()
    assert (head["unit_stream_power_score"] < 5).all()
    assert (head["gap_length_m"] == 0).all()
    assert (head["need"] == "none").all()
    assert (head["rank"] > 20).all()
    assert (story.share(head["bank_id"], story.ranks <= 20) == 0).all()


REACH_M = 200.0
BARE, THIN = (2300.0, 1), (1100.0, -1)
"""Middle of two reaches and the side of their banks: left and right."""


def two_open_banks(bare: tuple[float, int], thin: tuple[float, int]):
    """Give a straight valley with 60 m of wood, but for one bank without any and one with 12 m of it."""

    def cover(u: NDArray, v: NDArray) -> NDArray:
        wood = np.full(np.shape(u), 63.0)
        for (at, side), edge in ((bare, 3.0), (thin, 15.0)):
            wood[(np.abs(u - at) < REACH_M / 2) & (v * side > 0)] = edge
        code = np.where(np.abs(v) < wood, WOODY, PASTURE)
        code[np.abs(v) < 3] = WATER
        return code

    return replace(straight_valley(), cover=cover)


def ranks_of(folder: Path, world) -> pd.DataFrame:
    """Run a world and give its banks by id."""
    assert main(["run", str(world.write(folder)), "--quiet"]) == 0
    return gisprio.open_results(folder / "results").banks.set_index("bank_id")


def test_swapping_the_cover_of_two_banks_swaps_their_gap_ranks(tmp_path):
    """Two banks, alike but for their cover, take each other's gap rank; no other bank's rank moves."""
    before = ranks_of(tmp_path / "before", two_open_banks(BARE, THIN))
    after = ranks_of(tmp_path / "after", two_open_banks(THIN, BARE))
    place = Place()
    first, second = (
        before[before["side"] == ("left" if side > 0 else "right")]
        .distance(shapely.Point(place.on_map(at, 6.0 * side)))
        .idxmin()
        for at, side in (BARE, THIN)
    )
    assert first != second
    assert before.loc[[first, second], "gap_rank"].tolist() == [1, 2]
    assert after.loc[[first, second], "gap_rank"].tolist() == [2, 1]
    assert before.loc[[first, second], "gap_score"].tolist() == after.loc[[second, first], "gap_score"].tolist()
    others = before.index.difference([first, second])
    assert len(others) == 2 * LENGTH_M / REACH_M - 2
    assert (before.loc[others, "gap_rank"] == 3).all()
    assert (after.loc[others, "gap_rank"] == 3).all()
    assert before["erosion_rank"].equals(after["erosion_rank"].reindex(before.index))
