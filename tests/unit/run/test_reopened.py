"""What of finished results is not a table: settings out of run.json, shapes as they were before the file."""

from __future__ import annotations

import json

import numpy as np
import pytest
import shapely

from gisprio.compute.scoring.weights import with_judged_weights
from gisprio.run.known import read_settings
from gisprio.run.record import settings_as_config
from gisprio.run.reopened import as_written, settings_of
from gisprio.run.results import OpenedResults

CONFIG = """
[run]
name = "x"
output = "out"
[layers]
dem = ["a.tif", "b.tif"]
land_cover = "c.tif"
[land_cover]
legend = "own.csv"
"""


@pytest.mark.parametrize(
    "more",
    [
        "",
        '[setback]\nrule_file = "north-carolina-neuse"\n[setback.also.ours]\nwidth_m = 30',
        '[factor.slips]\nlayer = "a.gpkg"\nmeasure = "share"\ngroup = "erosion"\ntitle = "Slips"\nunit = "share"\n'
        "nodes = [[0, 0], [1, 1]]\n[priority.erosion]\nslips = 10\nouter_bend = 20",
        '[priority.pairwise]\nerosion = [["unit_stream_power", "outer_bend", 2]]',
        '[hydraulics]\ncurve = "ohio-a"\n[stream_kinds]\n"460" = "natural"\n[report]\nunits = "us"',
    ],
)
def test_settings_come_back_from_the_record(tmp_path, more):
    path = tmp_path / "x.toml"
    path.write_text(CONFIG + more, encoding="utf-8")
    settings = with_judged_weights(read_settings(path))
    record = json.loads(json.dumps({"settings": settings_as_config(settings)}))
    back = settings_of(OpenedResults(tmp_path, record))
    assert back.model_copy(update={"folder": settings.folder}) == settings


def test_shapes_of_one_part_are_that_part():
    square, line, point = shapely.box(0, 0, 1, 1), shapely.LineString([(0, 0), (1, 1)]), shapely.Point(3, 4)
    far = shapely.box(5, 5, 6, 6)
    both = shapely.MultiPolygon([square, far])
    given = [shapely.MultiPolygon([square]), both, shapely.MultiLineString([line]), point]
    want = [square, both, line, point]
    got = as_written(np.array(given))
    assert [shapely.to_wkt(shape) for shape in got] == [shapely.to_wkt(shape) for shape in want]
