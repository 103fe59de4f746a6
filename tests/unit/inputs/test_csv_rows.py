"""Tables that people fill in."""

from __future__ import annotations

import pytest

from gisprio.contracts.errors import InputError
from gisprio.inputs.csv_rows import read_lines


@pytest.mark.parametrize(
    "text",
    ["a,b\n1, 2 \n\n,\n3\n", "\ufeffa;b\r\n1;2\r\n;\r\n\r\n3;\r\n", 'a,b\n"1",2\n,,\n\n3,,9\n'],
    ids=["plain", "sheet", "more"],
)
def test_lines_keep_their_numbers_and_empty_ones_are_none(tmp_path, text):
    (tmp_path / "t.csv").write_bytes(text.encode())
    heads, lines = read_lines(tmp_path / "t.csv")
    assert heads == ["a", "b"]
    assert list(lines) == [(2, {"a": "1", "b": "2"}), (5, {"a": "3", "b": ""})]


def test_what_is_no_table_is_refused(tmp_path, message):
    path = tmp_path / "t.csv"
    assert message(InputError, read_lines, path) == (
        f"InputError: {path} cannot be read: No such file or directory.\n"
        "  Wanted: a CSV in UTF-8.\n"
        "  Do: check the path, or save the table again as CSV UTF-8."
    )
    path.write_text("a,b\n1," + "x" * 200_000)

    def read(place):
        return list(read_lines(place, "The table of contacts ")[1])

    assert message(InputError, read, path) == (
        f"InputError: The table of contacts {path}, line 2: the line cannot be parted into cells "
        "(field larger than field limit (131072)).\n"
        "  Wanted: a CSV.\n"
        "  Do: look for a quotation mark that is not closed."
    )
    path.write_bytes(b"a\n\xff\n")
    assert message(InputError, read_lines, path).startswith(f"InputError: {path} is not in UTF-8.")


def test_an_empty_file_has_no_heads(tmp_path):
    (tmp_path / "t.csv").touch()
    heads, lines = read_lines(tmp_path / "t.csv")
    assert (heads, list(lines)) == ([], [])
