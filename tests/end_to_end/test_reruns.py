"""What runs again after a change: by stage, and for piece stages how many of the two tiles."""

from __future__ import annotations

import os
import shutil
from dataclasses import replace
from functools import partial
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely

import gisprio
from gisprio.run.code import stage_digests
from makers import HEAD_M, PASTURE, SIDE_SLOPE, SLOPE, VALLEY_HALF_M, WATER, WOODY, Place, World, frame

pytestmark = pytest.mark.slow

APART_M = 2 * VALLEY_HALF_M
LENGTH_M = 1200.0
PLACE = Place(y0=5_300_900.0)
"""The two streams end in two tiles of 1 km."""


def height(u, v):
    """Two even V valleys side by side."""
    side = np.abs((v + VALLEY_HALF_M) % APART_M - VALLEY_HALF_M)
    along = np.where(u >= -HEAD_M, -SLOPE * u, SLOPE * HEAD_M + 0.02 * (u + HEAD_M))
    return 100.0 + SIDE_SLOPE * side + along


def cover(u, v):
    side = np.abs((v + VALLEY_HALF_M) % APART_M - VALLEY_HALF_M)
    return np.where(side < 3, WATER, np.where(side < 15, WOODY, PASTURE))


def two_valleys() -> World:
    """Stream a at v = 0, stream b at v = 1,190, a parcel on each, water 6 m wide."""
    lines = [PLACE.line((0, v), (LENGTH_M, v)) for v in (0.0, APART_M)]
    parcels = [PLACE.box(0, v, LENGTH_M, v + 200) for v in (0.0, APART_M)]
    layers = {
        "streams": frame(lines),
        "properties": frame(parcels, parcel=["a", "b"]),
        "water": frame([PLACE.box(-20, v - 3, LENGTH_M + 20, v + 3) for v in (0.0, APART_M)]),
    }
    extent = (-605.0, -605.0, LENGTH_M + 305.0, APART_M + 605.0)
    config = {"run": "tile_m = 1000.0", "sites": "score_at = 20", "robustness": "draws = 20"}
    return World(PLACE, height, cover, extent, layers, cover_cell=5.0, config=config)


@pytest.fixture(scope="module")
def plain(tmp_path_factory) -> Path:
    """Give a folder with the layers and the results of a first run."""
    folder = tmp_path_factory.mktemp("plain")
    gisprio.run(gisprio.read_settings(two_valleys().write(folder)))
    return folder


def edit_setting(folder: Path) -> None:
    config = folder / "tiny.toml"
    config.write_text(config.read_text() + "[setback]\nwidth_m = 25\n")


def edit_report(folder: Path) -> None:
    config = folder / "tiny.toml"
    config.write_text(config.read_text() + '[report]\nunits = "us"\n')


def edit_layer(folder: Path, name: str, shape: shapely.Geometry) -> None:
    """Give the second row of a layer another shape."""
    layer = gpd.read_file(folder / f"{name}.gpkg")
    layer.loc[1, "geometry"] = shape
    layer.to_file(folder / f"{name}.gpkg", driver="GPKG")


def edit_property(folder: Path) -> None:
    edit_layer(folder, "properties", PLACE.box(0, APART_M, LENGTH_M - 100, APART_M + 200))


def edit_water(folder: Path) -> None:
    edit_layer(folder, "water", PLACE.box(-20, APART_M - 3, LENGTH_M + 20, APART_M + 4))


def edit_stream(folder: Path) -> None:
    edit_layer(folder, "streams", PLACE.line((0, APART_M), (600, APART_M + 1), (LENGTH_M, APART_M)))


def edit_cells(folder: Path, name: str, by: float) -> None:
    """Change the cells of 20 m around a place beside stream b."""
    with rasterio.open(folder / f"{name}.tif", "r+") as file:
        x, y = PLACE.on_map(600.0, APART_M + 25.0)
        row, column = file.index(x, y)
        reach = max(1, round(10 / file.res[0]))
        window = rasterio.windows.Window(column - reach, row - reach, 2 * reach, 2 * reach)
        file.write(file.read(1, window=window) + np.float32(by), 1, window=window)


def edit_heights(folder: Path) -> None:
    edit_cells(folder, "dem", 0.5)


def ran(folder: Path) -> dict[str, int]:
    """Run again; give the stages that ran, with the number of tiles."""
    record = gisprio.run(gisprio.read_settings(folder / "tiny.toml"))
    return {stage["name"]: stage["ran"] for stage in record.stages if stage["ran"]}


AFTER_GAPS = {"mirrors": 1, "own_layers": 1, "supply": 1, "ground": 1, "side_scores": 1, "frontages": 1, "site_cuts": 1}
AFTER_BANK_LINES = {"valleys": 1, "bank_heights": 1, "works": 1, "cover": 1, "soils": 1, "scars": 1} | AFTER_GAPS
AFTER_BANKS = {"ranks": 1, "landmarks": 1, "line_offsets": 1, "sites": 1, "property_ranks": 1, "draws": 1}
RERUNS = {
    "nothing": (lambda _: None, {}),
    "units of the report": (edit_report, {}),
    "a property": (edit_property, {"passages": 1, "setbacks": 1, "frontages": 1, "site_cuts": 1, "sites": 1}
                   | {"property_ranks": 1, "draws": 1}),
    "water": (
        edit_water,
        {"reaches": 1, "passages": 1, "bank_lines": 1, "setbacks": 1, "ownership": 1, "gaps": 1}
        | AFTER_BANK_LINES | AFTER_BANKS,
    ),
    "a stream line": (  # whose ground is whose is asked of both streams
        edit_stream,
        {"channels": 1, "network": 1, "catchments": 1, "delivery": 1, "reaches": 1, "islands": 1, "long_profiles": 1}
        | {"stations": 1, "bank_lines": 1, "setbacks": 2, "ownership": 2, "gaps": 2} | AFTER_BANK_LINES
        | {"site_cuts": 2} | AFTER_BANKS,
    ),
    "heights": (  # what is read from the file itself runs on both tiles: it is one file
        edit_heights,
        {"routing_grid": 1, "channels": 1, "network": 1, "catchments": 1, "delivery": 1, "reaches": 1}
        | {"bank_lines": 2, "bank_heights": 2, "setbacks": 2, "valleys": 1, "supply": 1, "side_scores": 1}
        | {"site_cuts": 1} | AFTER_BANKS,
    ),
    "the setback": (
        edit_setting,
        {"bank_lines": 2, "setbacks": 2, "ownership": 2, "gaps": 2}
        | dict.fromkeys(AFTER_BANK_LINES.keys() - {"soils", "scars"}, 2) | AFTER_BANKS,
    ),
}  # fmt: skip
"""What is changed; the stages that run again and on how many of the two tiles."""


@pytest.mark.parametrize("change", RERUNS)
def test_only_what_changed_runs_again(change, plain, tmp_path):
    edit, wanted = RERUNS[change]
    folder = Path(shutil.copytree(plain, tmp_path / "again"))
    edit(folder)
    assert ran(folder) == wanted


def add_to_config(folder: Path, text: str) -> None:
    config = folder / "tiny.toml"
    config.write_text(config.read_text() + text)


def give_visits(folder: Path) -> None:
    """Bring back a form from stream b on which the bank erodes, one without anything filled in from stream a."""
    points = [shapely.Point(PLACE.on_map(600.0, v + 3)) for v in (0.0, APART_M)]
    frame(points, side=["left", "left"], erodes=[None, "yes"]).to_file(folder / "visits.gpkg", driver="GPKG")
    config = folder / "tiny.toml"
    config.write_text(config.read_text().replace("[columns]", 'visits = "visits.gpkg"\n[columns]'))


def touch_files(folder: Path) -> None:
    for path in folder.glob("*.*"):
        os.utime(path, (1e9, 1e9))


def rename_files(folder: Path) -> None:
    config = folder / "tiny.toml"
    for name in ("cover.tif", "water.gpkg", "dem.tif"):
        (folder / name).rename(folder / f"new_{name}")
        config.write_text(config.read_text().replace(f"{name}", f"new_{name}"))


def turn_rows(folder: Path) -> None:
    for name in ("properties", "water", "streams"):
        layer = gpd.read_file(folder / f"{name}.gpkg")
        (folder / f"{name}.gpkg").unlink()
        layer.iloc[::-1].to_file(folder / f"{name}.gpkg", driver="GPKG")


def edit_cover_cell(folder: Path) -> None:
    """Let one cell of pasture beside stream b be wooded."""
    with rasterio.open(folder / "cover.tif", "r+") as file:
        row, column = file.index(*PLACE.on_map(600.0, APART_M + 20.0))
        window = rasterio.windows.Window(column, row, 1, 1)
        assert file.read(1, window=window).tolist() == [[PASTURE]]
        file.write(np.full((1, 1), WOODY, np.uint8), 1, window=window)


def give_soils(folder: Path) -> None:
    """Give soils along stream b."""
    soils = frame([PLACE.box(-100, APART_M - 200, LENGTH_M + 100, APART_M + 200)], k=[0.4])
    soils.to_file(folder / "soils.gpkg", driver="GPKG")
    config = folder / "tiny.toml"
    text = config.read_text().replace("[columns]", 'soils = "soils.gpkg"\n[columns]\nsoils.k = "k"')
    config.write_text(text)


MORE_RERUNS = {
    "files touched": (touch_files, {}),
    "files renamed": (rename_files, {}),
    "rows in another order": (  # what reads such a layer whole reads it again and gives the same
        turn_rows, {"channels": 1, "network": 1, "reaches": 1, "passages": 1, "property_ranks": 1},
    ),
    "one cell of the cover": (  # what is read from the file itself runs on both tiles: it is one file
        edit_cover_cell,
        {"delivery": 1, "cover": 2, "gaps": 1, "mirrors": 1, "supply": 1, "side_scores": 1, "frontages": 1}
        | {"site_cuts": 1} | AFTER_BANKS,
    ),
    "soils": (give_soils, {"delivery": 1, "soils": 1, "supply": 1, "side_scores": 1, "site_cuts": 1} | AFTER_BANKS),
    "visits": (  # of the stages on tiles only those that visits speak to run, on the tile of theirs
        give_visits,
        {"visit_places": 1, "bank_heights": 1, "scars": 1, "side_scores": 1, "visits": 1, "site_cuts": 1}
        | AFTER_BANKS,
    ),
    "the seed of the draws": (partial(add_to_config, text="seed = 7\n"), {"draws": 1}),
    "weights": (
        partial(add_to_config, text="[priority.weights]\nerosion = 70\ngap = 30\n"),
        {"side_scores": 2, "site_cuts": 2, "ranks": 1, "sites": 1, "property_ranks": 1, "draws": 1},
    ),
}  # fmt: skip
"""As in the table above, for further changes."""


@pytest.mark.parametrize("change", MORE_RERUNS)
def test_only_what_must_runs_again(change, plain, tmp_path):
    edit, wanted = MORE_RERUNS[change]
    folder = Path(shutil.copytree(plain, tmp_path / "again"))
    edit(folder)
    assert ran(folder) == wanted


CODE = {
    "a comment and a docstring": ("compute/scoring/keys.py", '    """', '    # A remark.\n    """More. ', {}),
    "a formula two imports away": (
        "compute/scoring/keys.py", "np.log", "2 * np.log", {"ranks": 1, "sites": 1, "draws": 1},
    ),
}  # fmt: skip
"""File of gisprio, what is written in it and what instead; the stages that run again and on how many of the tiles."""


@pytest.mark.parametrize("change", CODE)
def test_code_that_changed_runs_again(change, plain, tmp_path, monkeypatch):
    """Only the digests are of the code that changed, so results stay and nothing follows."""
    file, old, new, wanted = CODE[change]
    leave = shutil.ignore_patterns("__pycache__", "assets", "configs")
    copy = Path(shutil.copytree(Path(gisprio.__file__).parent, tmp_path / "gisprio", ignore=leave))
    text = (copy / file).read_text("utf-8")
    assert old in text
    (copy / file).write_text(text.replace(old, new, 1), "utf-8")
    monkeypatch.setattr("gisprio.run.engine.stage_digests", partial(stage_digests, root=copy))
    assert ran(Path(shutil.copytree(plain, tmp_path / "again"))) == wanted


def edit_fine_heights(folder: Path) -> None:
    edit_cells(folder, "b", 0.5)


def test_of_several_files_of_heights_the_one_replaced_is_read_where_it_reaches(tmp_path):
    box = (-100.0, -100.0, LENGTH_M, 100.0)
    files = {"a.tif": box, "b.tif": (box[0], APART_M + box[1], box[2], APART_M + box[3])}
    world = replace(two_valleys(), finer={name: (at, 5.0, height) for name, at in files.items()})
    folder = world.write(tmp_path / "several").parent
    ran(folder)
    edit_fine_heights(folder)
    before = {"routing_grid": 1, "channels": 1, "network": 1, "catchments": 1, "delivery": 1, "reaches": 1}
    on_one_tile = {"bank_lines": 1, "bank_heights": 1, "setbacks": 1, "valleys": 1, "supply": 1, "side_scores": 1}
    on_one_tile |= {"site_cuts": 1}
    assert ran(folder) == before | on_one_tile | AFTER_BANKS
