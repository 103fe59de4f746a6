"""The table of what was measured on site: read, and refused by line."""

from __future__ import annotations

import pytest

from gisprio.contracts.errors import InputError
from gisprio.contracts.works import Given
from gisprio.inputs.given_works import read_given

KNOWN = {"A-L-S1", "B-R-S1"}


def table(tmp_path, text):
    path = tmp_path / "measured.csv"
    path.write_text(text, "utf-8")
    return path


def refused(tmp_path, text) -> str:
    with pytest.raises(InputError) as error:
        read_given(table(tmp_path, text), KNOWN)
    return str(error.value).replace(str(tmp_path / "measured.csv"), "FILE")


def test_what_is_given_is_read_and_what_is_empty_is_not_said(tmp_path):
    text = "site_id;length_m;height_low_m;height_high_m;start_slope;measure\nA-L-S1;55;1.4;2.05;0;\n;;;;;\n"
    assert read_given(table(tmp_path, text), KNOWN) == {
        "A-L-S1": Given(length_m=55.0, height_low_m=1.4, height_high_m=2.05, start_slope=0.0)
    }
    text = "site_id,measure,trees_lost\nB-R-S1,bank works and plant,3\n"
    assert read_given(table(tmp_path, text), KNOWN) == {"B-R-S1": Given(measure="bank works and plant", trees_lost=3.0)}


def test_columns_that_are_not_known_are_refused(tmp_path):
    assert refused(tmp_path, "site_id,height\nA-L-S1,2\n") == (
        "FILE has columns that are not known: height.\n"
        "  Wanted: a head line with site_id, and of these what was measured: measure, length_m, height_low_m, "
        "height_high_m, start_slope, finished_slope, plantable_area_m2, trees_lost.\n"
        "  Do: name the columns so, and take others out."
    )
    assert refused(tmp_path, "length_m\n3\n").startswith("FILE has no column site_id.\n")


def test_wrong_lines_are_refused_all_at_once(tmp_path):
    text = (
        "site_id,height_low_m,height_high_m,finished_slope,measure\n"
        "A-L-S1,1.4 m,2,,\n"
        "X,1,2,,\n"
        "B-R-S1,2,1,,\n"
        "B-R-S1,1,,,dig\n"
        "A-L-S1,1,2,nan,\n"
    )
    assert refused(tmp_path, text) == (
        "6 faults in FILE.\n"
        "  1. Line 2: height_low_m '1.4 m' is no number from 0 to 30.\n"
        "     Wanted: Lowest height of the bank from toe to top. A point before decimals, no unit.\n"
        "     Do: correct it, or leave it empty.\n"
        "  2. Line 3: there is no site 'X'.\n"
        "     Wanted: a site_id as in sites.csv.\n"
        "     Do: look it up there.\n"
        "  3. Line 4: height_low_m 2 is above height_high_m 1.\n"
        "     Wanted: the lowest height not above the highest.\n"
        "     Do: turn them round.\n"
        "  4. Line 5: 'dig' is no measure.\n"
        "     Wanted: one of: look first, bank works and plant, fence and plant, plant, protect.\n"
        "     Do: choose one of these.\n"
        "  5. Line 5: only one of height_low_m and height_high_m is given.\n"
        "     Wanted: both: the lowest and the highest along the site.\n"
        "     Do: write the same number into both where only one place was measured.\n"
        "  6. Line 6: finished_slope 'nan' is no number from 0.1 to 10.\n"
        "     Wanted: Slope wanted, horizontal to vertical. A point before decimals, no unit.\n"
        "     Do: correct it, or leave it empty."
    )


def test_a_site_stands_in_it_once_and_the_file_is_there(tmp_path):
    assert "A-L-S1 stands in the table already." in refused(tmp_path, "site_id,length_m\nA-L-S1,5\nA-L-S1,6\n")
    with pytest.raises(InputError, match="cannot be read: No such file"):
        read_given(tmp_path / "none.csv", KNOWN)
