"""Canopy and wetlands from layers on disk to the gaps, worked by hand in the straight valley."""

from __future__ import annotations

import numpy as np
import pytest
import rasterio

import gisprio
from gisprio.run.engine import run as engine_run
from makers import CRS, frame, straight_valley


def write_canopy(path, world, height):
    """Write canopy heights of the area of the land cover, a quarter of a cell beside its cells."""
    u0, v0, u1, v1 = world.cover_extent
    u, v = np.arange(u0, u1) + 0.75, np.arange(v0, v1) + 0.25
    (x0, y1), values = world.place.on_map(u0 + 0.25, v0 - 0.25), height(*np.meshgrid(u, v, indexing="ij"))
    with rasterio.open(
        path, "w", driver="GTiff", height=len(u), width=len(v), count=1, dtype="float32", crs=CRS, nodata=-1,
        transform=rasterio.Affine(1, 0, x0, 0, -1, y1),
    ) as file:  # fmt: skip
        file.write(values.astype("float32"), 1)


@pytest.fixture(scope="module")
def settings(tmp_path_factory):
    """Left bank: of 12 m of wood only 6 m are under canopy, downstream of u 1500 nobody measured it. Right: a marsh."""
    world = straight_valley()
    world.layers["wetlands"] = frame([world.place.box(1300, -40, 1500, -3)])
    config = world.write(tmp_path_factory.mktemp("canopy"))
    wood = {"tall": lambda v: ((v >= 3) & (v < 9)) | ((v <= -3) & (v > -63))}
    write_canopy(
        config.parent / "canopy.tif", world,
        lambda u, v: np.where(u > 1500, -1.0, np.where(wood["tall"](v) & ~((u > 1200) & (v < 0)), 14.0, 0.2)),
    )  # fmt: skip
    config.write_text(config.read_text().replace("[layers]\n", '[layers]\ncanopy = "canopy.tif"\n'))
    return gisprio.read_settings(config)


@pytest.fixture(scope="module")
def results(settings):
    record = engine_run(settings)
    assert next(stage for stage in record.stages if stage["name"] == "cover")["ran"]
    return gisprio.open_results(settings.output())


def test_gaps_are_those_worked_by_hand(results):
    gaps = results.gaps
    length = gaps.groupby("side")["length_m"].sum()
    assert length["left"] == pytest.approx(3000)
    assert length["right"] == pytest.approx(500 - 200, abs=10)  # 1200 to 1300 and 1500 to 1700
    area = gaps.groupby("side")["area_m2"].sum()
    assert area["left"] == pytest.approx(1500 * 24 + 1500 * 18, rel=0.02)
    assert area["right"] == pytest.approx(300 * 30, rel=0.05)


def test_buffers_follow_the_canopy_where_it_is_known(results):
    left = results.banks[results.banks["side"] == "left"].sort_values("reach_id")["buffer_width_m"].to_numpy()
    assert (np.abs(left - 12.0) <= 0.5).sum() == 7  # 1,500 of 3,000 m in reaches of 200 m, one of them half and half
    assert (np.abs(left - 6.0) <= 0.5).sum() >= 7
    assert results.banks["natural_share"].eq(0).all()


def test_gaps_carry_the_error_of_their_width(results):
    np.testing.assert_allclose(results.gaps["buffer_width_se_m"], np.hypot(2.0, 1 / np.sqrt(12)))  # at the water's edge
    assert set(results.gaps["certainty"]) == {"clear"}


def test_the_finding_says_where_canopy_is_lacking(results):
    says = results.findings.loc[results.findings["layer"] == "canopy", "says"].tolist()
    assert says == ["Known on 50% of the ground within 30 m of the streams."]


def test_another_canopy_is_noticed_and_the_same_is_not(settings, results):
    def ran():
        return {stage["name"] for stage in engine_run(settings).stages if stage["ran"]}

    assert ran() == set()
    path = settings.folder / "canopy.tif"
    with rasterio.open(path, "r+") as file:
        file.write(np.full((file.height, file.width), 14.0, "float32"), 1)
    after = ran()
    assert {"cover", "gaps"} <= after
    assert not {"stations", "bank_lines", "valleys"} & after
    assert len(gisprio.open_results(settings.output()).gaps) == 0
