"""Names that may stand in a config, as the registries hold them; and settings read with them."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path

from gisprio.contracts.settings import Settings


def known_names() -> dict[str, Collection[str]]:
    """Give the names that a config is held to.

    Returns
    -------
    dict
        Keys of factors (``erosion``, ``gap``), their ``forms``, names that no factor of the user's own may have
        (``taken``), names of ``curves``.
    """
    from gisprio.compute.factors import FACTORS
    from gisprio.compute.factors.own import taken_names
    from gisprio.compute.network.hydraulics import CURVES

    cards = [registered.card for registered in FACTORS]
    return {
        "erosion": [card.key for card in cards if card.group == "erosion"],
        "gap": [card.key for card in cards if card.group == "gap"],
        "forms": [f"{card.key}.{form}" for card in cards for form in card.forms],
        "taken": sorted(taken_names(cards)),
        "curves": list(CURVES),
    }


def read_settings(path: str | Path) -> Settings:
    """Read a config file, its names held to the registries, and the regional curve of the user's own, if it names one.

    Parameters
    ----------
    path
        The TOML file.

    Raises
    ------
    SettingsError
        With every fault of its keys and values in one message.
    InputError
        The file of the user's own curve is faulty.
    """
    from gisprio.compute.network.curves import curve_set
    from gisprio.inputs import config

    settings = config.read_settings(path, known_names())
    curve_set(settings.hydraulics)
    return settings


def chosen_references(settings: Settings) -> tuple[str, ...]:
    """Give the keys of the sources of what the config chooses: regional curve, weights from judgements in pairs."""
    from gisprio.compute.network.hydraulics import curve_sources

    judged = ("saaty1980",) if settings.priority.pairwise.given() else ()
    return (*curve_sources(settings.hydraulics), *judged)
