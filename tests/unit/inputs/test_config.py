from __future__ import annotations

import pytest

from gisprio.contracts.errors import InputError, SettingsError
from gisprio.contracts.settings import Settings
from gisprio.inputs.config import CONFIG_NAME, read_settings, write_template

KNOWN = {
    "erosion": (
        "unit_stream_power",
        "outer_bend",
        "bank_height_ratio",
        "bank_angle",
        "near_bank_cover",
        "subsoil_fines",
        "observed_erosion",
        "retreat",
    ),
    "gap": ("missing_strip", "adjacent_use", "delivery"),
    "forms": ("outer_bend.peaked",),
    "rules": ("fixed_width",),
    "curves": ("usa", "appalachian_highlands"),
}


def test_a_config_gives_its_values_and_the_defaults(world):
    settings = world.settings("[setback]\nwidth_m = 12\ncounts = ['woody']\n[priority.gap]\nmissing_strip = 3")
    assert settings.setback.width_m == 12.0
    assert settings.setback.counts == ("woody",)
    assert settings.priority.gap == {"missing_strip": 3.0}
    assert settings.streams.reach_length_m == 200.0
    assert settings.layers.dem == ("dem.tif",)
    assert settings.folder == world.folder.resolve()


def test_the_template_is_a_whole_config_with_the_defaults(tmp_path):
    path = write_template(tmp_path / "new" / "project")
    assert path == tmp_path / "new" / "project" / CONFIG_NAME
    settings = read_settings(path, KNOWN)
    plain = Settings.model_validate(
        {
            "run": {"name": "My watershed", "output": "results"},
            "layers": {"dem": "data/dem.tif", "land_cover": "data/cover.tif", "streams": "data/streams.gpkg"},
            "land_cover": {"legend": "worldcover-2021"},
            "folder": path.parent.resolve(),
        }
    )
    assert settings == plain


def test_every_key_the_template_comments_out_is_a_key_with_its_default(tmp_path):
    path = write_template(tmp_path)
    plain = read_settings(path)
    sections = path.read_text(encoding="utf-8").split("\n[hydraulics]")
    numbers = "[hydraulics]" + sections[1].replace("# contact", "## contact")
    opened = "\n".join(
        line.removeprefix("# ") if " = " in line or line.startswith("# [") else line for line in numbers.split("\n")
    )
    path.write_text(sections[0] + "\n" + opened, encoding="utf-8")
    assert read_settings(path, KNOWN) == plain


def test_new_refuses_to_overwrite(tmp_path, message):
    write_template(tmp_path)
    (tmp_path / CONFIG_NAME).write_text("mine")
    assert message(InputError, write_template, tmp_path) == (
        f"InputError: {tmp_path / CONFIG_NAME} is there already.\n"
        "  Wanted: a folder without gisprio.toml.\n"
        "  Do: name another folder, or move the old file away first."
    )
    assert (tmp_path / CONFIG_NAME).read_text() == "mine"


def test_new_refuses_a_file_in_the_way(tmp_path, message):
    (tmp_path / "file").write_text("x")
    assert message(InputError, write_template, tmp_path / "file") == (
        f"InputError: {tmp_path / 'file'} is there already.\n"
        "  Wanted: a folder without gisprio.toml.\n"
        "  Do: name another folder, or move the old file away first."
    )


def test_no_such_config(tmp_path, message):
    assert message(SettingsError, read_settings, tmp_path / "none.toml") == (
        f"SettingsError: there is no config file {tmp_path / 'none.toml'}.\n"
        "  Wanted: the path of a TOML file.\n"
        "  Do: check the path, or start one with `gisprio new FOLDER`."
    )


def test_a_folder_is_no_config(tmp_path, message):
    assert message(SettingsError, read_settings, tmp_path) == (
        f"SettingsError: {tmp_path} cannot be read: Is a directory.\n"
        "  Wanted: the path of a TOML file.\n"
        "  Do: give the config file itself, not its folder, and check its permissions."
    )


def test_broken_toml_names_the_line(tmp_path, message):
    path = tmp_path / "a.toml"
    path.write_text('[run]\nname = "x"\noutput = C:\\data\n')
    text = message(SettingsError, read_settings, path)
    assert text == (
        "SettingsError: a.toml is not valid TOML: invalid value (at line 3, column 10).\n"
        '  Wanted: lines of the form key = value under [section], text in "double quotes".\n'
        "  Do: correct that line; in paths write / instead of \\, which has a meaning in TOML."
    )


def test_not_utf8(tmp_path, message):
    path = tmp_path / "a.toml"
    path.write_bytes(b'[run]\nname = "M\xfchl"\n')
    assert message(SettingsError, read_settings, path) == (
        "SettingsError: a.toml is not written in UTF-8.\n"
        "  Wanted: a text file in UTF-8.\n"
        "  Do: save it again from your editor with the encoding UTF-8."
    )


def test_an_empty_config_lists_the_sections_it_needs(tmp_path, message):
    path = tmp_path / "a.toml"
    path.write_text("")
    assert message(SettingsError, read_settings, path) == (
        "SettingsError: 3 faults in a.toml.\n"
        "  1. [run] is missing.\n"
        "     Wanted: [run] with name and output.\n"
        "     Do: add it; `gisprio new FOLDER` writes a config that has it.\n"
        "  2. [layers] is missing.\n"
        "     Wanted: [layers] with dem and land_cover.\n"
        "     Do: add it; `gisprio new FOLDER` writes a config that has it.\n"
        "  3. [land_cover] is missing.\n"
        '     Wanted: [land_cover] with legend, as in legend = "nlcd".\n'
        "     Do: add it; `gisprio new FOLDER` writes a config that has it."
    )


FAULTS = {
    "[setback]\nwidht_m = 10": (
        "[setback] widht_m: there is no such key.",
        "one of rule, width_m, kind, counts, natural, canopy_m, opening_m, shortest_gap_m, measure, reference_line, "
        "slope_within_m, exempt, about, rule_file, also, zones, zone.",
        "write width_m if that is what you meant, else take the key out.",
    ),
    "[setbacks]\nwidth_m = 10": (
        "[setbacks]: there is no such section.",
        "one of run, layers, columns, stream_kinds, dem, land_cover, streams, hydraulics, setback, delivery, works, "
        "priority, "
        "factor, sites, sizing, robustness, report, sheets, shortlist.",
        "write setback if that is what you meant, else take the section out.",
    ),
    "[setback]\nwidth_m = 'wide'": (
        '[setback] width_m: "wide" is not a number.', "a number, written without quotes.", "correct [setback] width_m.",
    ),
    "[setback]\nwidth_m = '30'": (
        '[setback] width_m: "30" is not a number.', "a number, written without quotes.", "correct [setback] width_m.",
    ),
    "[setback]\nwidth_m = true": (
        "[setback] width_m: true is not a number.", "a number, written without quotes.", "correct [setback] width_m.",
    ),
    "[setback]\nwidth_m = 0": (
        "[setback] width_m: 0 is too small.", "a number above 0.", "correct [setback] width_m.",
    ),
    "[setback]\nshortest_gap_m = -5": (
        "[setback] shortest_gap_m: -5 is too small.", "a number above 0.", "correct [setback] shortest_gap_m.",
    ),
    "[setback]\nwidth_m = nan": (
        "[setback] width_m: nan is refused.", "a finite number.", "write a number, or leave the key out.",
    ),
    "[priority.erosion]\nouter_bend = inf": (
        "[priority.erosion] outer_bend: inf is refused.", "a finite number.", "write a number, or leave the key out.",
    ),
    "[setback]\ncounts = ['woods']": (
        '[setback] counts, item 1: "woods" is not known.',
        "one of woody, herbaceous, pasture, crop, bare, developed, wetland, water, other.",
        'write "woody" if that is what you meant.',
    ),
    "[setback]\nkind = 'law'": (
        '[setback] kind: "law" is not known.', "one of statute, standard, guidance, own target.",
        "write one of these words.",
    ),
    "[setback.also.board]\nwidth_m = 0": (
        "[setback.also.board] width_m: 0 is too small.", "a number above 0.", "correct [setback.also.board] width_m.",
    ),
    "[priority.erosion]\nouter_bends = 5": (
        "[priority.erosion] outer_bends: there is no such factor.",
        "one of bank_angle, bank_height_ratio, near_bank_cover, observed_erosion, outer_bend, retreat, "
        "subsoil_fines, unit_stream_power.",
        "write outer_bend if that is what you meant.",
    ),
    "[sizing]\nsurvival = [0.9, 0.5]": (
        "[sizing] survival: [0.9, 0.5] is not in order.", "lowest and highest, as in [0.5, 0.9].",
        "correct [sizing] survival.",
    ),
    "[sizing]\nmat_width_m = 0.5": (
        "[sizing] leaves nothing of the mat.",
        "anchor_m and course_lap_m below mat_width_m, and roll_lap_m below roll_m.", "correct [sizing].",
    ),
    "[sizing.design]\nstructure_height = 2": (
        "[sizing] design.structure_height: there is no such key.",
        "one of finished_slope, structure_heights, crossing_widths, drainage_area_km2, velocity_m_s.",
        "write structure_heights if that is what you meant, else take the key out.",
    ),
    "[priority.gap]\nmissing_strip = 0": (
        "[priority.gap]: all weights are 0.", "at least one weight above 0.", "give one of them a weight.",
    ),
    "[priority]\nweights = { erosion = 0, gap = 0 }": (
        "[priority] weights: all weights are 0.", "at least one weight above 0.", "give one of them a weight.",
    ),
    "[priority]\nweights = { erosion = 1, gaps = 1 }": (
        "[priority] weights.gaps: there is no such key.", "one of erosion, gap.",
        "write gap if that is what you meant, else take the key out.",
    ),
    "[priority.nodes]\nouter_bend = [[1, 0], [0.5, 1]]": (
        "[priority.nodes] outer_bend is no value function.",
        "two or more pairs [value, score], values rising, scores between 0 and 1.",
        "sort the pairs by value, and give scores as 0 to 1, not as percent.",
    ),
    "[setback]\nrule = 'fixed_widths'": (
        '[setback] rule: there is no rule "fixed_widths".',
        "one of fixed_width, by_stream_order, by_class, by_slope, two_zone, average, cover_share.",
        "write fixed_width if that is what you meant.",
    ),
    "[hydraulics]\ncurve = 'mars'": (
        '[hydraulics] curve: there is no curve "mars".', "one of appalachian_highlands, usa.",
        "write one of these names.",
    ),
    "[streams]\nreach_length_m = 9": (
        "[streams] reach_length_m: 9 is too short for stations every 5 m.", "at least 2 x station_spacing_m = 10.",
        "lengthen reach_length_m or lower station_spacing_m.",
    ),
    "[stream_kinds]\ndrain = 'ditches'": (
        '[stream_kinds] drain: "ditches" is not known.',
        "one of natural, ditch, piped, lake_path, tidal, canal, unconfirmed.",
        'write "ditch" if that is what you meant.',
    ),
    "[priority.pairwise]\nerosion = [['unit_stream_power', 'outer_bend']]": (
        '[priority] pairwise.erosion, item 1: ["unit_stream_power", "outer_bend"] is too short.',
        'judgements as in [["unit_stream_power", "outer_bend", 2]].', "correct [priority] pairwise.erosion, item 1.",
    ),
    "[priority.pairwise]\nerosion = [['unit_stream_power', 'outer_bend', 20]]": (
        "[priority] pairwise.erosion, item 1: 20 is too large.", "a number of at most 9.",
        "correct [priority] pairwise.erosion, item 1.",
    ),
    "[priority.pairwise]\nerosion = [['unit_stream_power', 'outer_bent', 2]]": (
        '[priority.pairwise] erosion: there is no factor "outer_bent".',
        "one of bank_angle, bank_height_ratio, near_bank_cover, observed_erosion, outer_bend, retreat, "
        "subsoil_fines, unit_stream_power.",
        "write outer_bend if that is what you meant.",
    ),
    "[robustness]\nweight_spread = 1": (
        "[robustness] weight_spread: 1 is too large.", "a number below 1.", "correct [robustness] weight_spread.",
    ),
    "[sites]\nsite_max_length_m = 30": (
        "[sites] site_max_length_m: 30 is under twice site_min_length_m (20): parts of a site that is split would be "
        "too short.", "at least 40.", "raise site_max_length_m or lower site_min_length_m.",
    ),
    '[sites]\nwindows = [{ opens = "31-12", closes = "02-28" }]': (
        '[sites] windows.opens, item 1: "31-12" is not a day of the year.', 'month and day, as in opens = "07-15".',
        "correct [sites] windows.opens, item 1.",
    ),
    '[report]\ntiles = "https://tiles.example/{z}/{x}.png"': (
        '[report] tiles: "https://tiles.example/{z}/{x}.png" is no address of tiles.',
        "one that begins with https:// and holds {z}, {x} and {y}.", "correct [report] tiles.",
    ),
    "[robustness]\ndraws = 1.5": (
        "[robustness] draws: 1.5 is not a whole number.", "a whole number, written without quotes.",
        "correct [robustness] draws.",
    ),
}  # fmt: skip


@pytest.mark.parametrize("text", FAULTS)
def test_one_fault_one_message(world, message, text):
    says, wanted, do = FAULTS[text]
    path = world.config(text)
    expected = f"SettingsError: world.toml, {says}\n  Wanted: {wanted}\n  Do: {do}"
    assert message(SettingsError, read_settings, path, KNOWN) == expected


def test_a_curve_of_the_users_own_is_read_from_its_path(world, message):
    path = world.config("[hydraulics]\ncurve = 'mine.toml'")
    assert message(SettingsError, read_settings, path, KNOWN) == (
        'SettingsError: [hydraulics] curve: there is no file "mine.toml".\n'
        f"  Wanted: a regional curve; a relative path starts at {world.folder.resolve()}.\n"
        "  Do: correct the path, or name a curve that comes with gisprio."
    )
    (world.folder / "mine.toml").write_text('units = "si"\nwidth = [3, 0.4]\ndepth = [0.3, 0.2]\n')
    hydraulics = read_settings(path, KNOWN).hydraulics
    assert hydraulics.own_curve == {"units": "si", "width": [3, 0.4], "depth": [0.3, 0.2]}
    (world.folder / "mine.toml").write_text("width = ")
    assert "mine.toml is not valid TOML" in message(SettingsError, read_settings, path, KNOWN)
    world.config("[hydraulics]\nown_curve = {}")
    assert message(SettingsError, read_settings, path, KNOWN) == (
        "SettingsError: world.toml, [hydraulics] own_curve: there is no such key.\n"
        "  Wanted: one of curve, manning_low, steep_roughness, slope_cap.\n"
        "  Do: write curve if that is what you meant, else take the key out."
    )


def test_keys_of_layers_and_columns(world, message):
    path = world.config(layers='stream = "x"\nwater = ""\nroads = 5', columns="properties.class_ = 'use'")
    assert message(SettingsError, read_settings, path) == (
        "SettingsError: 3 faults in world.toml.\n"
        "  1. [layers] roads: 5 is not a path.\n"
        "     Wanted: a path, a glob, or a list of them.\n"
        "     Do: correct [layers] roads.\n"
        "  2. [layers] stream: there is no such key.\n"
        "     Wanted: one of dem, land_cover, streams, inflows, properties, water, bank_lines, soils, canopy, roads, "
        "constraints, wetlands, watershed, sub_watersheds, done, eroding, visits, image.\n"
        "     Do: write streams if that is what you meant, else take the key out.\n"
        "  3. [columns] properties.class_: there is no such key.\n"
        "     Wanted: one of id, class.\n"
        "     Do: write class if that is what you meant, else take the key out."
    )


def test_an_empty_path_is_a_fault(world, message):
    assert message(SettingsError, read_settings, world.config(layers='water = ""')) == (
        "SettingsError: world.toml, [layers] water is empty.\n"
        "  Wanted: a path, a glob, or a list of them.\n"
        "  Do: give the path, or leave the key out."
    )


def test_the_folder_is_no_key_of_the_file(world, message):
    path = world.config()
    path.write_text('folder = "/"\n' + path.read_text())
    assert message(SettingsError, read_settings, path).startswith(
        "SettingsError: world.toml, [folder]: there is no such section.\n"
    )


def test_weights_may_be_equal_or_judged(world):
    pairs = "gap = [['a', 'b', 3], ['b', 'c', 0.5]]"
    settings = world.settings(f"[priority]\nweights = 'equal'\n[priority.pairwise]\n{pairs}")
    without = dict.fromkeys(
        ("bank_height_ratio", "bank_angle", "near_bank_cover", "subsoil_fines", "observed_erosion", "retreat"), 0.0
    )
    assert settings.priority.erosion == {"unit_stream_power": 1.0, "outer_bend": 1.0} | without
    assert settings.priority.pairwise.given() == {"gap": (("a", "b", 3.0), ("b", "c", 0.5))}


def test_unchecked_names_pass(world):
    assert world.settings("[priority.erosion]\nmy_factor = 1").priority.erosion["my_factor"] == 1.0
