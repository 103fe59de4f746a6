"""A run without stream lines: they are drawn from the DEM, measured, and ranked only when asked for."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely

import gisprio
from gisprio.compute.network.channels import draw_streams
from gisprio.compute.terrain.relief import lay_routing_grid
from gisprio.contracts.findings import Finding, findings_from
from gisprio.contracts.grids import ArraySource
from gisprio.faces.main import main
from gisprio.inputs.project import read_inputs
from gisprio.run.check import check
from gisprio.run.engine import run
from gisprio.run.store import last_table
from makers import HEAD_M, LENGTH_M, SLOPE, VALLEY_HALF_M, Place, straight_valley

pytestmark = pytest.mark.slow

PLACES = {"south": Place(), "turned 90": Place(quarter_turns=1), "mirrored": Place(mirrored=True)}
UNCONFIRMED = 'ranked_kinds = ["natural", "unconfirmed"]'


def written(folder: Path, place: Place | None = None, **config: str) -> Path:
    """Write the straight valley without its stream line."""
    world = straight_valley(place, **config)
    del world.layers["streams"]
    return world.write(folder)


@pytest.fixture(scope="module", params=PLACES)
def drawn(request, tmp_path_factory):
    """Results of the valley in one place, ranking unconfirmed streams, and the place."""
    place = PLACES[request.param]
    config = written(tmp_path_factory.mktemp("drawn"), place, priority=UNCONFIRMED)
    record = run(gisprio.read_settings(config))
    return gisprio.open_results(record.folder), place


def test_the_drawn_line_lies_within_a_cell_of_the_true_one(drawn):
    results, place = drawn
    lines = last_table(results.folder, "segments")
    assert len(lines) == 1
    u, v = place.from_map(*shapely.get_coordinates(lines.geometry[0]).T)
    assert np.abs(v).max() <= 10.0
    assert u.min() == pytest.approx(0.25e6 / (2 * VALLEY_HALF_M) - HEAD_M, abs=20.0)
    assert u.max() > LENGTH_M


def test_it_is_measured_as_a_given_one_is(drawn):
    results, place = drawn
    reaches = results.reaches
    assert (reaches["kind"] == "unconfirmed").all()
    np.testing.assert_allclose(reaches["slope_m_m"], SLOPE, rtol=0.02)
    np.testing.assert_allclose(reaches["sinuosity"], 1.0, atol=0.005)
    # by hand: 1,190 m of width times the distance from the divide to the reach's lower end
    u, _ = place.from_map(*np.array([line.coords[-1] for line in reaches.geometry]).T)
    by_hand = 2 * VALLEY_HALF_M * (u + HEAD_M) / 1e6
    inside = u < LENGTH_M - 100
    np.testing.assert_allclose(reaches["drainage_area_km2"][inside], by_hand[inside], rtol=0.05)
    narrow, wide = ("right", "left") if place.mirrored else ("left", "right")
    gap = results.gaps.groupby("side")[["length_m", "area_m2"]].sum()
    assert gap.loc[wide].tolist() == pytest.approx([500, 500 * 30], rel=0.01)
    # 12 of 30 m are there along the whole side: 3,300 m of DEM, of which the cover ends 200 m before
    assert gap.loc[narrow].tolist() == pytest.approx([3200, 3200 * 18], rel=0.05)


def test_it_is_ranked_when_asked_for_and_its_banks_have_no_outer_bend(drawn):
    results, _ = drawn
    banks = results.banks
    assert banks["rank"].notna().any()
    assert (banks["outer_bend_score"].dropna() == 0).all()
    assert (results.folder / "map.html").stat().st_size > 10_000


def test_without_asking_nothing_is_ranked_and_the_finding_says_what_to_write(tmp_path):
    record = run(gisprio.read_settings(written(tmp_path)))
    results = gisprio.open_results(record.folder)
    assert len(results.banks) > 20
    assert results.banks["rank"].isna().all()
    assert (results.folder / "map.html").is_file()
    found = findings_from(results.findings[list(Finding.__slots__)])
    told = {finding.check: finding for finding in found}
    assert told["streams_drawn"].severity == "warning"
    assert UNCONFIRMED in told["streams_drawn"].do
    assert told["nothing_ranked"].says == "No bank is ranked."
    assert "factor_coverage" not in told  # of no ranked bank there is no share
    assert [finding.says for finding in found if finding.layer == "properties"] == [
        "Properties are not ranked: no bank on them is."
    ]


def test_check_tells_what_would_be_drawn(tmp_path):
    found = check(gisprio.read_settings(written(tmp_path)))
    assert {"streams_drawn", "not_given"} <= {finding.check for finding in found}
    assert {path.name for path in tmp_path.iterdir() if path.is_dir()} == set()
    found = check(gisprio.read_settings(written(tmp_path, streams="start_area_km2 = 90.0")))
    errors = [finding for finding in found if finding.severity == "error"]
    assert [(error.layer, error.check, error.do) for error in errors] == [
        ("streams", "channels", "Give the lines of your map agency, or lower start_area_km2.")
    ]


def test_flat_heights_are_refused_before_anything_is_written(tmp_path, capsys):
    config = written(tmp_path)
    with rasterio.open(tmp_path / "dem.tif", "r+") as raster:
        raster.write(np.full(raster.shape, 80, np.float32), 1)
    assert main(["run", str(config), "--quiet"]) == 2
    assert capsys.readouterr().err == (
        "InputError: [layers] streams is not given, and no streams can be drawn from the DEM: all heights are 80 m.\n"
        "  Wanted: stream lines, or a DEM with relief.\n"
        '  Do: give the lines of your map agency, as in streams = "../data/streams.gpkg".\n'
    )
    assert not (tmp_path / "results" / "banks.csv").exists()


def test_lines_drawn_on_the_sample_lie_on_its_streams(sample_config):
    """The DEM of the sample was made with its streams and 0.3 m of error: what is drawn must find them."""
    settings = gisprio.read_settings(sample_config)
    inputs = read_inputs(settings)
    try:
        grid = lay_routing_grid({}, {"dem": inputs.rasters["dem"]}, settings.part(("dem",)))["elevation"]
        given, watershed = inputs.tables["streams"], inputs.tables["watershed"]
    finally:
        inputs.close()
    tables = {"streams": given.iloc[:0], "watershed": watershed}
    lines = draw_streams(tables, {"elevation": ArraySource(grid)}, settings.part(("streams",)))["stream_lines"]
    assert isinstance(lines, gpd.GeoDataFrame)
    assert share_within(lines, given, 20.0) > 0.98  # seen: 0.994 inside the watershed
    # given lines begin above the place where 0.25 km2 drain, and ditches do not follow the low of the ground
    assert share_within(given, lines, 20.0) > 0.8  # seen: 0.834
    assert lines.geometry.length.sum() / given.geometry.length.sum() == pytest.approx(0.77, abs=0.05)


def share_within(lines: gpd.GeoDataFrame, others: gpd.GeoDataFrame, distance_m: float) -> float:
    """Give the share of the length of lines that lies within a distance of others."""
    near = shapely.union_all(shapely.buffer(others.geometry.to_numpy(), distance_m))
    return float(lines.geometry.intersection(near).length.sum() / lines.geometry.length.sum())
