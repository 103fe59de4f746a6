"""The table of prices: what is read, units brought to those of the items, and every fault with its line."""

from __future__ import annotations

from pathlib import Path

import pytest

from gisprio.contracts.costs import INDEX, ONE_OF, PRICEABLE, STARTS, WHOLES, range_text, unit_size
from gisprio.contracts.errors import InputError
from gisprio.contracts.works import ITEM_KEYS
from gisprio.inputs.costs import read_costs, table_names

HEAD = "item,unit,low,high,currency,year,note\n"


@pytest.fixture
def read(tmp_path):
    def write(text: str, encoding: str = "utf-8"):
        (tmp_path / "mine.csv").write_bytes(text.encode(encoding))
        return read_costs("mine.csv", tmp_path)

    return write


@pytest.fixture
def refused(read):
    def text_of(text: str, encoding: str = "utf-8") -> str:
        with pytest.raises(InputError) as caught:
            read(text, encoding)
        return caught.value.report()

    return text_of


def test_a_table_of_ones_own(read):
    table = read(
        HEAD + 'tree,plants,1.50,3,cad,2026,"two quotes, by phone"\n\nstart_site,site,400,900,CAD,2026,\n'
        "start_property,property,1000,1500,CAD,2025,\n"
    )
    assert (table.name, table.currency, table.example, table.index) == ("mine.csv", "CAD", "", {})
    assert {key: (price.low, price.high, price.year) for key, price in table.prices.items()} == {
        "tree": (1.5, 3.0, 2026),
        "start_site": (400.0, 900.0, 2026),
        "start_property": (1000.0, 1500.0, 2025),
    }
    assert table.prices["tree"].note == "two quotes, by phone"
    assert table.years() == (2025, 2026)


def test_a_spreadsheet_with_semicolons_decimal_commas_a_mark_in_front_and_empty_cells(read):
    text = (
        "\ufeff# mine;;;;;;\nItem;Unit;Low;High;Currency;Year;Note\n;;;;;;\ntree;plants;1,5;3,25;EUR;2026;grown, here\n"
    )
    price = read(text.replace("\n", "\r\n")).prices["tree"]
    assert (price.low, price.high, price.note) == (1.5, 3.25, "grown, here")


def test_tabs_and_columns_of_ones_own(read):
    price = read("year\tlow\thigh\titem\tunit\tcurrency\tasked by\n2026\t2\t3\tmat\tm²\tUSD\tme\n").prices["mat"]
    assert (price.low, price.high, price.year) == (2.0, 3.0, 2026)


@pytest.mark.parametrize(
    ("item", "unit", "low"),
    [
        ("fence", "per ft", 1 / 0.3048),
        ("fence", "100 m", 0.01),
        ("planting_area", "acre", 1 / 4046.8564224),
        ("planting_area", "ha", 1e-4),
        ("earth_cut", "yd3", 1 / 0.764554857984),
        ("toe_rock", "US ton", 1 / 0.90718474),
        ("seed", "lbs", 1 / 0.45359237),
        ("live_stake", "each", 1.0),
        ("tree", "100 plants", 0.01),
        ("lift_length", "/ foot", 1 / 0.3048),
    ],
)
def test_prices_come_in_the_unit_of_the_item(read, item, unit, low):
    assert read(f"{HEAD}{item},{unit},1,1,USD,2026,\n").prices[item].low == pytest.approx(low, rel=1e-12)


def test_every_item_takes_its_own_unit(read):
    for item, unit in PRICEABLE.items():
        assert read(f"{HEAD}{item},{unit},1,2,USD,2026,\n").prices[item].high == 2


def test_names_of_the_contract_are_items():
    named = {*WHOLES, *(part for parts in WHOLES.values() for part in parts), *(one for pair in ONE_OF for one in pair)}
    assert named <= set(PRICEABLE) <= set(ITEM_KEYS)
    assert not {*STARTS, INDEX} & set(ITEM_KEYS)
    assert unit_size("places") is None


def test_all_faults_at_once_with_their_lines(refused):
    told = refused(
        HEAD + "tre,plants,1,2,USD,2026,\nshrub,plants,3,2,USD,2026,\nseed,kg,-1,nan,USD,2026,\nmat,kg,1,2,USD,2026,\n"
        "guard,each,1,,US$,,\nfence,m,=1+1,1e5,USD,26,\ntoe_rock,ton,1,2,USD,2026,\n"
    )
    items = ", ".join([*PRICEABLE, *STARTS, INDEX])
    number = "a number from 0, such as 1500 or 2.80, without sign, currency or thousands."
    assert told == (
        "InputError: 12 faults in the table of prices mine.csv.\n"
        '  1. mine.csv, line 2: item "tre" is not known.\n'
        f"     Wanted: one of {items}.\n"
        "     Do: write tree if that is what you meant.\n"
        "  2. mine.csv, line 3: low 3 is more than high 2.\n"
        "     Wanted: low at most as high.\n"
        "     Do: swap or correct them.\n"
        '  3. mine.csv, line 4: low "-1" is not right.\n'
        f"     Wanted: {number}\n"
        "     Do: correct it.\n"
        '  4. mine.csv, line 4: high "nan" is not right.\n'
        f"     Wanted: {number}\n"
        "     Do: correct it.\n"
        '  5. mine.csv, line 5: unit "kg" is none of mat.\n'
        "     Wanted: m2, or ha, acre, ft2, yd2; or a number of them, as 100 m2.\n"
        "     Do: give the price for that.\n"
        "  6. mine.csv, line 6: high is empty.\n"
        f"     Wanted: {number}\n"
        "     Do: fill in both low and high; where you know one price only, say how far it may be off.\n"
        "  7. mine.csv, line 6: year is empty.\n"
        "     Wanted: the year of the price, 1950 to 2100.\n"
        "     Do: write the year; a price without one is not used.\n"
        '  8. mine.csv, line 6: currency "US$" is not three letters.\n'
        "     Wanted: three letters, such as USD, CAD or EUR.\n"
        "     Do: write them; a price without a currency is not used.\n"
        '  9. mine.csv, line 7: low "=1+1" is not right.\n'
        f"     Wanted: {number}\n"
        "     Do: correct it.\n"
        '  10. mine.csv, line 7: high "1e5" is not right.\n'
        f"     Wanted: {number}\n"
        "     Do: correct it.\n"
        '  11. mine.csv, line 7: year "26" is no year.\n'
        "     Wanted: the year of the price, 1950 to 2100.\n"
        "     Do: write the year; a price without one is not used.\n"
        '  12. mine.csv, line 8: unit "ton" is none of toe_rock.\n'
        "     Wanted: t, or US ton, kg, lb; or a number of them, as 100 t.\n"
        "     Do: write t or US ton: ton may be either."
    )


def test_faults_between_rows(refused):
    told = refused(
        HEAD + "tree,plants,1,2,USD,2026,\ntree,plants,1,2,CAD,2026,\nplanting_area,ha,1,2,USD,2026,\n"
        "mat,m2,1,2,USD,2026,\nmat_roll,rolls,1,2,USD,2026,\nprice_index,,100,100,,2025,\n"
    )
    assert told.startswith("InputError: 9 faults in the table of prices mine.csv.\n")
    for says in (
        "line 3: tree was given before, in line 2.",
        "line 4: planting_area stands for whole works, and tree is part of them.",
        "line 6: mat_roll and mat (line 5) count the same thing.",
        "line 5: the price is of 2026, and there is no price_index of that year.",
        "mine.csv has several currencies: USD (line 2), CAD (line 3).",
    ):
        assert says in told


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "InputError: mine.csv is empty.\n"),
        (
            HEAD,
            "InputError: mine.csv has no prices.\n  Wanted: a row a price below the column names.\n  Do: fill it in.",
        ),
        (HEAD + "price_index,,1,1,,2026,\n", "InputError: mine.csv has no prices.\n"),
        ("item,low,high\ntree,1,2\n", "InputError: mine.csv, line 1: there is no column unit, currency, year.\n"),
        ("item,unit,low,low,high,currency,year\n", "InputError: mine.csv, line 1: column low is there twice.\n"),
        (HEAD + "tree,plants,1,50,3,00,EUR,2026,\n", "InputError: mine.csv, line 2 has 9 cells, the first line 7.\n"),
        (HEAD + 'tree,plants,"1,500",2,USD,2026,\n', 'InputError: mine.csv, line 2: low "1,500" may be a decimal'),
        (HEAD + 'tree,plants,"1,5",2,USD,2026,\n', 'InputError: mine.csv, line 2: low "1,5" may be a decimal comma'),
        (
            HEAD.replace(",", ";") + "tree;plants;1,500;2;USD;2026;\n",
            'InputError: mine.csv, line 2: low "1,500" may be',
        ),
        (
            HEAD.replace(",", ";") + "tree;plants;1.234,5;2;USD;2026;\n",
            'InputError: mine.csv, line 2: low "1.234,5" is',
        ),
        (HEAD + "tree,plants,$4,5,USD,2026,\n", 'InputError: mine.csv, line 2: low "$4" is not right.\n'),
        (HEAD + "tree,plants,inf,inf,USD,2026,\n", "InputError: 2 faults in"),
        (HEAD + "tree,plants,1,2,USD,2026-05,\n", 'InputError: mine.csv, line 2: year "2026-05" is no year.\n'),
        (HEAD + "run_out,m,1,2,USD,2026,\n", 'InputError: mine.csv, line 2: item "run_out" is not known.\n'),
        (
            HEAD + 'tree,plants,1,2,USD,2026,"' + "x" * 200_000,
            "InputError: mine.csv, line 2: the line cannot be parted",
        ),
        (HEAD + "price_index,,1,2,,2026,\n", "InputError: mine.csv, line 2: a price index is one number above 0"),
        (HEAD + "tree,0 plants,1,2,USD,2026,\n", 'InputError: mine.csv, line 2: unit "0 plants" is none of tree.\n'),
        (HEAD + ",plants,1,2,USD,2026,\n", "InputError: mine.csv, line 2: item is empty.\n"),
        ("\x00\n" + HEAD, "InputError: mine.csv, line 1: there is no column item"),
    ],
)
def test_hostile_cells(refused, text, says):
    assert refused(text).startswith(says)


def test_other_encodings_are_refused(refused, tmp_path):
    assert refused(HEAD, "utf-16") == (
        f"InputError: The table of prices {tmp_path / 'mine.csv'} is not in UTF-8.\n"
        "  Wanted: a CSV in UTF-8.\n  Do: check the path, or save the table again as CSV UTF-8."
    )


def test_no_such_table(tmp_path):
    with pytest.raises(InputError) as caught:
        read_costs("prices.csv", tmp_path)
    assert caught.value.report() == (
        f"InputError: there is no table of prices {tmp_path / 'prices.csv'}.\n"
        "  Wanted: a CSV of your own: item,unit,low,high,currency,year,note. To look at the form: "
        f"{', '.join(table_names())}.\n"
        "  Do: check the path."
    )


@pytest.mark.parametrize("name", table_names())
def test_shipped_tables_say_that_they_are_examples(name):
    table = read_costs(name, Path())
    assert table.example.startswith("EXAMPLE: NOT FOR BUDGETS.")
    assert name.startswith("example-")
    assert table.years()[1] < 2024


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        (0, 0, "USD 0 to 0"),
        (994.9, 995.1, "USD 990 to 1,000"),
        (70, 70, "USD 70 to 70"),
        (7054, 7054, "USD 7,000 to 7,100"),
        (0.8, 1.85, "USD 0.80 to 1.9"),
        (1, 99.6, "USD 1.0 to 100"),
        (-2091.55, 3517.25, "USD -2,100 to 3,600"),
        (0.7 * 100, 1.1 * 100, "USD 70 to 110"),
        (1234567, 2e9, "USD 1,200,000 to 2,000,000,000"),
    ],
)
def test_a_range_has_two_digits_and_both_ends(low, high, said):
    assert range_text(low, high, "USD") == said
