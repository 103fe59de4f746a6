"""Clips of the desk check: each thing at its place and size on all three; nothing of a hostile name gets through."""

import base64
import io
import re
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import pytest
import shapely
from PIL import Image

from gisprio.contracts.grids import ArraySource, Grid, Lattice
from gisprio.products.clips import PIXELS, SIDE, Window, cover_clip, heights_clip, image_clip, window_place
from gisprio.products.desk import Grounds, Run, desk_page, lines_of
from gisprio.run.desk import bearings, outward_of

CRS = pyproj.CRS.from_epsg(32633).to_wkt()
X, Y = 500_000.0, 5_000_000.0
WINDOW = Window((X, Y), 240.0)
LATTICE = Lattice(X - 500, Y + 500, 5.0)
SPOT = (X + 62.5, Y - 37.5)
"""Centre of the one cell that is unlike the others."""
LEGEND = pd.DataFrame({"code": [1, 2], "name": ["oak & ash", "<maize>"], "cover": ["woody", "crop"]})


def cells(plain, spot, dtype):
    values = np.full((200, 200), plain, dtype)
    row, column = LATTICE.rows_columns(*map(np.array, SPOT))
    values[row, column] = spot
    return ArraySource(Grid(values, LATTICE))


def pixels(clip):
    return np.asarray(Image.open(io.BytesIO(clip.data)).convert("RGB")).astype(int)


def where(mask):
    """Give middle and sides of the box around what is true, in metres from the window's middle, right and up."""
    rows, columns = np.nonzero(mask)
    metres = WINDOW.side_m / PIXELS
    column, row = ((some.min() + some.max() + 1) / 2 for some in (columns, rows))
    at = (column - PIXELS / 2) * metres, (PIXELS / 2 - row) * metres
    return at, (np.ptp(columns) + 1) * metres, (np.ptp(rows) + 1) * metres


class RedCell:
    """An image that is grey, and red in one square of 5 m; drawn in the system of the web."""

    def __init__(self, spot=SPOT):
        self.spot = spot
        self.to_ground = pyproj.Transformer.from_crs("EPSG:3857", CRS, always_xy=True)

    def drawn(self, bounds, rows, columns):
        x = bounds[0] + (np.arange(columns) + 0.5) * (bounds[2] - bounds[0]) / columns
        y = bounds[3] - (np.arange(rows) + 0.5) * (bounds[3] - bounds[1]) / rows
        east, north = self.to_ground.transform(*np.meshgrid(x, y))
        red = (np.abs(east - self.spot[0]) < 5) & (np.abs(north - self.spot[1]) < 5)
        grey = np.full((rows, columns, 4), 120, np.uint8)
        grey[..., 3] = 255
        grey[red] = (250, 0, 0, 255)
        return grey


def test_a_known_cell_lies_at_its_place_and_has_its_size():
    cover, seen = cover_clip(cells(1, 2, np.int32), LEGEND, WINDOW)
    orange = np.abs(pixels(cover) - (0xD8, 0xA2, 0x3F)).sum(axis=2) == 0
    at, wide, high = where(orange)
    assert at == pytest.approx((62.5, -37.5), abs=0.4)
    assert (wide, high) == pytest.approx((5, 5), abs=0.7)
    assert [(one.name, one.cover) for one in seen] == [("oak & ash", "woody"), ("<maize>", "crop")]
    assert seen[1].share == pytest.approx(25 / 240**2, rel=0.2)
    heights = heights_clip(cells(100.0, 104.0, np.float32), WINDOW)
    grey = pixels(heights)[..., 0]
    at, wide, high = where(np.abs(grey - np.median(grey)) > 12)
    assert at == pytest.approx((62.5, -37.5), abs=1.5)
    assert (wide, high) == pytest.approx((15, 15), abs=2)
    assert heights.says.startswith("Heights 100.0 to 104.0 m")
    x, y = window_place(WINDOW, SPOT)
    assert ((x - SIDE / 2) * 240 / SIDE, (SIDE / 2 - y) * 240 / SIDE) == pytest.approx((62.5, -37.5))


@pytest.mark.parametrize("west_m", [0.0, 250_000.0])
def test_an_image_is_turned_to_the_working_system(west_m):
    """Far from the zone's meridian its grid stands 2 degrees off the web's."""
    spot, window = (SPOT[0] - west_m, SPOT[1]), Window((X - west_m, Y), WINDOW.side_m)
    red = pixels(image_clip(RedCell(spot), CRS, window))
    at, wide, high = where(red[..., 0] - red[..., 1] > 90)
    assert at == pytest.approx((62.5, -37.5), abs=0.8)
    assert (wide, high) == pytest.approx((10, 10), abs=2)


def test_where_a_layer_has_no_data_there_is_no_clip():
    far = Window((X + 5000, Y), 240.0)
    assert heights_clip(cells(1.0, 2.0, np.float32), far) is None
    assert cover_clip(cells(1, 2, np.int32), LEGEND, far) is None
    assert cover_clip(cells(7, 7, np.int32), LEGEND, WINDOW) is None
    assert heights_clip(cells(np.nan, np.nan, np.float32), WINDOW) is None


@pytest.mark.parametrize("x", [500_000.0, 350_000.0])
def test_banks_of_a_stream_to_the_north_face_west_and_east_and_true_north_is_where_it_is(x):
    bank = shapely.LineString([(x, Y), (x, Y + 100)])
    points = np.array([shapely.Point(x, Y + 50)] * 2)
    outward = outward_of(np.array([bank, bank]), points, np.array([True, False]))
    np.testing.assert_allclose(outward, [(-1, 0), (1, 0)], atol=1e-12)
    bearing, north = bearings(points, outward, CRS)
    degrees = pyproj.Transformer.from_crs(CRS, "OGC:CRS84", always_xy=True).transform(x, Y + 50)
    turned = pyproj.Proj(pyproj.CRS.from_wkt(CRS)).get_factors(*degrees).meridian_convergence
    np.testing.assert_allclose(bearing, [270 + turned, 90 + turned], atol=0.01)
    np.testing.assert_allclose(north, -turned, atol=0.01)


def places(**changed):
    row = {
        "visit_id": "D001", "rank": 1, "bank_id": "R1-L", "reach_id": "R1", "stream": "Alder", "property_id": "P1",
        "side": "left", "latitude": 45.1, "longitude": 15.0, "bearing_deg": 270, "bearing": "west", "need": "both",
        "length_m": 200.0, "gap_length_m": 150.0, "buffer_width_m": 4.5, "setback_m": 30.0, "why": "Because.",
        "bankfull_width_m": 6.0, "outward_x": -1.0, "outward_y": 0.0, "north_deg": 2.0,
    }  # fmt: skip
    return gpd.GeoDataFrame([row | changed], geometry=[shapely.Point(X - 3, Y)], crs=CRS)


def page(grounds, units="si", count=1, **changed):
    """Give the page of one left bank; its stream runs north, its gap is the 30 m beside it. Told ``count`` times."""
    table = pd.concat([places(**changed)] * count, ignore_index=True)
    stream = shapely.LineString([(X, Y - 100), (X, Y + 100)])
    bank = shapely.affinity.translate(stream, -3, 0)
    layers = [
        gpd.GeoDataFrame({"bank_id": ["R1-L"]}, geometry=[bank], crs=CRS),
        gpd.GeoDataFrame({"reach_id": ["R1"]}, geometry=[stream], crs=CRS),
        gpd.GeoDataFrame({"bank_id": ["R1-L"]}, geometry=[shapely.box(X - 33, Y - 50, X - 3, Y + 50)], crs=CRS),
    ]
    run = Run("Alder", "2026-05-01", "abc", CRS, ("woody",), units)
    return desk_page(table, lines_of(table, *layers), grounds, run)


ALL = Grounds(cells(100.0, 104.0, np.float32), cells(1, 2, np.int32), RedCell(), LEGEND, {}, {})


def test_lines_are_drawn_where_they_lie_and_the_bar_is_right():
    text = page(ALL).partition('class="look"')[2]
    assert len(re.findall("<image", text)) == 3
    scale = SIDE / 240
    stream = re.search(r'class="stream" d="M([\d.]+),([\d.]+) ([\d.]+),([\d.]+)"', text)
    assert [float(part) for part in stream.groups()] == pytest.approx(
        [123 * scale, 220 * scale, 123 * scale, 20 * scale], abs=0.06
    )
    xs = [float(x) for x in re.findall(r"([\d.]+),", re.search(r'class="setback" d="M([^"]*)"', text)[1])]
    assert xs == pytest.approx([90 * scale] * len(xs), abs=0.06)
    assert re.search(r'class="arrow" d="[^"]*" transform="translate\(145.0,145.0\) rotate\(-?180.0\)"', text)
    left, right, label = re.search(r'class="bar" d="M(\d+),273V279H([\d.]+)V273"/><text[^>]*>(\d+) m<', text).groups()
    assert (float(right) - float(left)) / SIDE * 240 == pytest.approx(float(label), rel=0.01)
    assert '<a href="geo:45.100000,15.000000">45.100000, 15.000000</a>' in text
    assert "Bank faces west (270°)" in text
    assert "Gap: 150 m of 200 m; buffer 4.5 m wide of 30 m asked for; property P1." in text
    assert page(ALL) == page(ALL)
    feet = page(ALL, "us")
    left, right, label = re.search(r'class="bar" d="M(\d+),273V279H([\d.]+)V273"/><text[^>]*>(\d+) ft<', feet).groups()
    assert (float(right) - float(left)) / SIDE * 240 == pytest.approx(float(label) * 0.3048, rel=0.01)
    assert "Heights 328.1 to 341.2 ft" in feet
    assert "Gap: 492 ft of 656 ft; buffer 15 ft wide of 98 ft asked for" in feet


def test_hostile_names_stay_text_and_there_is_no_script():
    bad = '</svg><script>alert(1)</script><img src=x onerror="a"> \u202eabc'
    text = page(ALL, stream=bad, why=bad, property_id=bad, bank_id="R1-L", visit_id='D"1')
    assert "<script" not in text
    assert "<img" not in text
    assert "\u202e" not in text
    assert text.count("&lt;script&gt;") >= 3
    assert "&lt;maize&gt;" in text
    assert "default-src 'none'" in text
    assert not re.findall(r'(?:href|src)="(?!geo:|data:)', text)


def test_what_is_gone_leaves_its_clip_empty_and_says_so():
    gone = replace(ALL, dem=None, image=None, lacking={"dem": '[layers] dem: there is no file "dem.tif".'})
    text = page(replace(gone, doubts={"land_cover": "is not the one that the run read."}))
    assert len(re.findall("<image", text)) == 1
    assert text.count("there is no file") == 2
    assert "image has no data here." in text
    assert "[layers] land_cover is not the one that the run read." in text


def test_without_an_image_the_heights_stand_there_without_lines():
    text = page(replace(ALL, image=None, image_given=False, lacking={"image": "[layers] image is not given."}))
    assert len(re.findall("<image", text)) == 3
    assert len(re.findall('class="stream" d="M[0-9.]+,2', text)) == 2
    assert "The same heights without the lines" in text
    first, _, last = re.findall(r'href="data:image/[a-z]+;base64,([^"]+)"', text)
    assert first == last
    assert base64.b64decode(first)[:4] == b"RIFF"


def test_what_is_not_known_is_said_so():
    text = page(ALL, gap_length_m=np.nan, buffer_width_m=np.nan, property_id=None, why=None)
    assert "<li>width of the buffer not known; 30 m asked for.</li>" in text
