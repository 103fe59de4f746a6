"""Finds the user's table of prices for the works of a result folder."""

from __future__ import annotations

from pathlib import Path

from gisprio.contracts.costs import CostTable
from gisprio.contracts.errors import SettingsError
from gisprio.contracts.settings import Settings
from gisprio.inputs.costs import read_costs, table_names


def table_of_prices(settings: Settings, given: str | None = None, *, named: bool = True) -> CostTable | None:
    """Read the table of prices.

    Parameters
    ----------
    settings
        Section ``sizing.costs``, and the folder that its table starts at.
    given
        Table of the command line, in place of that of the settings; relative to where the command is given.
    named
        Whether somebody said where the config is; else a relative path in it leads nowhere.

    Returns
    -------
    CostTable or None
        None where there is none: no cost is made up.

    Raises
    ------
    InputError
        It cannot be read or has faults.
    SettingsError
        Its path is relative to nobody knows what.
    """
    if given is not None:
        return read_costs(given, Path())
    table = settings.sizing.costs.table
    if not table:
        return None
    if named or Path(table).expanduser().is_absolute() or table in table_names():
        return read_costs(table, settings.folder)
    raise SettingsError(
        f"[sizing.costs] table: {table} is a path relative to the config, and results do not say where that is.",
        wanted="the config, or an absolute path.",
        do="add --config CONFIG, or --costs TABLE.",
    )
