"""The page unpacks what Python packed: numbers, texts, places and lists, in the order of rows."""

from __future__ import annotations

from importlib.resources import files

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from gisprio.products.payload import decode, encode, pack_numbers, pack_shapes, pack_words
from unit.products.product_world import CRS, EVIL

READ = """async (text) => {
  const data = await unpack(text), table = columns(data.table), shapes = table.shapes, n = table.value.length;
  const plain = (list) => Array.from(list, (v) => (Number.isNaN(v) ? null : v));
  return {
    numbers: ["value", "score", "worst"].map((name) => plain(table[name])),
    text: Array.from({ length: n }, (_, row) => table.why(row)),
    listed: Array.isArray(data.table.list) && data.table.list,
    ids: table.id, raw: plain(table.raw), within_m: shapes.within_m,
    shapes: Array.from({ length: shapes.count }, (_, i) => {
      const runs = [];
      for (let run = shapes.first[i]; run < shapes.first[i + 1]; run++) {
        const own = [];
        for (let k = shapes.begin[run]; k < shapes.begin[run + 1]; k++) own.push([shapes.x[k], shapes.y[k]]);
        runs.push(own);
      }
      return runs;
    }),
    boxes: plain(shapes.box),
  };
}"""


def make_table(n=700):
    draw = np.random.default_rng(9)
    value = pd.Series(draw.normal(0, 400, n).round(2)).mask(draw.random(n) < 0.1)
    score = (value.fillna(0).clip(-100, 100) / 2 + 50).round(1)
    why = [f"{v:.1f} of {k % 40} {EVIL[k % 8]}" if k % 9 else None for k, v in enumerate(value.fillna(0).abs())]
    land = [shapely.box(5e5 + 90 * k, 5.2e6, 5e5 + 90 * k + 60, 5.2e6 + 80) for k in range(5)]
    land[1] = shapely.MultiPolygon([land[1] - land[1].buffer(-20), shapely.box(5.1e5, 5.2e6, 5.1e5 + 50, 5.2e6 + 50)])
    return {
        "value": pack_numbers(value, 2),
        "score": pack_numbers(score, 1),
        "worst": pack_numbers(score * 0.9, 1),
        "why": pack_words(pd.Series(why, dtype=object)),
        "id": [f"B{k:03d}-L" for k in range(n)],
        "list": [None if k % 3 else k - 100 for k in range(n)],
        "raw": np.arange(n) * 70_001,
        "shapes": pack_shapes(gpd.GeoSeries(land), CRS, 1.0),
    }


@pytest.fixture
def read(page):
    page.add_script_tag(content=(files("gisprio.products") / "assets" / "unpack.js").read_text(encoding="utf-8"))
    return page.evaluate(READ, encode({"table": make_table()}))


def test_the_page_reads_what_python_wrote(read):
    table = decode(encode({"table": make_table()}))["table"]
    for name, got in zip(("value", "score", "worst"), read["numbers"], strict=True):
        want = [None if v is None else v / 10 ** table[name]["d"] for v in table[name]["v"]]
        assert got == want, name
    assert read["text"] == [None if v < 0 else table["why"]["w"][v] for v in table["why"]["v"]]
    assert (read["listed"], read["ids"], read["raw"]) == (table["list"], table["id"], table["raw"])


def test_rings_are_closed_in_web_mercator(read):
    assert [len(runs) for runs in read["shapes"]] == [1, 3, 1, 1, 1]
    assert all(run[0] == run[-1] for runs in read["shapes"] for run in runs)
    assert read["within_m"] == 1.0
    shapes = gpd.GeoSeries([shapely.MultiLineString(runs) for runs in read["shapes"]]).affine_transform(
        [2 * np.pi * 6_378_137, 0, 0, -2 * np.pi * 6_378_137, -np.pi * 6_378_137, np.pi * 6_378_137]
    )
    back = shapes.set_crs(3857).to_crs(CRS)
    assert back[0].bounds == pytest.approx((5e5, 5.2e6, 5e5 + 60, 5.2e6 + 80), abs=1)
    boxes = np.reshape(read["boxes"], (-1, 4))
    np.testing.assert_array_equal(
        boxes[0, [0, 2]], [min(x for x, _ in read["shapes"][0][0]), max(x for x, _ in read["shapes"][0][0])]
    )
    assert (boxes[:, 1] < boxes[:, 3]).all()
