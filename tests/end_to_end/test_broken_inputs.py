"""What a person reads when a layer or the config is broken; earlier results stay whole to the byte."""

from __future__ import annotations

import hashlib
import shutil
from pathlib import Path

import pytest

from end_to_end.broken import BROKEN
from gisprio.faces.main import main
from makers import straight_valley

NO_SYSTEM = """InputError: {layer}.tif has no coordinate reference system.
  Wanted: a projected system in metres, as in [run] crs = "EPSG:...".
  Do: assign it in your GIS, or give the path with a .prj beside it.
"""
FIRST_LINES = {
    "dem_without_system": NO_SYSTEM.format(layer="dem"),
    "cover_without_system": NO_SYSTEM.format(layer="cover"),
    "dem_elsewhere": "InputError: the layers have ",
    "dem_cut_short": "InputError: ",
    "streams_missing": """InputError: [layers] streams: there is no file "streams.gpkg".
  Wanted: a file that is there; a relative path starts at {folder}.
  Do: correct the path, or take the layer out of the config.
""",
    "streams_not_a_layer": """InputError: [layers] streams: streams.gpkg cannot be read as a vector layer.
  Wanted: a file that GDAL reads, such as GeoPackage or Shapefile, or GeoParquet.
  Do: open it in your GIS to see whether it is whole, and save it as GeoPackage.
""",
    "streams_are_points": """InputError: [layers] streams: streams.gpkg holds Point.
  Wanted: lines.
  Do: give a layer of lines, or convert it in your GIS.
""",
    "streams_empty": """InputError: [layers] streams: streams.gpkg holds no lines.
  Wanted: stream lines.
  Do: check the layer in your GIS.
""",
    "property_column_misspelt": """InputError: [columns] properties.id: properties.gpkg has no column "parcl".
  Wanted: one of parcel.
  Do: write properties.id = "parcel" if that is what you meant.
""",
    "legend_unknown": """InputError: [land_cover] legend: "worldcover" is no legend that comes with gisprio, \
and there is no file \
{folder}/worldcover.
  Wanted: one of aafc-aci, corine-2018, nlcd, tansy-brook, worldcover-2021, or the path of a CSV: \
code,name,cover,c_factor.
  Do: write legend = "worldcover-2021" if that is what you meant, else check the path.
""",
    "legend_without_cover": """InputError: legend.csv, line 1: there is no column cover.
  Wanted: the columns code, name, cover and c_factor; it has code, name, c_factor.
  Do: name the columns in the first line that is no comment.
""",
    "legend_with_unknown_class": """InputError: legend.csv, line 2: cover "wooody" is not known.
  Wanted: one of woody, herbaceous, pasture, crop, bare, developed, wetland, water, other.
  Do: write woody if that is what you meant.
""",
    "key_misspelt": """SettingsError: tiny.toml, [setback] with_m: there is no such key.
  Wanted: one of rule, width_m, kind, counts, natural, canopy_m, opening_m, shortest_gap_m, measure, \
reference_line, slope_within_m, exempt, about, rule_file, also, zones, zone.
  Do: write width_m if that is what you meant, else take the key out.
""",
    "not_toml": """SettingsError: tiny.toml is not valid TOML: """,
    "weight_not_a_number": """SettingsError: tiny.toml, [priority] weights.erosion: nan is refused.
  Wanted: a finite number.
  Do: write a number, or leave the key out.
""",
    "system_in_degrees": """SettingsError: [run] crs: "EPSG:4326" (WGS 84) is not projected.
  Wanted: a projected system in metres, such as the UTM zone of your area: EPSG:32633.
  Do: correct it, or leave crs out: the UTM zone of the data is taken then.
""",
    "output_is_a_file": """SettingsError: the results folder {folder}/letter.txt is a file.
  Wanted: a folder.
  Do: give a folder of its own in [run] output or --out.
""",
    "rule_unknown": """SettingsError: tiny.toml, [setback] rule: there is no rule "fixed_with".
  Wanted: one of fixed_width, by_stream_order, by_class, by_slope, two_zone, average, cover_share.
  Do: write fixed_width if that is what you meant.
""",
}


@pytest.fixture(scope="module")
def good(tmp_path_factory) -> Path:
    """Give a folder with a tiny world that has been run once."""
    folder = tmp_path_factory.mktemp("good") / "world"
    config = straight_valley().write(folder)
    assert main(["run", str(config), "--quiet"]) == 0
    return folder


def _digests(folder: Path) -> dict[str, str]:
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(folder.iterdir()) if p.is_file()}


@pytest.mark.parametrize("break_it", BROKEN, ids=lambda function: function.__name__)
def test_message_and_earlier_results(break_it, good, tmp_path, capsys):
    folder = tmp_path / "world"
    shutil.copytree(good, folder)
    before = _digests(folder / "results")
    break_it(folder, folder / "tiny.toml")
    assert main(["run", str(folder / "tiny.toml")]) == 2
    told = capsys.readouterr()
    assert told.err.startswith(FIRST_LINES[break_it.__name__].format(folder=folder)), told.err
    assert "  Wanted: " in told.err
    assert "  Do: " in told.err
    assert "Traceback" not in told.err
    assert _digests(folder / "results") == before
    assert len(before) >= 8


def test_every_way_of_breaking_is_told():
    assert {function.__name__ for function in BROKEN} == set(FIRST_LINES)
