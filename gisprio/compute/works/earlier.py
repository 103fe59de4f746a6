"""An earlier shortlist, and what became of its sites in this run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import geopandas as gpd
import pandas as pd

from gisprio.compute.works.matching import match_sites
from gisprio.contracts.errors import InputError
from gisprio.contracts.findings import listed


@dataclass(frozen=True, slots=True)
class Earlier:
    """An earlier list.

    Parameters
    ----------
    partners
        Ids of this run that each site considered earlier is found again as; empty where none is.
    chosen
        Ids, of that run, that were on its list.
    """

    partners: dict[str, list[str]] = field(default_factory=dict)
    chosen: tuple[str, ...] = ()

    @classmethod
    def of(cls, before: gpd.GeoDataFrame, now: gpd.GeoDataFrame) -> Earlier:
        """Match the candidates of an earlier run (``site_id``, ``side``, ``chosen``) with the sites of this one."""
        pairs = match_sites(before, now).groupby("before")["now"].agg(list).to_dict()
        partners = {str(site): pairs.get(site, []) for site in before["site_id"]}
        return cls(partners, tuple(sorted(before.loc[before["chosen"].astype(bool), "site_id"])))

    def told(self, chosen: Sequence[str]) -> dict[str, int]:
        """Count what became of the sites of the earlier list: all, chosen again, there but not chosen, not there."""
        here = [set(self.partners[site]) for site in self.chosen]
        again = sum(bool(own & set(chosen)) for own in here)
        lost = sum(not own for own in here)
        return {"sites": len(here), "chosen_again": again, "not_chosen": len(here) - again - lost, "not_found": lost}

    def among(self, ids: pd.Series) -> pd.Series:
        """Say which sites of this run were on the earlier list."""
        return ids.isin({one for site in self.chosen for one in self.partners[site]})


def find_named(ids: Sequence[str], key: str, here: pd.Series, earlier: Earlier | None) -> tuple[list[str], list[str]]:
    """Find the sites of this run that ids name: its own, or those of the earlier list by place.

    Parameters
    ----------
    ids
        Ids of sites.
    key
        Of ``[shortlist]``, for the message.
    here
        Ids of all sites of this run.
    earlier
        The earlier list, where one was given.

    Returns
    -------
    tuple
        Ids of this run, and ids of the earlier one whose place holds no site now.

    Raises
    ------
    InputError
        An id is of neither.
    """
    known, partners = set(here), earlier.partners if earlier is not None else {}
    wrong = [one for one in ids if one not in known and one not in partners]
    if wrong:
        wanted = "of this run (sites.csv)" + (", or of the earlier shortlist" if earlier is not None else "")
        raise InputError(
            f"[shortlist] {key}: no site is called {listed(wrong)}.",
            wanted=f"site_id {wanted}.",
            do="mend the list; ids of another run need --earlier, and are found by place.",
        )
    found = [name for one in ids for name in ([one] if one in known else partners[one])]
    lost = [one for one in ids if one not in known and not partners[one]]
    return sorted(set(found)), lost
