"""The table of the desk check as spreadsheets leave it: read where there is no doubt, else refused with its lines."""

import pytest

from gisprio.contracts.errors import InputError
from gisprio.inputs.desk_table import filled_rows, is_desk_table, read_desk_table
from gisprio.inputs.paths import Place
from gisprio.inputs.project import read_inputs

HEAD = "visit_id,bank_id,side,latitude,longitude,verdict,date,notes"
ROWS = (
    'D001,A-L,left,45.123456,15.000001,,,"=looks odd"',
    'D002,A-R,right,45.123556,15.000101,Wrong Line ,2026-05-02,"two, of\nthem"',
    "D003,B-L,left,45.125,15.0012345,ok,,",
)
SEEN = [
    ("D002", "A-R", "right", "wrong line", "2026-05-02", 15.000101, 45.123556),
    ("D003", "B-L", "left", "ok", None, 15.0012345, 45.125),
]
LAYER = 'visits = "desk.csv"'


def written(folder, text, name="desk.csv", encoding="utf-8"):
    path = folder / name
    path.write_bytes(text.encode(encoding))
    return path


def seen(path):
    file, faults, _ = read_desk_table("visits", Place(str(path)))
    assert faults == []
    rows = file.frame
    names = ("visit_id", "bank_id", "side", "verdict", "date")
    columns = [rows[name].tolist() for name in names]
    return list(zip(*columns, rows.geometry.x.tolist(), rows.geometry.y.tolist(), strict=True))


def test_rows_with_a_verdict_are_points_in_degrees(tmp_path):
    assert seen(written(tmp_path, "\n".join((HEAD, *ROWS)))) == SEEN


def test_what_spreadsheets_change_is_read_all_the_same(tmp_path):
    """Semicolons, a mark of the encoding, commas in numbers, another order, columns and lines of nothing, UTF-16."""
    german = (
        "\ufeffverdict;Side;longitude;bank_id;latitude;visit_id;date;notes;;\r\n"
        "ok;Left;15,0012345;B-L;45,125;D003;;;;\r\n;;;;;;;;;\r\n"
        'wrong line;right;15,000101;A-R;45,123556;D002;2026-05-02;"a;b";;\r\n;left;x;A-L;y;D001;;;;\r\n'
    )
    assert seen(written(tmp_path, german)) == SEEN[::-1]
    tabs = "\n".join((HEAD, *ROWS[1:])).replace('"two, of\nthem"', "n").replace(",", "\t")
    assert seen(written(tmp_path, tabs, encoding="utf-16")) == SEEN


def test_no_verdict_no_row_and_what_was_filled_in_is_counted(tmp_path):
    empty = written(tmp_path, f"{HEAD}\nD001,A-L,left,45.123456,15.000001,,,")
    assert (seen(empty), filled_rows(empty)) == ([], 0)
    assert filled_rows(written(tmp_path, "\n".join((HEAD, *ROWS)))) == 3
    assert filled_rows(written(tmp_path, "a,b\n1,2\n")) is None
    assert not is_desk_table("done", Place("/x/desk.csv"))


def test_faults_of_all_rows_are_told_at_once_with_their_lines(world, message):
    rows = (
        "D001,A-L,left,45.123456,15.000001,wrong,,",
        "D002,A-R,links,45.123456,15.000001,ok,,",
        "D003,B-L,left,45123456,15.000001,ok,,",
        "D004,B-R,right,45.1,15.0,ok,,",
        "D005,C-L,left,45.123456,<b>,maybe,,",
        "D006,C-L,left,45.123456,15.123456,ok,,a note,with a comma",
    )
    written(world.folder, "\n".join((HEAD, *rows)))
    assert message(InputError, read_inputs, world.settings(layers=LAYER)) == (
        "InputError: 6 layers cannot be used.\n"
        '  1. [layers] visits: desk.csv, column verdict: line 2 has "wrong", line 6 has "maybe".\n'
        "     Wanted: one of ok, wrong line, wrong cover, already done, not natural; or nothing.\n"
        "     Do: write one of these words.\n"
        '  2. [layers] visits: desk.csv, column side: line 3 has "links".\n'
        "     Wanted: left or right, as the table came.\n"
        "     Do: put it back.\n"
        '  3. [layers] visits: desk.csv, column latitude: line 4 has "45123456".\n'
        "     Wanted: degrees from -90 to 90, with a point or a comma before the decimals.\n"
        "     Do: copy the column from the page of the desk check, and have your spreadsheet take it as text.\n"
        '  4. [layers] visits: desk.csv, column longitude: line 6 has "<b>".\n'
        "     Wanted: degrees from -180 to 180, with a point or a comma before the decimals.\n"
        "     Do: copy the column from the page of the desk check, and have your spreadsheet take it as text.\n"
        '  5. [layers] visits: desk.csv, latitude and longitude were rounded: line 5 has "45.1 15.0".\n'
        "     Wanted: at least 4 decimals; the table came with 6.\n"
        "     Do: copy the column from the page of the desk check, and have your spreadsheet take it as text.\n"
        '  6. [layers] visits: desk.csv, more cells than the head line has: line 7 has "with a comma".\n'
        "     Wanted: as many cells in each line, text with a separator in it in quotes.\n"
        "     Do: save it again as CSV."
    )


@pytest.mark.parametrize(
    ("text", "encoding", "says"),
    [
        (
            "side,verdict\nleft,ok\n", "utf-8",
            "[layers] visits: desk.csv has no column latitude, longitude.\n  Wanted: the table that gisprio desk "
            "wrote, filled in; of its columns at least side, latitude, longitude, verdict.\n  Do: give that file, its "
            "head line as it was.",
        ),
        (
            f"{HEAD}\nD1,A-L,left,45.123456,15.000001,ok,,Fluß", "latin-1",
            "[layers] visits: desk.csv is not in UTF-8.\n  Wanted: a table of a desk check, as CSV in UTF-8.\n  Do: "
            "save it again from your spreadsheet as CSV UTF-8.",
        ),
    ],
)  # fmt: skip
def test_what_is_no_table_is_refused(world, message, text, encoding, says):
    written(world.folder, text, encoding=encoding)
    assert message(InputError, read_inputs, world.settings(layers=LAYER)) == f"InputError: {says}"


def test_it_is_a_layer_together_with_a_form_and_no_layer_untouched(world):
    from unit.inputs.conftest import STREAM_X, Y0, shapely

    world.vector("form.gpkg", [shapely.Point(STREAM_X, Y0 + 100)], side=["left"], chosen=["random"], erodes=["yes"])
    written(world.folder, "\n".join((HEAD, *ROWS)))
    table = read_inputs(world.settings(layers='visits = ["form.gpkg", "desk.csv"]')).tables["visits"]
    columns = ["visit_id", "side", "at_random", "at_desk", "verdict"]
    assert table[columns].fillna("none").to_numpy().tolist() == [
        ["none", 0, True, False, "none"],
        ["D002", 1, False, True, "wrong line"],
        ["D003", 0, False, True, "ok"],
    ]
    assert table["date_y"].round(2).fillna(0).tolist() == [0.0, 2026.33, 0.0]
    written(world.folder, "\n".join((HEAD, ROWS[0])))
    inputs = read_inputs(world.settings(layers=LAYER))
    assert inputs.tables["visits"].empty
    assert "visits" not in inputs.digests
    assert [one for one in inputs.findings if one.layer == "visits"] == []
