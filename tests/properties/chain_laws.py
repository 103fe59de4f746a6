"""Laws of the whole chain, from layers on disk to ranks, on worlds of 60 x 60 cells; and of reading and writing."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pandas as pd
import pyogrio
import shapely
from hypothesis import strategies as st

import stage_runs
from gisprio.compute.network import join, nodes
from gisprio.compute.scoring import ranks
from gisprio.contracts.digests import table_digest
from gisprio.inputs import rasters
from gisprio.products import ranked
from makers import Place, World, frame
from properties.law import Law
from stage_runs import Ran, run_world
from unit.products.product_world import make_results

SIZE_M = 600.0
BANK_COLUMNS = ["gap_length_m", "buffer_width_m", "missing_strip_score", "outer_bend_score", "length_m"]


def small_world(seed: int, place: Place | None = None, order: Callable[[int], np.ndarray] = np.arange) -> World:
    """Give 60 x 60 cells of 10 m: two streams that meet, any cover in blocks, four parcels; rows in the order asked."""
    place = place or Place()
    rng = np.random.default_rng(seed)
    mouth = 250.0 + 60 * rng.random()
    bend = 25 * rng.random()
    lines = [
        place.line((40, 10), (130, bend), (mouth, 0)),
        place.line((mouth - 150, 190), (mouth, 0)),
        place.line((mouth, 0), (430, -bend), (560, 5)),
    ]
    blocks = rng.integers(1, 5, (40, 40))

    def height(u, v):
        return 100 - 0.02 * u + 0.1 * np.minimum(np.abs(v), np.abs(v - np.maximum(mouth - u, 0)))

    def cover(u, v):
        return blocks[np.floor((u + 20) / 18).astype(int) % 40, np.floor((v + 400) / 18).astype(int) % 40]

    boxes = [place.box(u0, v0, u0 + 300, v0 + 300) for u0 in (0, 300) for v0 in (-300, 0)]
    some = order(3)
    layers = {
        "streams": frame([lines[n] for n in some]),
        "properties": frame([boxes[n] for n in order(4)], parcel=[f"p{n}" for n in order(4)]),
        "roads": frame([place.line((200, -200), (200.5, 200))]).assign(**{"class": ["track"]}),
    }
    extent = (0.0, -300.0, SIZE_M, 300.0)
    return World(place, height, cover, extent, layers, cover_cell=2.0)


def ran(world: World, **how) -> Ran:
    with TemporaryDirectory() as folder:
        return run_world(world, Path(folder), **how)


@cache
def plain(seed: int) -> pd.DataFrame:
    """Banks of a small world as it comes, by place along the streams."""
    return by_place(ran(small_world(seed)))


def by_place(run: Ran, place: Place | None = None, *, swap: bool = False) -> pd.DataFrame:
    """Give measures of banks, named by where their reach begins and by side."""
    reaches = run["reaches"].set_index("reach_id").geometry
    banks = run["banks"]
    side = banks["side"].map({"left": "right", "right": "left"}) if swap else banks["side"]
    start = shapely.get_coordinates(shapely.get_point(reaches[banks["reach_id"]].values, 0))
    u, v = (place or Place()).from_map(*start.T)
    key = [f"{a:.0f} {b:.0f} {s}" for a, b, s in zip(np.round(u) + 0.0, np.round(v) + 0.0, side, strict=True)]
    return banks.set_axis(key)[BANK_COLUMNS].astype(float).sort_index()


def turned_worlds_have_the_same_banks(given: tuple[int, int, bool]) -> None:
    seed, quarters, mirrored = given
    place = Place(quarter_turns=quarters, mirrored=mirrored, x0=500_000.0 + 10 * (seed % 100))
    got, want = by_place(ran(small_world(seed, place)), place, swap=mirrored), plain(seed)
    assert got.index.equals(want.index)
    np.testing.assert_allclose(got["gap_length_m"], want["gap_length_m"], atol=10.1)  # two stations at cell borders
    np.testing.assert_allclose(got["length_m"], want["length_m"], atol=5.1)
    np.testing.assert_allclose(got["outer_bend_score"], want["outer_bend_score"], atol=0.5)
    np.testing.assert_allclose(got["missing_strip_score"], want["missing_strip_score"], atol=4.0)


def plant_sides_named_the_wrong_way_round_in_the_north(patch) -> None:
    """Streams that flow to the north have their banks' names swapped."""
    true = ranks._named

    def swapped(measures, reaches, settings):
        ends = shapely.get_coordinates(reaches.geometry.values[0])
        north = ends[-1, 1] > ends[0, 1]
        return true(measures.assign(side=1 - measures["side"]) if north else measures, reaches, settings)

    patch.setattr(ranks, "_named", swapped)


def rows_come_in_any_order(seed: int) -> None:
    one, other = ran(small_world(seed)), ran(small_world(seed, order=lambda count: np.arange(count)[::-1]))
    for name, key in (("banks", "bank_id"), ("reaches", "reach_id"), ("gaps", "gap_id"), ("properties", "property_id")):
        tables = [run["ranked_properties" if name == "properties" else name] for run in (one, other)]
        a, b = (table_digest(table.sort_values(key, ignore_index=True)) for table in tables)
        assert a == b, name


def plant_numbered_as_in_the_file(patch) -> None:
    patch.setattr(nodes, "_by_position", lambda lines: np.arange(len(lines)))
    patch.setattr(join, "position_ids", lambda lines: [f"S{n:03d}" for n in range(len(lines))])


def stages_edit_nothing(seed: int) -> None:
    """Every table a stage is given is the same afterwards, to the bit."""

    def watched(stage):
        function = true(stage)

        def call(*given):
            tables = [table for mapping in given[:-2] for table in mapping.values()]
            before = [table_digest(table) for table in tables]
            got = function(*given)
            assert [table_digest(table) for table in tables] == before, stage.name
            return got

        return call

    true = stage_runs.stage_function
    stage_runs.stage_function = watched
    try:
        ran(small_world(seed))
    finally:
        stage_runs.stage_function = true


def plant_a_stage_writes_into_its_table(patch) -> None:
    true = ranks.rank_banks

    def careless(tables, sources, settings):
        tables["bank_measures"]["gap_length_m"] += 1.0
        return true(tables, sources, settings)

    patch.setattr(ranks, "rank_banks", careless)


def layers_agree(seed: int) -> None:
    """Gap metres of banks, reaches, gaps and stations are one number; frontages are within the banks'."""
    run = ran(small_world(seed))
    total = run["banks"]["gap_length_m"].sum()
    assert abs((run["gaps"]["length_m"]).sum() - total) < 1e-6
    assert abs(run["reaches"]["gap_length_m"].sum() - total) < 1e-6
    stations = run["station_results"]
    assert abs(stations.loc[stations["gap"], "length_m"].sum() - total) < 1e-6
    frontage = run["frontages"].groupby(["reach_no", "side"])["frontage_m"].sum()
    bank = run["bank_measures"].set_index(["reach_no", "side"])["length_m"]
    assert (frontage <= bank.reindex(frontage.index) + 1e-6).all()


def plant_reaches_take_the_worse_bank(patch) -> None:
    true = ranks._reaches

    def worse(measures, banks):
        most = banks.groupby("reach_id")["gap_length_m"].max()
        made = true(measures, banks)
        return made.assign(gap_length_m=most.reindex(made["reach_id"]).to_numpy())

    patch.setattr(ranks, "_reaches", worse)


def feet_are_feet(seed: int) -> None:
    """Heights in feet, said to be so, are the same ground as heights in metres."""
    world = small_world(seed)
    with TemporaryDirectory() as folder:
        metres = run_world(world, Path(folder), until="routing_grid").sources["elevation"].grid.values
        height = world.height
        world.height = lambda u, v: height(u, v) / 0.3048
        world.config["dem"] = 'vertical_unit = "ft"'
        feet = run_world(world, Path(folder) / "feet", until="routing_grid").sources["elevation"].grid.values
    np.testing.assert_allclose(feet, metres, atol=1e-3)


def plant_feet_as_metres(patch) -> None:
    patch.setitem(rasters.UNIT_M, "ft", 1.0)


def what_is_written_is_read_back(seed: int) -> None:
    results = make_results(6, seed=seed)
    with TemporaryDirectory() as folder:
        path = Path(folder) / "ranked.gpkg"
        ranked.write_ranked(path, results)
        for name in ("reaches", "banks", "gaps", "properties"):
            want, got = results.tables[name], pyogrio.read_dataframe(path, layer=name)
            assert len(got) == len(want)
            for column in want.columns.drop("geometry"):
                gone = want[column].isna().to_numpy()
                assert (got[column].isna().to_numpy() == gone).all(), column
                assert (got[column].to_numpy()[~gone] == want[column].to_numpy()[~gone]).all(), column
            assert shapely.equals(
                shapely.normalize(shapely.get_parts(got.geometry.values)),
                shapely.normalize(shapely.get_parts(want.geometry.values)),
            ).all()


def plant_numbers_rounded_on_the_way_out(patch) -> None:
    true = ranked.write_layer

    def rounded(path, layer, table, crs, *, append):
        numbers = table.select_dtypes("float").columns
        true(path, layer, table.assign(**{name: table[name].round(1) for name in numbers}), crs, append=append)

    patch.setattr(ranked, "write_layer", rounded)


CHAIN_EXAMPLES = 2
"""Runs of the whole chain are dear: 10 with ``GISPRIO_LAW_EXAMPLES=10``."""
SEED = st.integers(0, 2**32 - 1)

LAWS = (
    Law(
        "turned chain",
        "A map that is turned, mirrored or moved has the same banks; mirrored, left is right.",
        st.tuples(st.sampled_from((3,)), st.sampled_from((2, 1, 3)), st.booleans()),
        turned_worlds_have_the_same_banks,
        "sides swapped where the stream flows north",
        plant_sides_named_the_wrong_way_round_in_the_north,
        CHAIN_EXAMPLES,
    ),
    Law(
        "rows of layers",
        "Rows of layers come in any order, and give the same ids and ranks.",
        SEED,
        rows_come_in_any_order,
        "segments numbered as in the layer",
        plant_numbered_as_in_the_file,
        CHAIN_EXAMPLES,
    ),
    Law(
        "nothing is edited",
        "No stage edits what it is given.",
        SEED,
        stages_edit_nothing,
        "a stage writes into its table",
        plant_a_stage_writes_into_its_table,
        CHAIN_EXAMPLES,
    ),
    Law(
        "sums",
        "Gap metres of stations, gaps, banks and reaches are one number; frontages are no longer than banks.",
        SEED,
        layers_agree,
        "a reach takes the gaps of its worse bank alone",
        plant_reaches_take_the_worse_bank,
        CHAIN_EXAMPLES,
    ),
    Law(
        "units of height",
        "Heights in feet are the ground in metres.",
        SEED,
        feet_are_feet,
        "feet as metres",
        plant_feet_as_metres,
        3,
    ),
    Law(
        "written and read",
        "Export then read back is the identity.",
        SEED,
        what_is_written_is_read_back,
        "numbers rounded on the way out",
        plant_numbers_rounded_on_the_way_out,
        4,
    ),
)
