"""The private table of contacts: what is read, what each status allows, and errors that repeat nothing of it."""

from __future__ import annotations

import datetime as dt

import pytest

from gisprio.contracts.contacts import STATUSES
from gisprio.contracts.errors import InputError
from gisprio.inputs.contacts import read_contacts

DAY = dt.date(2026, 5, 31)
TABLE = """property_id,status,access_ok_until,name,address,phone,dog
7/1,agreed,2026-05-31,Ada Birch,Mill Lane 3 | 1234 Tansy,555 0101,bites
7/2,Declined,2027-01-01,Bo Reed,,,
7/3,do not contact,2027-01-01,Cy Sedge,,,
7/4,,,,,,
7/5,interested,2026-05-30,Di Alder,,,

"""


@pytest.fixture
def table(tmp_path):
    def write(text: str, name: str = "contacts.csv", encoding: str = "utf-8"):
        path = tmp_path / name
        path.write_bytes(text.encode(encoding))
        return path

    return write


def test_rows_and_what_they_allow(table):
    contacts = read_contacts(table(TABLE))
    assert [contact.property_id for contact in contacts] == ["7/1", "7/2", "7/3", "7/4", "7/5"]
    assert contacts.of("7/1").more == {"dog": "bites"}
    assert contacts.of("7/4").status == "not contacted"
    assert contacts.of("unknown").may_be_written_to()
    assert contacts.closed() == {"7/2", "7/3"}
    assert contacts.open_on(DAY) == {"7/1"}
    assert contacts.open_on(DAY - dt.timedelta(days=1)) == {"7/1", "7/5"}
    assert contacts.open_on(DAY + dt.timedelta(days=1)) == set()


@pytest.mark.parametrize("status", STATUSES)
def test_only_two_statuses_close_a_property(table, status):
    contact = read_contacts(table(f"property_id;status;access_ok_until\n1;{status};2030-01-01\n")).of("1")
    assert contact.may_be_written_to() == (status not in ("declined", "do not contact"))
    assert contact.may_be_visited(DAY) == contact.may_be_written_to()


def test_a_spreadsheet_with_semicolons_a_mark_in_front_and_line_breaks_in_cells(table):
    text = '\ufeffproperty_id;log\n"a;1";"said yes\nthen no"\n'
    assert read_contacts(table(text)).of("a;1").log == "said yes\nthen no"


def test_faults_are_told_together_by_line_and_repeat_nothing_private(table):
    path = table("property_id,status,access_ok_until,name\n1,maybe Ada,,\n,agreed,,Bo\n2,,soon says Cy,\n3,,,\n3,,,\n")
    with pytest.raises(InputError) as caught:
        read_contacts(path)
    told = str(caught.value)
    for line, says in (
        (2, "status is none that is known"),
        (3, "property_id is empty"),
        (4, "access_ok_until is no date"),
        (6, "this property stands in the table already"),
    ):
        assert f"Line {line}: {says}." in told
    for private in ("Ada", "Bo", "Cy"):
        assert private not in told


def test_what_is_no_table(table, tmp_path):
    with pytest.raises(InputError) as caught:
        read_contacts(table("parcel,status\n1,agreed\n"))
    assert str(caught.value) == (
        f"{tmp_path / 'contacts.csv'} has no column property_id.\n"
        "  Wanted: a head line with property_id, and of these what you keep: status, access_ok_until, next_action, "
        "offer, log, name, address, email, phone, language.\n"
        "  Do: name the column that holds the ids of your layer of properties so."
    )
    with pytest.raises(InputError, match=r"is not in UTF-8\."):
        read_contacts(table("property_id,name\n1,Zoë\n", encoding="latin-1"))
    with pytest.raises(InputError, match=r"nowhere\.csv cannot be read: No such file"):
        read_contacts(tmp_path / "nowhere.csv")
