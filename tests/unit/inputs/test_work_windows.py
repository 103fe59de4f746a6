"""Windows for work in the water as a CSV beside the config: the same settings as rows in it, faults by line."""

from __future__ import annotations

import pytest

from gisprio.contracts.errors import SettingsError
from gisprio.inputs.config import read_settings

CONFIG = """
[run]
name = "x"
output = "out"
[layers]
dem = "dem.tif"
land_cover = "cover.tif"
[land_cover]
legend = "nlcd"
[sites]
windows = {}
"""
ROWS = (
    '[{ stream = "Fern Brook", opens = "07-15", closes = "09-30", says = "trout; letter" },'
    ' { opens = "11-01", closes = "03-31" }]'
)


def settings_of(folder, windows):
    path = folder / "a.toml"
    path.write_text(CONFIG.format(windows), encoding="utf-8")
    return read_settings(path)


@pytest.mark.parametrize(
    "table",
    [
        "stream,opens,closes,says\nFern Brook,07-15,09-30,trout; letter\n\n,11-01,03-31,\n",
        '\ufeffcloses;opens;source;stream;says\n 09-30 ;07-15;web;Fern Brook;"trout; letter"\n03-31;11-01;;;\n;;;;\n',
    ],
)
def test_a_table_gives_the_same_settings_as_rows_in_the_config(tmp_path, table):
    (tmp_path / "windows.csv").write_text(table, encoding="utf-8")
    from_table = settings_of(tmp_path, '"windows.csv"')
    assert from_table == settings_of(tmp_path, ROWS)
    assert [row.stream for row in from_table.sites.windows] == ["Fern Brook", ""]


def test_faults_name_the_line_of_the_table(tmp_path, message):
    (tmp_path / "windows.csv").write_text("opens,closes\n07-15,09-30\n\n15 July,09-30\n", encoding="utf-8")
    assert message(SettingsError, settings_of, tmp_path, '"windows.csv"') == (
        'SettingsError: a.toml, [sites] windows.opens, item 2 (line 4 of windows.csv): "15 July" is not a day of the '
        "year.\n"
        '  Wanted: month and day, as in opens = "07-15".\n'
        "  Do: correct [sites] windows.opens, item 2 (line 4 of windows.csv)."
    )


def test_a_table_that_is_not_there_or_lacks_a_column(tmp_path, message):
    assert message(SettingsError, settings_of, tmp_path, '"windows.csv"') == (
        'SettingsError: [sites] windows: "windows.csv" cannot be read.\n'
        f"  Wanted: a CSV in UTF-8; a relative path starts at {tmp_path}.\n"
        "  Do: correct the path, or write the rows into the config."
    )
    (tmp_path / "windows.csv").write_bytes("stream,opens,closes\nMühl,07-15,09-30\n".encode("latin-1"))
    assert 'windows: "windows.csv" is not in UTF-8.\n' in message(SettingsError, settings_of, tmp_path, '"windows.csv"')
    (tmp_path / "windows.csv").write_text("stream,from,to\nFern Brook,07-15,09-30\n", encoding="utf-8")
    assert message(SettingsError, settings_of, tmp_path, '"windows.csv"') == (
        'SettingsError: [sites] windows: "windows.csv" has no column opens and closes.\n'
        "  Wanted: a head line with opens and closes, days such as 07-15; and stream and says where you have them.\n"
        "  Do: name the columns so."
    )
