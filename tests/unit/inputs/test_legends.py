from __future__ import annotations

import pytest

from gisprio.contracts.errors import InputError
from gisprio.inputs.legends import read_legend


def test_a_legend_of_ones_own(tmp_path):
    path = tmp_path / "mine.csv"
    path.write_text(
        '\ufeff# min_width_m = 2.5\n# source = field map\nCode,Name,Cover,C_factor\n\n3,"meadow, wet",Pasture,0.05\n'
        "-1,wood,woody,\n",
        encoding="utf-8",
    )
    legend = read_legend("mine.csv", tmp_path)
    assert legend.min_width_m == 2.5
    assert legend.table["code"].tolist() == [3, -1]
    assert legend.table["name"].tolist() == ["meadow, wet", "wood"]
    assert legend.table["cover"].tolist() == ["pasture", "woody"]
    assert legend.table["c_factor"].fillna(-9).tolist() == [0.05, -9]


def test_semicolons_and_no_c_factor(tmp_path):
    (tmp_path / "mine.csv").write_text("code;name;cover\n1;wood, mixed;woody\n")
    legend = read_legend("mine.csv", tmp_path)
    assert legend.min_width_m is None
    assert legend.table["name"].tolist() == ["wood, mixed"]
    assert legend.table["c_factor"].isna().all()


def test_no_such_legend(tmp_path, message):
    text = message(InputError, read_legend, "ncld", tmp_path)
    assert text.startswith(
        f'InputError: [land_cover] legend: "ncld" is no legend that comes with gisprio, and there is no file '
        f"{tmp_path / 'ncld'}.\n  Wanted: one of aafc-aci, corine-2018, nlcd, "
    )
    assert text.endswith(
        "worldcover-2021, or the path of a CSV: code,name,cover,c_factor.\n"
        '  Do: write legend = "nlcd" if that is what you meant, else check the path.'
    )


def test_all_faults_of_a_legend_at_once(tmp_path, message):
    (tmp_path / "mine.csv").write_text(
        "# min_width_m = wide\ncode,name,cover,c_factor\n1,wood,woods,0\nx,field,crop,0.2\n2,rock,bare,3\n"
        "3,road,developed,\n3,house,developed,\n"
    )
    assert message(InputError, read_legend, "mine.csv", tmp_path) == (
        "InputError: 5 faults in the legend mine.csv.\n"
        '  1. mine.csv, line 3: cover "woods" is not known.\n'
        "     Wanted: one of woody, herbaceous, pasture, crop, bare, developed, wetland, water, other.\n"
        "     Do: write woody if that is what you meant.\n"
        '  2. mine.csv, line 4: code "x" is not a whole number.\n'
        "     Wanted: the number that stands in the raster.\n"
        "     Do: correct the code; for polygons with words as codes, put the word in the column name.\n"
        '  3. mine.csv, line 5: c_factor "3" is not right.\n'
        "     Wanted: a number from 0 to 1, or nothing where it is not known.\n"
        "     Do: correct it or leave it empty.\n"
        "  4. mine.csv, line 7: code 3 was given before, in line 6.\n"
        "     Wanted: each code once.\n"
        "     Do: take one of the two lines out.\n"
        '  5. mine.csv: min_width_m = "wide" is not right.\n'
        "     Wanted: metres as a number above 0, as in # min_width_m = 30.\n"
        "     Do: correct it, or take the line out."
    )


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (
            "code,name\n1,wood\n",
            "mine.csv, line 1: there is no column cover.\n"
            "  Wanted: the columns code, name, cover and c_factor; it has code, name.\n"
            "  Do: name the columns in the first line that is no comment.",
        ),
        (
            "# nothing\n",
            "mine.csv has no rows.\n  Wanted: code,name,cover,c_factor and a row a code.\n  Do: fill it in.",
        ),
        (
            "code,name,cover\n",
            "mine.csv has no rows.\n  Wanted: a row a code below the column names.\n  Do: fill it in.",
        ),
    ],
)
def test_a_legend_without_rows_or_columns(tmp_path, message, text, says):
    (tmp_path / "mine.csv").write_text(text)
    assert message(InputError, read_legend, "mine.csv", tmp_path) == f"InputError: {says}"


def test_a_legend_that_is_no_text(tmp_path, message):
    (tmp_path / "mine.csv").write_bytes(b"code,name,cover\n1,w\xe4lder,woody\n")
    assert message(InputError, read_legend, "mine.csv", tmp_path) == (
        "InputError: [land_cover] legend: mine.csv cannot be read as text.\n"
        "  Wanted: a CSV file in UTF-8: code,name,cover,c_factor.\n"
        "  Do: save it again as CSV in UTF-8."
    )
