"""Ranks, measures and prompts of sites, once all banks are ranked."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gisprio.compute.banks.gaps import SIDE_LETTERS
from gisprio.compute.factors import factors_of
from gisprio.compute.land.measures import STEP_WIDTHS, with_measures
from gisprio.compute.land.prompts import with_prompts
from gisprio.compute.land.site_places import joint_sites, known_widths, steps_above, structures_near
from gisprio.compute.scoring.ranks import with_scores
from gisprio.contracts.cards import Output, Sources, Tables
from gisprio.contracts.layers import SITES
from gisprio.contracts.schema import empty
from gisprio.contracts.settings import Settings
from gisprio.contracts.words import SIDES

MOST = 0.5
"""A site is uncertain where more than this share of its gap is [own]."""


def rank_sites(tables: Tables, sources: Sources, settings: Settings) -> Output:
    """Rank sites among each other, say what each asks for and what to ask before; name those that go together.

    Parameters
    ----------
    tables
        ``site_pieces``, ``banks``, ``factors``, ``judged_gaps``, ``segments``, ``reach_measures``, ``knickpoints``,
        ``crossings``, ``constraints``.
    sources
        None.
    settings
        Sections ``priority``, ``factor``, ``sites``.

    Returns
    -------
    dict
        ``sites``: those on ranked banks.

    Notes
    -----
    A site is scored on its worst stretch, by the keys and weights by which banks are.
    """
    sites = _named(tables["site_pieces"], tables["reach_measures"], tables["banks"])
    if not len(sites):
        return {"sites": empty(SITES, getattr(tables["reach_measures"], "crs", None))}
    sites = with_scores(sites, tables["factors"], settings.priority, factors_of(settings))
    sites["certainty"] = certainty(sites, tables["judged_gaps"])
    sites["step"] = steps_above(sites, tables["segments"], tables["reach_measures"], tables["knickpoints"], STEP_WIDTHS)
    sites["structure"] = structures_near(sites, tables["crossings"], tables["constraints"])
    sites = with_measures(sites, tables["banks"], settings.sites.score_at)
    joint = joint_sites(sites)
    sites = with_prompts(sites.assign(**{name: joint[name] for name in joint.columns}), settings.sites)
    sites["side"] = np.array(SIDES)[sites["side"].to_numpy(int)]
    return {"sites": sites[[*SITES.names(), "geometry"]]}


def _named(pieces: pd.DataFrame, reaches: pd.DataFrame, banks: pd.DataFrame) -> gpd.GeoDataFrame:
    """Keep sites on ranked banks; give them their bank, their places along the segment and their ids."""
    columns = ["reach_no", "reach_id", "name"]
    sites = gpd.GeoDataFrame(pieces.merge(pd.DataFrame(reaches[columns]), on="reach_no", validate="many_to_one"))
    letters = np.array(SIDE_LETTERS, object)[sites["side"].to_numpy(int)]
    sites["bank_id"] = [f"{reach}-{letter}" for reach, letter in zip(sites["reach_id"], letters, strict=True)]
    ranked = banks.loc[banks["not_ranked"].isna(), "bank_id"]
    sites = sites[sites["bank_id"].isin(ranked)].sort_values(["reach_no", "side", "from_m"], ignore_index=True)
    number = sites.groupby("bank_id").cumcount() + 1
    sites["site_id"] = [f"{bank}-S{place}" for bank, place in zip(sites["bank_id"], number, strict=True)]
    sites["length_m"] = sites["to_m"] - sites["from_m"]
    start = sites["reach_no"].map(reaches.set_index("reach_no")["from_m"])
    sites["low_m"], sites["high_m"] = start + sites["from_m"], start + sites["to_m"]
    sites["width_m"] = sites["reach_no"].map(known_widths(reaches))
    return sites


def certainty(sites: pd.DataFrame, gaps: pd.DataFrame) -> NDArray[np.object_]:
    """Say whether the gap of each site is certain; None where it has none; (n,).

    Parameters
    ----------
    sites
        ``bank_id``, ``from_m``, ``to_m``, ``gap_length_m``.
    gaps
        Layer ``gaps``.
    """
    columns = ["bank_id", "from_m", "to_m", "certainty"]
    met = sites[columns[:-1]].reset_index(names="row").merge(pd.DataFrame(gaps[columns]), on="bank_id")
    met["metres"] = np.minimum(met["to_m_x"], met["to_m_y"]) - np.maximum(met["from_m_x"], met["from_m_y"])
    met = met[met["metres"] > 0]
    whole, doubted = (
        some.groupby("row")["metres"].sum().reindex(sites.index, fill_value=0.0)
        for some in (met, met[met["certainty"] == "uncertain"])
    )
    words = np.where(doubted > MOST * whole, "uncertain", "clear").astype(object)
    words[(whole == 0).to_numpy()] = None
    words[sites["gap_length_m"].isna().to_numpy()] = "uncertain"
    return words
