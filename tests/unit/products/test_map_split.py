"""A run with more banks than one map holds: a map a sub-watershed, ranks of the whole run, a page that leads there."""

from __future__ import annotations

import dataclasses
import re
from functools import cache

import numpy as np
import pandas as pd
import pytest

from gisprio.products.backdrop import draw_backdrop
from gisprio.products.map_split import MOST_BANKS, split, write_maps
from unit.products.product_world import EVIL, make_results

HOSTILE = ("../../etc/passwd", "W 1/ü", "w-1-", *EVIL[:4], EVIL[7], "CON", "rest", None)


@cache
def world():
    return make_results(60)


def with_ids(results, ids):
    """Give results whose reaches belong to sub-watersheds in turn, five reaches each."""
    reaches, banks = (results.tables[name].copy() for name in ("reaches", "banks"))
    own = [ids[k // 5 % len(ids)] for k in range(len(reaches))]
    reaches["sub_watershed_id"] = pd.array(own, dtype="str")
    banks["sub_watershed_id"] = banks["reach_id"].map(dict(zip(reaches["reach_id"], own, strict=True)))
    return dataclasses.replace(results, tables={**results.tables, "reaches": reaches, "banks": banks})


@pytest.fixture(scope="module")
def results():
    return with_ids(world(), ("W-B", "W-A", None))


def test_a_run_that_fits_is_one_map_of_everything(results):
    assert MOST_BANKS == 2**17
    [(name, only)] = split(results, 120)
    assert name == "map.html"
    assert only is results


def test_each_sub_watershed_is_a_map_and_reaches_without_one_are_the_rest(results):
    parts = split(results, 119)
    assert [name for name, _ in parts] == ["map-W-A.html", "map-W-B.html", "map-rest.html"]
    assert [part.part.label for _, part in parts] == ["W-A", "W-B", "rest"]
    assert [set(part.tables["reaches"]["sub_watershed_id"].dropna()) for _, part in parts] == [{"W-A"}, {"W-B"}, set()]


def test_every_row_of_every_layer_is_on_a_map_with_its_own_rank(results):
    parts = [part for _, part in split(results, 119)]
    for name, key in (("reaches", "reach_id"), ("banks", "bank_id"), ("gaps", "gap_id"), ("bank_setbacks", "bank_id")):
        whole = results.tables[name]
        shown = pd.concat([part.tables[name] for part in parts])
        pd.testing.assert_frame_equal(
            pd.DataFrame(shown).sort_values(key, ignore_index=True),
            pd.DataFrame(whole).sort_values(key, ignore_index=True),
        )
    profiles = pd.concat([part.tables["long_profiles"] for part in parts])
    assert len(profiles) == len(results.tables["long_profiles"])
    assert {row for part in parts for row in part.tables["properties"]["property_id"]} == set(
        results.tables["properties"]["property_id"]
    )
    ranked = {name: int(results.tables["banks"][name].notna().sum()) for name in ("rank", "erosion_rank", "gap_rank")}
    assert all({**part.part.ranked} == {**ranked, "properties": 30} for part in parts)


def test_heights_of_a_part_lie_where_they_lay(results):
    for _, part in split(results, 119):
        x0, y0, x1, y1 = part.tables["reaches"].total_bounds
        own, whole = part.elevation.window((x0, y0, x1, y1)), results.elevation.window((x0, y0, x1, y1))
        np.testing.assert_array_equal(own.values, whole.values)
        x, y = np.array([(x0 + x1) / 2]), np.array([(y0 + y1) / 2])
        assert own.bilinear(x, y) == pytest.approx(whole.bilinear(x, y))
        assert part.elevation.shape[1] <= results.elevation.shape[1]
    assert part.elevation.shape != results.elevation.shape


@pytest.mark.parametrize("most", [7, 10, 23, 70])
def test_a_sub_watershed_above_the_limit_is_cut_between_streams(most):
    results = with_ids(world(), ("W-A",))
    parts = split(results, most)
    assert all(len(part.tables["banks"]) <= most for _, part in parts)
    assert sum(len(part.tables["banks"]) for _, part in parts) == 120
    assert [name for name, _ in parts][:2] == ["map-W-A-part-1.html", "map-W-A-part-2.html"]
    stream = results.tables["long_profiles"].drop_duplicates("reach_id").set_index("reach_id")["stream_id"]
    banks = results.tables["banks"]["reach_id"].map(stream).value_counts()
    for name, own in banks.items():
        holding = [part for _, part in parts if name in set(part.tables["reaches"]["reach_id"].map(stream))]
        assert len(holding) == 1 or own > most, name


@pytest.mark.parametrize("ids", [HOSTILE, HOSTILE[::-1]])
def test_hostile_ids_become_plain_names_that_differ(ids):
    parts = split(with_ids(world(), ids), 20)
    names = [name for name, _ in parts]
    assert len(parts) == len(HOSTILE)
    assert all(re.fullmatch(r"map-[A-Za-z0-9_][A-Za-z0-9_-]*\.html", name) for name in names)
    assert len({name.lower() for name in names}) == len(names)
    assert max(map(len, names)) < 60


def test_the_page_leads_to_every_map_and_escapes_what_comes_from_data(tmp_path):
    results = with_ids(make_results(60, title=EVIL[1]), HOSTILE)
    written = []
    write_maps(tmp_path / "map.html", results, lambda path, part: written.append((path, part)), 20)
    page = (tmp_path / "map.html").read_text("utf-8")
    assert re.findall(r'href="([^"]*)"', page) == [path.name for path, _ in written]
    assert all(path.parent == tmp_path for path, _ in written)
    assert "<script" not in page
    assert "This run has 120 banks, more than the 20 that one map holds." in page
    rows = re.findall(r"<tr><td>.*?</td><td>([\d,]+)</td><td>([\d,]+|none ranked)</td><td>([\d,]+)</td></tr>", page)
    banks = [part.tables["banks"] for _, part in written]
    assert [row[0] for row in rows] == [str(len(one)) for one in banks]
    assert min(int(row[1]) for row in rows if row[1] != "none ranked") == 1
    top = (results.tables["banks"]["rank"] <= -(-results.tables["banks"]["rank"].notna().sum() * 5 // 100)).sum()
    assert sum(int(row[2]) for row in rows) == top


def test_one_map_is_written_as_it_always_was(results, tmp_path):
    written = []
    write_maps(tmp_path / "map.html", results, lambda path, part: written.append((path.name, part)))
    assert written == [("map.html", results)]
    assert list(tmp_path.iterdir()) == []


def test_the_picture_of_a_part_is_cut_out_of_that_of_the_run(results):
    whole = draw_backdrop(results.elevation, results.crs)
    (west, south, east, north), (rows, columns, _) = whole.bounds, whole.pixels.shape
    for _, part in split(dataclasses.replace(results, backdrop=lambda: whole), 119):
        own = part.backdrop()
        left, top = (
            round((own.bounds[0] - west) / (east - west) * columns),
            round((north - own.bounds[3]) / (north - south) * rows),
        )
        high, wide, _ = own.pixels.shape
        np.testing.assert_array_equal(own.pixels, whole.pixels[top : top + high, left : left + wide])
        box = part.tables["reaches"].to_crs(3857).total_bounds
        assert (own.bounds[:2] <= box[:2]).all()
        assert (own.bounds[2:] >= box[2:]).all()
    assert own.pixels.size < whole.pixels.size
    [(_, part), *_] = split(dataclasses.replace(results, backdrop=lambda: None), 119)
    assert part.backdrop() is None


def test_no_sub_watershed_takes_the_name_of_a_map_for_others():
    ids = ("board", "Public land", "boarding school")
    names = [name for name, _ in split(with_ids(make_results(15), ids), 20)]
    assert names == ["map-w-Public-land.html", "map-w-board.html", "map-w-boarding-school.html"]
