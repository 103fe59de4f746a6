"""``[factor.NAME]``: what is refused, in whole messages, and what its layers become."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from gisprio.contracts.errors import InputError, SettingsError
from gisprio.inputs.config import read_settings
from gisprio.inputs.project import read_inputs
from gisprio.run.known import known_names
from unit.inputs.test_project import box, says

GOOD = {"layer": "'mine.gpkg'", "measure": "'share'", "nodes": "[0, 1]", "group": "'gap'"}


def section(name="mine", **keys):
    lines = [f"{key} = {value}" for key, value in (GOOD | keys).items() if value is not None]
    return "\n".join([f"[factor.{name}]", *lines])


FAULTS = {
    section("outer_bend"): (
        "[factor.outer_bend]: outer_bend is a name of gisprio's own.",
        "a name that nothing else has, as in [factor.my_outer_bend].",
        "choose another name, here and under [priority].",
    ),
    section("erosion"): (
        "[factor.erosion]: erosion is a name of gisprio's own.",
        "a name that nothing else has, as in [factor.my_erosion].",
        "choose another name, here and under [priority].",
    ),
    section("Mine-1"): (
        '[factor.Mine-1]: "Mine-1" cannot be the name of a factor.',
        "2 to 41 small letters, digits and _, a letter first: columns of the results are named after it.",
        "choose another name, here and under [priority].",
    ),
    section() + "\n" + section("mine_score"): (
        "[factor.mine_score]: [factor.mine] has a column of that name.",
        "names whose columns differ.",
        "choose another name, here and under [priority].",
    ),
    section(measure="'area'"): (
        '[factor.mine] measure: "area" is not known.',
        "one of mean, share, distance, column.",
        'write "share" if that is what you meant.',
    ),
    section(group=None): (
        "[factor.mine] group is missing.",
        "a value for group.",
        "add it; `gisprio new FOLDER` writes a config that has it.",
    ),
    section(witin_m="5"): (
        "[factor.mine] witin_m: there is no such key.",
        "one of layer, measure, column, within_m, nodes, direction, group, title, unit.",
        "write within_m if that is what you meant, else take the key out.",
    ),
    "[factor]\nmine = 5": (
        "[factor.mine] is not a section.",
        "a section of its own, with keys of the form key = value below it.",
        "correct [factor.mine].",
    ),
    section(within_m="0"): (
        "[factor.mine] within_m: 0 is too small.", "a number above 0.", "correct [factor.mine] within_m.",
    ),
    section(nodes="[0, inf]"): (
        "[factor.mine] nodes, item 2: inf is refused.", "a finite number.", "write a number, or leave the key out.",
    ),
    section(nodes="[[0, 0], [5, 100]]"): (
        "[factor.mine] nodes: [[0, 0], [5, 100]] is no value function.",
        "[low, high], low below high; or two or more pairs [value, score], values rising, scores between 0 and 1.",
        "give scores as 0 to 1, not as percent; where less is worse, say so with direction or with falling scores.",
    ),
    section(nodes="[[0, 0], [5, 1]]", direction="'less'"): (
        '[factor.mine] direction: "less" is worse, but scores of the nodes rise.',
        "scores that fall with the value.",
        "correct the nodes, or take direction out: then the nodes alone count.",
    ),
    section(measure="'column'"): (
        "[factor.mine] column is missing.", 'the attribute whose value counts, for measure = "column".', "add it.",
    ),
    section(column="'a'"): (
        '[factor.mine] column: measure = "share" reads no attribute.',
        'column only with measure = "mean" or "column".',
        "take column out, or correct measure.",
    ),
    section(measure="'distance'", within_m="5"): (
        '[factor.mine] within_m: measure = "distance" goes to the nearest feature however far.',
        "nodes that say from where on a feature is too far to count.",
        "take within_m out.",
    ),
    section() + "\n[priority.erosion]\nmine = 5": (
        "[priority.erosion] mine: there is no such factor.",
        "one of bank_angle, bank_height_ratio, near_bank_cover, observed_erosion, outer_bend, retreat, "
        "subsoil_fines, unit_stream_power.",
        "write one of these names.",
    ),
}  # fmt: skip


@pytest.mark.parametrize("text", FAULTS)
def test_one_fault_one_message(world, message, text):
    what, wanted, do = FAULTS[text]
    expected = f"SettingsError: world.toml, {what}\n  Wanted: {wanted}\n  Do: {do}"
    assert message(SettingsError, read_settings, world.config(text), known_names()) == expected


@pytest.mark.parametrize(
    "nodes", ["[5, 1]", "[1]", "[1, 2, 3]", "[true, 2]", "['a', 'b']", "[[1, 0], 2]", "[[1, 0], [1, 1]]"]
)
def test_what_is_no_value_function(world, message, nodes):
    told = message(SettingsError, read_settings, world.config(section(nodes=nodes)), known_names())
    assert told.startswith("SettingsError: world.toml, [factor.mine] nodes: ")
    assert "is no value function" in told


def test_two_numbers_or_pairs_give_the_value_function_and_a_weight_goes_below_its_group(world):
    text = section(nodes="[2, 8]", direction="'less'") + "\n[priority.gap]\nmine = 5\nmissing_strip = 5"
    settings = read_settings(world.config(text), known_names())
    assert settings.factor["mine"].value_function() == ((2.0, 1.0), (8.0, 0.0))
    assert settings.priority.gap["mine"] == 5.0
    humped = read_settings(world.config(section(nodes="[[0, 0], [1, 0.9], [2, 0.1]]")), known_names())
    assert humped.factor["mine"].value_function() == ((0.0, 0.0), (1.0, 0.9), (2.0, 0.1))


# ---------------------------------------------------------------- layers


def test_features_become_a_table_of_their_values(world):
    world.vector("mine.gpkg", [box(0, 0, 9, 9), box(9, 0, 18, 9)], load=["3.5", "many"])
    inputs = read_inputs(world.settings(section(measure="'mean'", column="'load'")))
    assert inputs.tables["own_mine"]["value"].fillna(-9).tolist() == [3.5, -9]
    assert inputs.tables["own_mine"].geometry.area.tolist() == [81.0, 81.0]
    assert says(inputs, "value") == ["load: 1 values are no numbers and are taken as missing: many."]
    assert set(inputs.extents) >= {"factor.mine"}
    first = inputs.digests["own_mine"]
    world.vector("mine.gpkg", [box(0, 0, 9, 9), box(9, 0, 18, 9)], load=["3.5", "4"])
    assert read_inputs(world.settings(section(measure="'mean'", column="'load'"))).digests["own_mine"] != first


def test_points_in_one_layer_and_lines_in_another(world):
    world.vector("mine.gpkg", [shapely.MultiPoint([(500_300, 5_000_100), (500_310, 5_000_100)])])
    world.vector("other.gpkg", [world.line()], height=[2])
    text = (
        section(measure="'distance'")
        + "\n"
        + section("other", layer="'other.gpkg'", measure="'column'", column="'height'")
    )
    inputs = read_inputs(world.settings(text))
    assert inputs.tables["own_mine"].geom_type.tolist() == ["Point", "Point"]
    assert inputs.tables["own_other"]["value"].tolist() == [2.0]


def test_a_raster_keeps_numbers_that_no_height_or_code_could_be(world):
    values = np.full((60, 60), 25_000.5, "float32")
    values[0, 0] = -1
    world.raster("mine.tif", values, nodata=-1)
    inputs = read_inputs(world.settings(section(layer="'mine.tif'", measure="'mean'")))
    cells = inputs.rasters["own_mine"].window((500_001, 5_000_591, 500_011, 5_000_599)).values
    assert np.isnan(cells[0, 0])
    assert cells[0, 1] == 25_000.5
    assert says(inputs, "impossible_heights") == []
    inputs.close()


def test_a_raster_of_another_system_is_drawn_without_mixing_its_values(world):
    world.raster("mine.tif", np.tile([0.0, 9.0], (800, 400)).astype("float32"), cell_m=1e-4, x0=14.98, y1=45.18,
                 crs="EPSG:4326")  # fmt: skip
    inputs = read_inputs(world.settings(section(layer="'mine.tif'")))
    cells = inputs.rasters["own_mine"].window((500_001, 5_000_001, 500_599, 5_000_599)).values
    assert set(np.unique(cells)) == {0.0, 9.0}
    inputs.close()


def test_layers_that_cannot_be_used_are_told_at_once(world, message):
    world.vector("lines.gpkg", [world.line()], height=[2])
    world.raster("cells.tif", np.ones((60, 60), "uint8"))
    text = "\n".join(
        [
            section("first", layer="'none.gpkg'"),
            section("second", layer="'lines.gpkg'"),
            section("third", layer="'cells.tif'", measure="'distance'"),
            section("fourth", layer="'lines.gpkg'", measure="'column'", column="'heigth'"),
            section("fifth", layer="'lines.gpkg'", measure="'mean'"),
        ]
    )
    assert message(InputError, read_inputs, world.settings(text)) == (
        "InputError: 5 layers of [factor] cannot be used.\n"
        '  1. [factor.first] layer: there is no file "none.gpkg".\n'
        f"     Wanted: a file that is there; a relative path starts at {world.folder.resolve()}.\n"
        "     Do: correct the path, or take the layer out of the config.\n"
        "  2. [factor.second] layer: lines.gpkg holds LineString.\n"
        "     Wanted: polygons.\n"
        "     Do: give a layer of polygons, or convert it in your GIS.\n"
        "  3. [factor.third] measure: cells.tif is a raster, which has no features.\n"
        '     Wanted: measure = "mean" or "share" without column for a raster, features for the others.\n'
        "     Do: correct measure, or give a layer of features.\n"
        '  4. [factor.fourth] column: lines.gpkg has no column "heigth".\n'
        "     Wanted: one of height.\n"
        '     Do: write column = "height" if that is what you meant.\n'
        "  5. [factor.fifth] column is missing: lines.gpkg holds features.\n"
        "     Wanted: the attribute whose mean counts, or a raster.\n"
        '     Do: add column = "...".'
    )
