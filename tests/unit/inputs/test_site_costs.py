"""The table of what sites would cost, and what is wrong with one."""

from __future__ import annotations

from pathlib import Path

import pytest

from gisprio.contracts.errors import InputError
from gisprio.inputs.site_costs import read_property_start, read_site_costs

HEAD = "site_id,cost_low,cost_mid,cost_high,currency,year\n"


def table(folder: Path, text: str) -> Path:
    path = folder / "costs.csv"
    path.write_bytes(text.encode("utf-8"))
    return path


def refused(path: Path) -> str:
    with pytest.raises(InputError) as raised:
        read_site_costs(path)
    return str(raised.value).replace(str(path), "costs.csv")


def test_costs_are_read_and_sites_without_are_told(tmp_path):
    text = (
        "\ufeffcurrency;site_id;price_year;cost_low;cost_mid;cost_high;note\nEUR;a;2026;1;2.5;3.;=x\nEUR;b;2026;;;\n\n"
    )
    costs = read_site_costs(table(tmp_path, text))
    assert costs.table.to_numpy().tolist() == [["a", 1.0, 2.5, 3.0, False]]
    assert (costs.unpriced, costs.currency, costs.year, costs.year_last) == (("b",), "EUR", 2026, 2026)


def test_the_table_of_concept_sizing_has_its_own_columns(tmp_path):
    head = (
        "site_id,cost_low,cost_mid,cost_high,currency,price_year,price_year_last,at_least,example,not_priced,reason\n"
    )
    rows = "a,1,2,3,EUR,2024,2026,true,made up,,\nb,4,5,6,EUR,2023,2023,false,made up,,\nc,,,,,,,true,,,no size\n"
    costs = read_site_costs(table(tmp_path, head + rows))
    assert costs.table["at_least"].tolist() == [True, False]
    assert (costs.unpriced, costs.year, costs.year_last, costs.example) == (("c",), 2023, 2026, "made up")


def test_the_start_on_a_property_is_read_from_the_table_of_properties(tmp_path):
    head = "property_id,site_count,start_low,start_mid,start_high\n"
    assert read_property_start(table(tmp_path, head + "P,2,,,\nQ,1,100,200,300\n")) == (100.0, 200.0, 300.0)
    assert read_property_start(table(tmp_path, head + "P,2,,,\n")) == (0.0, 0.0, 0.0)
    assert read_property_start(table(tmp_path, "property_id\nP\n")) == (0.0, 0.0, 0.0)


def test_every_fault_is_told_with_its_line(tmp_path):
    rows = (
        "a,1,2,3,EUR,2026\n,1,2,3,EUR,2026\na,1,2,3,EUR,2026\nb,-1,2,3,EUR,2026\nc,1,,3,EUR,2026\n"
        '"d","1,000",2000,3000,EUR,2026\ne,3,2,1,EUR,2026\nf,1,2,3,USD,2026\ng,1,2,3,EUR,2024\nh,1,2,3,,\n'
        "i,nan,inf,1e3,EUR,2026\n"
    )
    assert refused(table(tmp_path, HEAD + rows)) == (
        "11 faults in the table of costs costs.csv.\n"
        "  1. Line 3: site_id is empty.\n"
        "     Wanted: the id of a site.\n"
        "     Do: fill it in, or take the line out.\n"
        "  2. Line 4: site a stands there twice.\n"
        "     Wanted: one line a site.\n"
        "     Do: keep one.\n"
        "  3. Line 5: cost_low -1, cost_mid 2, cost_high 3.\n"
        "     Wanted: three plain numbers of 0 or more, as in 1250.50; or none, where a site cannot be priced.\n"
        "     Do: mend them; thousands are not parted.\n"
        "  4. Line 6: cost_low 1, cost_mid nothing, cost_high 3.\n"
        "     Wanted: three plain numbers of 0 or more, as in 1250.50; or none, where a site cannot be priced.\n"
        "     Do: mend them; thousands are not parted.\n"
        "  5. Line 7: cost_low 1,000, cost_mid 2000, cost_high 3000.\n"
        "     Wanted: three plain numbers of 0 or more, as in 1250.50; or none, where a site cannot be priced.\n"
        "     Do: mend them; thousands are not parted.\n"
        "  6. Line 8: the costs 3, 2, 1 do not rise.\n"
        "     Wanted: low, mid and high in order.\n"
        "     Do: mend them.\n"
        "  7. Line 9: USD among costs in EUR.\n"
        "     Wanted: costs in one currency.\n"
        "     Do: change them into one.\n"
        "  8. Line 10: prices of 2024 among those of 2026.\n"
        "     Wanted: prices of one year.\n"
        "     Do: bring them to one year.\n"
        "  9. Line 11: year is empty.\n"
        "     Wanted: the year of the prices, as in 2026.\n"
        "     Do: fill it in.\n"
        "  10. Line 11: currency is empty.\n"
        "     Wanted: a currency, as in EUR.\n"
        "     Do: fill it in.\n"
        "  11. Line 12: cost_low nan, cost_mid inf, cost_high 1e3.\n"
        "     Wanted: three plain numbers of 0 or more, as in 1250.50; or none, where a site cannot be priced.\n"
        "     Do: mend them; thousands are not parted."
    )


def test_tables_that_are_none(tmp_path):
    wanted = "  Wanted: a head line with site_id, cost_low, cost_mid, cost_high, currency and year; one line a site.\n"
    assert refused(table(tmp_path, "site_id,cost_mid\na,1\n")) == (
        f"costs.csv has no column cost_low, cost_high, currency, year.\n{wanted}  Do: name its columns so, or add them."
    )
    assert refused(table(tmp_path, HEAD + "a,,,,EUR,2026\n")) == (
        f"costs.csv holds no cost of any site.\n{wanted}  Do: fill in what the sites would cost."
    )
    path = tmp_path / "costs.csv"
    path.write_bytes(b"site_id\n\xff\n")
    assert refused(path) == (
        "The table of costs costs.csv is not in UTF-8.\n"
        "  Wanted: a CSV in UTF-8.\n"
        "  Do: check the path, or save the table again as CSV UTF-8."
    )
    assert "cannot be read: No such file" in refused(tmp_path / "none.csv")
