"""A little chain of stages whose answers are known by hand, to test the engine without any science.

Twelve streams, each 100 m long and running south, end at the places of ``ENDS``. ``count_ponds`` counts the
ponds within 5 m of each; ``double`` takes the count of the piece; the rest makes result layers from it.
"""

from __future__ import annotations

import os
import signal
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from gisprio.contracts.cards import Product, Results, Stage
from gisprio.contracts.findings import Finding, findings_table
from gisprio.contracts.grids import ArraySource, Grid, Lattice
from gisprio.contracts.schema import Layer
from gisprio.contracts.settings import Settings
from gisprio.run.engine import Job
from gisprio.run.stages import promised

CRS = "EPSG:32633"
ENDS = [(500.0, 500.0), (1500.0, 500.0), (4100.0, 100.0), (-10.0, -10.0), (9000.0, 9000.0), (3990.0, 3990.0),
        (4010.0, 4010.0), (7000.0, 200.0), (-5000.0, 300.0), (100.0, 7990.0), (100.0, 8010.0),
        (6500.0, 6500.0)]  # fmt: skip
PONDS_AT = (0, 2, 2, 5, 8)
"""Streams beside which a pond lies; two beside stream 2."""


def fake(name: str) -> str:
    return f"unit.run.fake_chain:{name}"


STAGES = (
    Stage("routing_grid", fake("lay_grid"), "whole", (), ("elevation",), "Grid.", sources=("dem",), sections=("dem",)),
    Stage("network", fake("join"), "whole", ("streams",), ("segments",), "Network.", sections=("streams",)),
    Stage("ponds", fake("count_ponds"), "piece", ("segments",), ("ponds",), "Ponds.", halo=("water", "segments"),
          sections=("setback",)),
    Stage("doubles", fake("double"), "piece", ("ponds",), ("doubles", "station_results"), "Twice.", as_is=("legend",),
          sources=("elevation",)),
    Stage("ranks", fake("rank"), "whole", ("doubles",), ("reaches", "banks", "bank_setbacks", "gaps", "factors"),
          "Ranks."),
    Stage("property_ranks", fake("rank_properties"), "whole", ("banks",), ("ranked_properties", "shown_frontages"),
          "Properties."),
    Stage("draws", fake("draw_ranks"), "whole", ("reaches", "banks", "ranked_properties"),
          ("drawn_reaches", "drawn_banks", "drawn_properties", "robustness", "sensitivity"), "Draws."),
)  # fmt: skip
PRODUCTS = (
    Product("banks.csv", fake("write_banks"), "Banks."),
    Product("sums.txt", fake("write_sums"), "Sums."),
)
TABLES = ("segments", "ponds", "doubles", "reaches", "banks", "ranked_properties")


def make_settings(folder: Path, **sections: dict) -> Settings:
    content = {
        "run": {"name": "Fake", "output": "results"},
        "layers": {"dem": "data/dem.tif", "land_cover": "data/cover.tif"},
        "land_cover": {"legend": "own.csv"},
        "folder": folder / "project",
    }
    for name, values in sections.items():
        content[name] = {**content.get(name, {}), **values}
    return Settings.model_validate(content)


def make_inputs(
    ponds_at: tuple[int, ...] = PONDS_AT, height: float = 1.0, hill: tuple[float, float] | None = None
) -> SimpleNamespace:
    """Make the inputs; ``hill`` is a place whose cell lies higher."""
    lines = [shapely.LineString([(x, y + 100), (x, y)]) for x, y in ENDS]
    streams = gpd.GeoDataFrame(
        {"source_id": [f"s{i}" for i in range(12)], "name": None, "kind": "natural", "area_km2": np.nan},
        geometry=lines, crs=CRS,
    )  # fmt: skip
    shapes = [shapely.box(ENDS[i][0] + 2, ENDS[i][1] + 40, ENDS[i][0] + 4, ENDS[i][1] + 50) for i in ponds_at]
    water = gpd.GeoDataFrame({"kind": pd.Series([None] * len(shapes), dtype=object)}, geometry=shapes, crs=CRS)
    legend = pd.DataFrame(
        {"code": [1], "name": ["wood"], "cover": ["woody"], "c_factor": [np.nan], "min_width_m": [np.nan]}
    )
    heights = Grid(np.full((200, 200), height, np.float32), Lattice(-6000.0, 12000.0, 100.0))
    if hill is not None:
        row, column, _ = heights.index(*np.array([hill]).T)
        heights.values[row, column] += 1.0
    dem = ArraySource(heights)
    return SimpleNamespace(
        crs=CRS,
        tables={"streams": streams, "water": water, "legend": legend},
        rasters={"dem": dem},
        image=None,
        findings=[Finding("note", "streams", "made_up", "s1", "This is made up.", "Nothing.")],
        digests={"dem": f"height {height}" + (f" {hill}" if hill else ""), "streams": "0", "water": "0"},
    )


def job(inputs: SimpleNamespace, settings: Settings, folder: Path, *, fresh: bool = False) -> Job:
    return Job(inputs, settings, folder, tuple(inputs.findings), fresh=fresh, stages=STAGES, products=PRODUCTS)


def filled(layer: Layer, rows: int, geometry: list | None = None, **columns: object) -> pd.DataFrame:
    """Make rows of a layer: null where it may be, else the first word, a text, 1."""
    made = {}
    for column in layer.columns:
        value: object = None if column.null else {"text": "x", "bool": False}.get(column.kind, 1)
        if column.among and not column.null:
            value = column.among[0]
        made[column.name] = columns.get(column.name, [value] * rows)
    frame = pd.DataFrame(made)
    return frame if geometry is None else gpd.GeoDataFrame(frame, geometry=geometry, crs=CRS)


def called(stage: str, what: object = "") -> None:
    """Note a call in the file that FAKE_CALLS names; fail where FAKE_FAIL says so, die where FAKE_DIE does.

    FAKE_DIE holds a stage, how often, and a file in which deaths are noted.
    """
    if "FAKE_CALLS" in os.environ:
        with Path(os.environ["FAKE_CALLS"]).open("a") as file:
            file.write(f"{stage} {what}\n")
    dying, times, notes = os.environ.get("FAKE_DIE", "nobody 0 none").split(maxsplit=2)
    if dying == stage:
        deaths = Path(notes).read_text() if Path(notes).exists() else ""
        if len(deaths) < int(times):
            Path(notes).write_text(deaths + "x")
            os.kill(os.getpid(), signal.SIGKILL)
    if os.environ.get("FAKE_FAIL") == stage:
        raise {"disk": OSError(28, "No space left on device"), "memory": MemoryError(), "bug": ZeroDivisionError()}[
            os.environ["FAKE_FAULT"]
        ]


def lay_grid(tables, sources, settings):
    called("routing_grid")
    grid = sources["dem"].window((-1e9, -1e9, 1e9, 1e9))
    return {"elevation": replace(grid, values=grid.values * 2)}


def join(tables, sources, settings):
    called("network")
    streams = tables["streams"]
    numbers = list(range(len(streams)))
    segments = filled(
        promised("segments"), len(streams), list(streams.geometry), segment_no=numbers,
        segment_id=[f"seg{i:02d}" for i in numbers], downstream_no=[-1] * len(numbers),
        main_upstream_no=[-1] * len(numbers), length_m=list(streams.length),
    )  # fmt: skip
    found = Finding("warning", "streams", "made_up", "", "Streams are made up.", "Nothing.")
    return {"segments": segments, "findings": findings_table([found])}


def count_ponds(core, halo, sources, settings):
    own = core["segments"]
    called("ponds", sorted(own["segment_no"]))
    assert set(own["segment_no"]) <= set(halo["segments"]["segment_no"])
    near = [int((halo["water"].distance(line) <= 5).sum()) for line in own.geometry]
    return {"ponds": pd.DataFrame({"segment_no": own["segment_no"], "ponds": near})}


def double(core, halo, sources, settings):
    ponds = core["ponds"]
    called("doubles", sorted(ponds["segment_no"]))
    ends = [ENDS[n] for n in ponds["segment_no"]]
    heights = np.array([sources["elevation"].window((x, y, x, y)).values.max(initial=0) for x, y in ends])
    assert list(halo["legend"]["name"]) == ["wood"]
    doubles = ponds.assign(double=2 * ponds["ponds"] + 0 * int(heights.max()))
    stations = filled(
        promised("station_results"), len(ponds), [shapely.Point(n, 0) for n in ponds["segment_no"]],
        segment_id=[f"seg{n:02d}" for n in ponds["segment_no"]], side=["left"] * len(ponds),
    )  # fmt: skip
    return {"doubles": doubles, "station_results": stations}


def rank(tables, sources, settings):
    called("ranks")
    doubles = tables["doubles"]
    count = len(doubles)
    lines = [shapely.LineString([(0, n), (1, n)]) for n in doubles["segment_no"]]
    ids = [f"seg{n:02d}-001" for n in doubles["segment_no"]]
    score = [float(d) for d in doubles["double"]]
    rank = (doubles["double"].rank(method="min", ascending=False)).astype(int).tolist()
    reaches = filled(promised("reaches"), count, lines, reach_id=ids, priority=score, rank=rank)
    banks = filled(
        promised("banks"), count, lines, bank_id=[f"{i}-L" for i in ids], reach_id=ids, priority=score, rank=rank,
    )  # fmt: skip
    factors = filled(
        promised("factors"), 1, key=["outer_bend"], source=["nagel2014"], used=[True], weight=[1000]
    )
    return {
        "reaches": reaches, "banks": banks, "bank_setbacks": filled(promised("bank_setbacks"), 0),
        "gaps": filled(promised("gaps"), 0, []), "factors": factors,
    }  # fmt: skip


def rank_properties(tables, sources, settings):
    called("property_ranks")
    return {
        "ranked_properties": filled(promised("ranked_properties"), 0, []),
        "shown_frontages": filled(promised("shown_frontages"), 0),
    }


def draw_ranks(tables, sources, settings):
    called("draws")
    drawn = {f"drawn_{name}": tables[name] for name in ("reaches", "banks")}
    return {
        **drawn, "drawn_properties": tables["ranked_properties"],
        "robustness": filled(promised("robustness"), 1), "sensitivity": filled(promised("sensitivity"), 0),
    }  # fmt: skip


def write_banks(path: Path, results: Results) -> None:
    called("banks.csv")
    pd.DataFrame(results.tables["banks"][["bank_id", "priority", "rank"]]).to_csv(path, index=False)


def write_sums(path: Path, results: Results) -> None:
    called("sums.txt")
    heights = results.elevation.window((0, 0, 1, 1)).values
    path.write_text(f"{results.tables['banks']['priority'].sum():g} {heights.max():g}\n")
