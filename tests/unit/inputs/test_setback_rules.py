"""Setback rules in a config: rule files, further rules, zones, and the words for what makes no sense."""

from __future__ import annotations

import pytest

from gisprio.contracts.errors import SettingsError
from gisprio.inputs.config import read_settings
from gisprio.inputs.setback_rules import HOME, rule_path

FAULTS = {
    "rule = 'by_class'\nby = 'kind'\nwidths_m = { ditches = 5 }": (
        '[setback] widths_m: there is no kind "ditches".',
        "one of natural, ditch, piped, lake_path, tidal, canal, unconfirmed.", "correct it.",
    ),
    "rule = 'by_class'\nby = 'class'\nwidth_m = 5": (
        '[setback] widths_m is missing for by = "class".', 'a table as in widths_m = { "I" = 30 }.', "add it.",
    ),
    "rule = 'by_class'\nby = 'bankfull_width_m'\nwidth_m = 5": (
        '[setback] steps is missing for by = "bankfull_width_m".',
        "a table as in steps = [{ from = 0, width_m = 10 }].", "add it.",
    ),
    "rule = 'by_slope'\nwidth_m = 5\nwidths_m = { I = 3 }": (
        "[setback] by is missing.", "what the widths go by: one of class, kind, bankfull_width_m, drainage_area_km2.",
        "add it.",
    ),
    "rule = 'by_slope'\nwidth_m = 5\nslope_steps = [{ from = 10, add_m = 1 }, { from = 5, add_m = 2 }]": (
        "[setback] slope_steps do not rise.", "limits in rising order, each once.", "sort them.",
    ),
    "rule = 'by_stream_order'\nsteps = [{ from = 1, above = 2, width_m = 3 }]": (
        "[setback] steps, item 1: {'from': 1, 'above': 2, 'width_m': 3} has no limit, or two.",
        "one of from, above, as in { from = 5, width_m = 10 }.", "correct [setback] steps, item 1.",
    ),
    "rule = 'by_slope'": ("[setback] asks for no width anywhere.", "a width above 0 m.", "give the rule its widths."),
    "rule = 'average'\nwidth_m = 15\nleast_m = 9\ncounted_m = 12": (
        "[setback] counted_m = 12 is less than the average that is asked for.", "at least 15.",
        "raise it, or leave it out.",
    ),
    "zones = 'zones.gpkg'": (
        "[setback] zones is given without zone.NAME.", "both: the polygons, and a rule for each name of a zone.",
        "add zone.NAME, or take zones out.",
    ),
    "[setback.zone.town]\nwidth_m = 5": (
        "[setback] zone.NAME is given without zones.", "both: the polygons, and a rule for each name of a zone.",
        "add zones, or take zone.NAME out.",
    ),
    "[setback.also.fixed_width]\nwidth_m = 5": (
        "[setback.also.fixed_width] has the name of the rule that ranks.",
        "a name of its own for each rule: the results tell them apart by it.", "choose another name.",
    ),
    "[setback.also.a]\nwidth_m = 5\n[setback.also.a.also.b]\nwidth_m = 5": (
        "[setback.also.a] has rules or zones of its own.", "also, zones and zone under [setback] alone.",
        "take them out there.",
    ),
    "[setback.also.a]\nrule = 'two_zone'\ninner_m = 9\nouter_m = 6\nouter_counts = ['grass']": (
        '[setback.also.a] outer_counts, item 1: "grass" is not known.',
        "one of woody, herbaceous, pasture, crop, bare, developed, wetland, water, other.", "write one of these words.",
    ),
    "[setback.exempt]\nproperty_hectares = 2": (
        "[setback.exempt] property_hectares: there is no such key.",
        "one of slope_below_percent, slope_over_percent, width_below_m, area_below_km2, property_ha, land_use, kinds.",
        "write property_ha if that is what you meant, else take the key out.",
    ),
}  # fmt: skip


@pytest.mark.parametrize("text", FAULTS)
def test_one_fault_one_message(world, message, text):
    says, wanted, do = FAULTS[text]
    path = world.config(text if text.startswith("[") else f"[setback]\n{text}")
    expected = f"SettingsError: world.toml, {says}\n  Wanted: {wanted}\n  Do: {do}"
    assert message(SettingsError, read_settings, path) == expected


def test_a_rule_file_is_taken_by_name_or_by_path_and_the_config_overrules_it(world):
    (world.folder / "mine.toml").write_text('rule = "fixed_width"\nwidth_m = 7\n[about]\ntitle = "Mine"\n')
    setback = world.settings(
        "[setback]\nrule_file = 'minnesota-public-waters'\nshortest_gap_m = 40\n"
        "[setback.also.own]\nrule_file = 'mine.toml'\n[setback.also.wide]\nrule_file = 'mine.toml'\nwidth_m = 9"
    ).setback
    assert (setback.rule, setback.name, setback.shortest_gap_m) == ("average", "minnesota-public-waters", 40)
    assert setback.kind == "statute"
    assert {name: (rule.width_m, rule.name, rule.about.title) for name, rule in setback.also.items()} == {
        "own": (7, "mine", "Mine"), "wide": (9, "mine", "Mine"),
    }  # fmt: skip
    assert setback.widest_m == setback.most_m == pytest.approx(2 * 15.24)


def test_rule_files_that_are_not_there(world, message):
    folder = world.folder.resolve()
    path = world.config("[setback]\nrule_file = 'mine.toml'")
    assert message(SettingsError, read_settings, path) == (
        'SettingsError: [setback] rule_file: there is no file "mine.toml".\n'
        f"  Wanted: a rule file; a relative path starts at {folder}.\n"
        "  Do: correct the path, or name a rule that comes with gisprio."
    )
    path = world.config("[setback.also.a]\nrule_file = 'minesota-public-waters'")
    told = message(SettingsError, read_settings, path)
    assert told.startswith('SettingsError: [setback.also.a] rule_file: no rule "minesota-public-waters" comes with')
    assert told.endswith("  Do: write minnesota-public-waters if that is what you meant.")


def test_a_fault_in_a_rule_file_names_the_file(world, message):
    (world.folder / "mine.toml").write_text('rule = "fixed_width"\nwidht_m = 7\n')
    path = world.config("[setback]\nrule_file = 'mine.toml'")
    told = message(SettingsError, read_settings, path)
    head = "SettingsError: world.toml, [setback] widht_m (rule file mine.toml): there is no such key."
    assert told.startswith(head)
    assert told.endswith("  Do: write width_m if that is what you meant, else take the key out.")


def test_rule_files_come_from_one_folder():
    assert rule_path("prince-edward-island", "[setback]", None).parent.name == HOME
