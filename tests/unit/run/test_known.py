"""A regional curve of the user's own: held to the rules when the config is read, and part of what is kept."""

from __future__ import annotations

import pytest

from gisprio.contracts.errors import InputError
from gisprio.run.fingerprints import section_digests
from gisprio.run.known import chosen_references, read_settings

CONFIG = """
[run]
name = "Tiny"
output = "results"
[layers]
dem = "dem.tif"
land_cover = "cover.tif"
[land_cover]
legend = "nlcd"
[hydraulics]
curve = "curves/mine.toml"
"""
CURVE = 'units = "si"\nwidth = [3, 0.4]\ndepth = [0.3, 0.2]\n'


@pytest.fixture
def config(tmp_path):
    (tmp_path / "curves").mkdir()
    (tmp_path / "curves" / "mine.toml").write_text(CURVE)
    (tmp_path / "tiny.toml").write_text(CONFIG)
    return tmp_path / "tiny.toml"


def test_a_curve_that_is_no_curve_is_refused_when_the_config_is_read(config):
    (config.parent / "curves" / "mine.toml").write_text(CURVE.replace("0.4", "-0.4"))
    with pytest.raises(InputError) as told:
        read_settings(config)
    assert str(told.value) == (
        "Regional curve curves/mine.toml: width = [3, -0.4] is not right.\n"
        "  Wanted: two numbers above 0, as in [2.70, 0.352].\n"
        "  Do: correct its file."
    )


def test_another_content_of_the_curve_is_another_key(config):
    before = section_digests(read_settings(config), ("hydraulics", "streams"))
    (config.parent / "curves" / "mine.toml").write_text(CURVE.replace("0.4", "0.41"))
    after = section_digests(read_settings(config), ("hydraulics", "streams"))
    assert after["section hydraulics"] != before["section hydraulics"]
    assert after["section streams"] == before["section streams"]


def test_a_curve_of_ones_own_adds_no_reference_that_is_not_listed(config):
    assert chosen_references(read_settings(config)) == ("config", "bull1979", "jarrett1984")


def test_judgements_in_pairs_name_their_source():
    from tables import settings

    pairs = {"pairwise": {"erosion": [("unit_stream_power", "outer_bend", 2.0)]}}
    assert chosen_references(settings(priority=pairs)) == (*chosen_references(settings()), "saaty1980")
