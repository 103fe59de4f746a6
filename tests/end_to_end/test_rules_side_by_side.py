"""Several setback rules in one run: the same rule gives the same, zones come from a file, tiles leave no trace."""

from __future__ import annotations

import re
from pathlib import Path

import geopandas as gpd
import pytest
import shapely

import gisprio
from end_to_end.test_words import JUDGING, text_of
from gisprio.contracts.digests import table_digest
from gisprio.contracts.errors import InputError
from gisprio.faces.main import main
from gisprio.products.rules import rules_side_by_side
from makers import straight_valley

RULES = """
[setback]
width_m = 30
zones = "zones.gpkg"
zone = { town = { width_m = 10, shortest_gap_m = 20 } }
[setback.also.same]
width_m = 30
[setback.also.average]
rule = "average"
width_m = 15.24
least_m = 9.144
[setback.also.two]
rule = "two_zone"
inner_m = 9.144
outer_m = 6.096
outer_counts = ["pasture"]
[setback.also.slope]
rule = "by_slope"
width_m = 10
slope_steps = [{ from = 5, add_m = 5 }]
"""


COLUMN = '[columns]\nsetback_zones.name = "name"'


def write_world(folder: Path, text: str, tile_m: float = 4000.0, column: str = COLUMN) -> Path:
    world = straight_valley()
    config = world.write(folder)
    banks = gpd.read_file(folder / "streams.gpkg")
    x0, y0, x1, y1 = banks.total_bounds
    half = shapely.box(x0 - 200, y0 - 200, (x0 + x1) / 2, y1 + 200)
    gpd.GeoDataFrame({"name": ["town"]}, geometry=[half], crs=banks.crs).to_file(folder / "zones.gpkg")
    whole = config.read_text() + text
    whole = re.sub(r"tile_m = [\d.]+\n", "", whole).replace("[columns]", column, 1)
    config.write_text(whole.replace("[run]\n", f"[run]\ntile_m = {tile_m}\n", 1))
    return config


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    folder = tmp_path_factory.mktemp("rules")
    record = gisprio.run(gisprio.read_settings(write_world(folder, RULES)))
    return gisprio.open_results(record.folder)


def test_a_further_rule_like_the_one_that_ranks_gives_the_same_outside_the_zone(results):
    table = results.bank_setbacks.set_index(["rule", "bank_id"])
    own, same = table.loc["fixed_width"], table.loc["same"]
    outside = own.index[own["setback_m"] == 30.0]
    assert 0 < len(outside) < len(own)
    assert own.loc[outside].equals(same.loc[outside])
    assert set(own.loc[own.index.difference(outside), "setback_m"]) == {10.0}


def test_each_rule_is_told_side_by_side(results, capsys):
    table = rules_side_by_side(results.bank_setbacks, "fixed_width")
    assert table["rule"].tolist() == ["fixed_width", "average", "same", "slope", "two"]
    assert (table["banks"] == len(results.banks)).all()
    by = table.set_index("rule")
    assert by.loc["same", "gap_ha"] > by.loc["fixed_width", "gap_ha"] > 0  # the zone asks for less
    assert by.loc["two", "gap_km"] <= by.loc["same", "gap_km"]
    bank = results.bank_setbacks.loc[results.bank_setbacks["gap_length_m"] > 0, "bank_id"].iloc[0]
    assert main(["explain", str(results.folder), bank]) == 0
    told = capsys.readouterr().out
    assert "  under each rule:\n    fixed_width: setback " in told
    assert "\n    two: setback 15.2 m, buffer " in told
    assert main(["methods", str(results.folder)]) == 0
    told = capsys.readouterr().out
    assert "In zone town: rule fixed_width, 10 m, kind: own target." in told
    assert "Judged beside it, average: rule average, 15.24 m on average, nowhere under 9.144 m" in told


def test_tiles_leave_no_trace_in_rules(results, tmp_path):
    cut = gisprio.run(gisprio.read_settings(write_world(tmp_path, RULES, 1000.0)))
    again = gisprio.open_results(cut.folder)
    for name in ("bank_setbacks", "gaps", "banks"):
        assert table_digest(getattr(again, name)) == table_digest(getattr(results, name)), name


def test_words_of_the_outputs_judge_nobody(results):
    for path in (path for path in sorted(results.folder.iterdir()) if path.is_file()):
        assert not JUDGING.search(text_of(path)), path.name


def test_zones_that_are_not_there_are_named_as_the_config_does(tmp_path):
    config = write_world(tmp_path, RULES)
    (tmp_path / "zones.gpkg").unlink()
    with pytest.raises(InputError) as caught:
        gisprio.run(gisprio.read_settings(config))
    assert caught.value.report() == (
        'InputError: [setback] zones: there is no file "zones.gpkg".\n'
        f"  Wanted: a file that is there; a relative path starts at {tmp_path.resolve()}.\n"
        "  Do: correct the path, or take the layer out of the config."
    )


def test_zones_need_the_column_of_their_names(tmp_path):
    with pytest.raises(InputError) as caught:
        gisprio.run(gisprio.read_settings(write_world(tmp_path, RULES, column="[columns]")))
    assert caught.value.report() == (
        "InputError: [columns] setback_zones.name is not given, but [setback] zones is.\n"
        "  Wanted: the column that holds the zone's name; zones.gpkg has name.\n"
        '  Do: write setback_zones.name = "..." under [columns].'
    )
