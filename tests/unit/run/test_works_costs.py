"""Where the table of prices is looked for."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from gisprio.contracts.errors import SettingsError
from gisprio.contracts.settings import Sizing, SizingCosts
from gisprio.run.works_costs import table_of_prices

TABLE = "item,unit,low,high,currency,year\ntree,plants,1,2,USD,2026\n"


def settings(folder, table):
    return SimpleNamespace(folder=folder, sizing=Sizing(costs=SizingCosts(table=table)))


def test_the_command_line_goes_before_the_config_and_paths_start_where_they_were_written(tmp_path, monkeypatch):
    (tmp_path / "here").mkdir()
    (tmp_path / "here" / "prices.csv").write_text(TABLE)
    (tmp_path / "prices.csv").write_text(TABLE.replace("2026", "2020"))
    monkeypatch.chdir(tmp_path / "here")
    of_config = settings(tmp_path, "prices.csv")
    assert table_of_prices(of_config, "prices.csv").years() == (2026, 2026)
    assert table_of_prices(of_config).years() == (2020, 2020)
    assert table_of_prices(settings(tmp_path, str(tmp_path / "prices.csv")), named=False).currency == "USD"
    assert table_of_prices(settings(tmp_path, "")) is None


def test_a_relative_path_in_the_settings_of_a_run_leads_nowhere(tmp_path):
    with pytest.raises(SettingsError) as caught:
        table_of_prices(settings(tmp_path, "prices.csv"), named=False)
    assert caught.value.report() == (
        "SettingsError: [sizing.costs] table: prices.csv is a path relative to the config, and results do not say "
        "where that is.\n  Wanted: the config, or an absolute path.\n  Do: add --config CONFIG, or --costs TABLE."
    )
    assert table_of_prices(settings(tmp_path, "example-bank-metric"), named=False).example
