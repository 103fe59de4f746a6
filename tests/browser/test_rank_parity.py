"""The page ranks by the same whole numbers as Python: every rank, priority and need, of banks and of properties."""

from __future__ import annotations

from importlib.resources import files

import numpy as np
import pandas as pd
import pytest

from gisprio.compute.land.ranks import rank_properties_again
from gisprio.compute.scoring.again import rank_again
from gisprio.compute.scoring.keys import log_table, split_weights, whole_weights
from unit.scoring.again_world import PRIORITY, by_group, make_world, weightings

NEEDS = ("both", "erosion_only", "gap_only", "none")
WEIGHTINGS = 50
RUN = """([world, front, choices, count]) => choices.map((choice) => {
  const list = (values) => Array.from(values, (v) => (Number.isNaN(v) ? -1 : v));
  const got = rankAgain(world, choice), whole = list(got.priority).map((v) => (v < 0 ? -1 : Math.round(100 * v)));
  const land = rankProperties(front, whole, count);
  const banks = ["erosion", "gap", "erosionWorst", "gapWorst", "priority", "rank", "erosionRank", "gapRank", "need"];
  const properties = ["priority", "gapKey", "rank"], order = list(inOrder(got.rank));
  return [...banks.map((name) => list(got[name])), ...properties.map((name) => list(land[name])), order];
})"""
TIME = """([world, choice]) => {
  const n = 131072, laid = (type, values) => type.from({ length: n }, (_, row) => values[row % values.length]);
  const factors = world.factors.map((factor) => (
    { ...factor, score: laid(Int16Array, factor.score), worst: laid(Int16Array, factor.worst) }));
  const own = { ...world, factors, ranked: laid(Uint8Array, world.ranked) }, took = [];
  for (let turn = 0; turn < 7; turn++) {
    const start = performance.now();
    rankAgain(own, { ...choice, erosion: 30 + turn });
    took.push(performance.now() - start);
  }
  return took;
}"""


@pytest.fixture
def ranker(page):
    page.add_script_tag(content=(files("gisprio.products") / "assets" / "rank.js").read_text(encoding="utf-8"))
    return page


def plain_world(banks, factors):
    """Give banks and factors as rank.js takes them."""
    return {
        "ranked": banks["not_ranked"].isna().astype(int).tolist(),
        "needAt": PRIORITY.need_at,
        "factors": [
            {name: row[name] for name in ("group", "used", "floors", "shares")}
            | {"score": thousandths(banks[row["score_column"]]), "worst": thousandths(banks[row["worst_column"]])}
            for row in factors.to_dict("records")
        ],
    }


def thousandths(scores):
    return np.round(scores * 10).fillna(-1).astype(int).tolist()


def plain_frontages(frontages, banks, properties):
    gap = [None if pd.isna(metres) else round(metres * 1000) for metres in frontages["gap_length_m"]]
    return {
        "property": properties.get_indexer(frontages["property_id"]).tolist(),
        "bank": pd.Index(banks["bank_id"]).get_indexer(frontages["bank_id"]).tolist(),
        "frontage_mm": np.rint(frontages["frontage_m"] * 1000).astype(int).tolist(),
        "gap_mm": [float("nan") if one is None else one for one in gap],
    }


def choice_of(weighting):
    return {**weighting.weights, "factors": weighting.factors, "combine": weighting.combine}


def whole(values, per=1):
    """Give numbers as the page lists them, -1 where there is none."""
    return [-1 if pd.isna(value) else round(float(value) * per) for value in values]


def test_ranks_priorities_and_needs_of_50_weightings_are_those_of_python(ranker):
    world = make_world()
    properties = pd.Index(sorted(set(world.frontages["property_id"])))
    chosen = list(weightings(world.factors, WEIGHTINGS))
    front = plain_frontages(world.frontages, world.banks, properties)
    plain = [plain_world(world.banks, world.factors), front, [choice_of(one) for one in chosen], len(properties)]
    orders = set()
    for weighting, got in zip(chosen, ranker.evaluate(RUN, plain), strict=True):
        banks = rank_again(world.banks, world.factors, PRIORITY, **by_group(world.factors, weighting))
        land = rank_properties_again(world.frontages, banks).set_index("property_id").reindex(properties)
        want = [whole(banks[f"{name}_score"], 100) for name in ("erosion", "gap", "erosion_worst", "gap_worst")]
        want.append([-1 if pd.isna(value) else value for value in banks["priority"]])
        want += [[max(rank, 0) for rank in whole(banks[name])] for name in ("rank", "erosion_rank", "gap_rank")]
        want.append([NEEDS.index(need) if need in NEEDS else -1 for need in banks["need"]])
        want.append([-1 if pd.isna(value) else value for value in land["priority"]])
        want.append(whole(land["priority_gap_m"], 10))
        want.append([max(rank, 0) for rank in whole(land["rank"])])
        rank = banks["rank"].astype(float).fillna(np.inf).to_numpy()
        want.append(np.lexsort([np.arange(len(rank)), rank]).tolist())
        for place, (page_says, python_says) in enumerate(zip(got, want, strict=True)):
            assert page_says == python_says, (place, weighting)
        orders.add(tuple(want[5]))
    assert len(orders) > 1.7 * WEIGHTINGS


def test_weights_are_made_whole_and_shared_as_in_python(ranker):
    draw = np.random.default_rng(5)
    lists = [[0.0, 0.0], [1.0, 1.0, 1.0], [0.1] * 10, [1e12, 1e-12, 1.0], [1 / 3, 1 / 3, 1 / 3, 1.0]]
    lists += [(draw.random(n) * 10.0 ** draw.integers(-6, 6)).round(3).tolist() for n in draw.integers(1, 12, 300)]
    lists += [draw.integers(0, 8, n).astype(float).tolist() for n in draw.integers(1, 12, 300)]
    shares = [[str(name) for name in draw.choice(["", "form", "cover"], len(one))] for one in lists]
    asked = """([lists, shares]) => lists.map((one, k) =>
      [wholeWeights(one, 100), wholeWeights(one, 1000), sharedWeights(one, shares[k])])"""
    for given, names, got in zip(lists, shares, ranker.evaluate(asked, [lists, shares]), strict=True):
        keyed, named = ({f"{k:02d}": one for k, one in enumerate(values)} for values in (given, names))
        want = [list(whole_weights(keyed, total).values()) for total in (100, 1000)]
        assert got == [*want, list(split_weights(keyed, named).values())], (given, names)


def test_whole_logarithms_are_those_of_python_and_keys_stay_exact(ranker):
    got = ranker.evaluate("() => Array.from(logTable())")
    assert got == log_table().tolist()
    assert 100 * max(got) < 2**53


def test_131_072_banks_are_ranked_again(ranker):
    world = make_world(4096)
    choice = choice_of(next(weightings(world.factors, 1)))
    took = ranker.evaluate(TIME, [plain_world(world.banks, world.factors), choice])
    print(f"131,072 banks ranked again in ms: {', '.join(f'{one:.0f}' for one in took)}")  # noqa: T201
    assert len(took) == 7
