"""Sizes the works of the sites of a result folder, and writes them as tables and as a page."""

from __future__ import annotations

import difflib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd

from gisprio.compute.works.costs import cost_works
from gisprio.compute.works.design import WORKS_ON_BANKS, answers
from gisprio.compute.works.labour import volunteer_hours
from gisprio.compute.works.site_facts import STATION_COLUMNS, SiteFacts, facts_of_sites
from gisprio.compute.works.sizing import SCOPES, size_facts, told_of
from gisprio.contracts.cards import Results
from gisprio.contracts.costs import WorksCosts
from gisprio.contracts.errors import InputError
from gisprio.contracts.settings import Settings
from gisprio.contracts.works import Given
from gisprio.inputs.given_works import read_given
from gisprio.products.tables import write_table
from gisprio.products.works import Bank, PageSite, WorksPage, write_works_page
from gisprio.products.works_costs import COST_FILES, HOURS, cost_tables, told_costs
from gisprio.run.engine import STATIONS
from gisprio.run.fingerprints import file_digest
from gisprio.run.lock import locked
from gisprio.run.places import machine_faults
from gisprio.run.record import digest_of_run
from gisprio.run.reopened import results_of
from gisprio.run.store import read_json, write_json, write_whole
from gisprio.run.works_costs import table_of_prices

TABLE_FILES = {"work_items": "works.csv", "work_sites": "works_sites.csv", "work_warnings": "works_warnings.csv"}
PAGE_FILE, MANIFEST = "works.html", "works.json"
"""The manifest names the run, so that works of an earlier run are told from those of this one."""


@dataclass(frozen=True, slots=True)
class Sized:
    """What was sized and written.

    Parameters
    ----------
    page
        The page.
    sites, sized, unmeasured, on_page
        Sites looked at, those with quantities, those of which only the height of the bank is lacking for earth, and
        those that the page has in full.
    designers
        Sites that call for a qualified designer.
    costs
        What they cost, in a few lines, or how to give prices.
    """

    page: Path
    sites: int
    sized: int
    unmeasured: int
    on_page: int
    designers: int
    costs: Sequence[str] = ()

    def told(self) -> str:
        """Say it in a few lines."""
        lines = [
            f"{self.sized} of {self.sites} sites are sized: {', '.join(TABLE_FILES.values())} hold all of them, "
            f"{self.page} has {self.on_page} in full."
        ]
        if self.unmeasured:
            lines.append(
                f"{self.unmeasured} {'has' if self.unmeasured == 1 else 'have'} no earthwork: nobody knows how "
                "high the bank is. Measure it, and give it with --given FILE."
            )
        if self.designers:
            lines.append(f"{self.designers} {'calls' if self.designers == 1 else 'call'} for a qualified designer.")
        lines += self.costs
        return "\n".join(lines)


def write_works(
    folder: str | Path,
    *,
    sites: Sequence[str] = (),
    given: Path | None = None,
    config: Settings | None = None,
    top: int | None = None,
    costs: str | None = None,
) -> Sized:
    """Size the works of the sites of a result folder, and write them.

    Parameters
    ----------
    folder
        A result folder.
    sites
        Only these, by ``site_id``; all when empty.
    given
        Table of what somebody measured on site.
    config
        Settings whose ``[sizing]``, ``[sites]`` and ``[report]`` hold in place of those of the run.
    top
        So many sites of the first ranks are on the page in full; ``[robustness] top_n`` when absent, and besides all
        where a bank is worked on and all that somebody measured. Named sites are always.
    costs
        The user's table of prices, or the name of an example; ``[sizing.costs] table`` when absent.

    Raises
    ------
    InputError
        It is no result folder, it has no site or none of these, or a table has faults.
    SettingsError
        The table of prices that the config names is not found, or has no index for ``price_year``.
    RunError
        The disk is full.
    """
    results = results_of(folder)
    home = Path(folder).expanduser().resolve()
    settings = settings_for_works(results.settings, config)
    prices = table_of_prices(settings, costs, named=config is not None)
    chosen = chosen_sites(results.tables["sites"], sites, folder)
    measured = {} if given is None else read_given(given, set(results.tables["sites"]["site_id"]))
    facts = facts_of(home, results, chosen, settings, measured)
    tables = size_facts(facts, settings)
    priced = (
        None
        if prices is None
        else cost_works(tables["work_items"], tables["work_sites"], prices, settings.sizing.costs)
    )
    hours = volunteer_hours(tables["work_items"])
    first = top or settings.robustness.top_n
    shown = [one for one in facts if sites or _in_full(one, first)]
    page = _page(shown, tables, hours, priced, results, settings)
    written = {file: tables[name] for name, file in TABLE_FILES.items()} | {HOURS: hours}
    written |= cost_tables(priced) if priced else {}
    with locked(home, []), machine_faults(home):
        remove_earlier(home, {*written, PAGE_FILE})
        for file, frame in written.items():
            write_whole(home / file, partial(write_table, frame=frame))
        write_whole(home / PAGE_FILE, partial(write_works_page, page=page))
        made = {file: file_digest(home / file) for file in (*written, PAGE_FILE)}
        write_json(home / MANIFEST, {"run": digest_of_run(results.record), "files": made})
    told = tables["work_sites"]
    lacking = (told["measure"] == "bank works and plant") & told["height_mid_m"].isna()
    sized, designers = int(told["sized"].sum()), int(told["design"].notna().sum())
    return Sized(home / PAGE_FILE, len(told), sized, int(lacking.sum()), len(shown), designers, told_costs(priced))


def remove_earlier(home: Path, kept: Collection[str]) -> None:
    """Remove tables of an earlier call that this one does not write, unless somebody changed them."""
    before = (read_json(home / MANIFEST) or {}).get("files")
    for name, was in before.items() if isinstance(before, dict) else ():
        old = home / name
        if name not in kept and name in COST_FILES and old.is_file() and file_digest(old) == was:
            old.unlink()


def settings_for_works(run: Settings, config: Settings | None) -> Settings:
    """Give the settings of a run, with the sections of a config that works are sized by in the place of its own."""
    if config is None:
        return run
    own = {name: getattr(config, name) for name in ("sizing", "sites", "report", "folder")}
    return run.model_copy(update=own)


def chosen_sites(sites: pd.DataFrame, ids: Sequence[str], folder: str | Path) -> pd.DataFrame:
    """Give the sites asked for, by rank.

    Raises
    ------
    InputError
        There is none, or an id is unknown, with the nearest one.
    """
    if not len(sites):
        raise InputError(
            f"{folder} has no sites to size.",
            wanted="results of a run with sites: stretches of bank with a gap, or likely to erode.",
            do="see [sites] in the config, and not_ranked of the banks.",
        )
    known = sites["site_id"].tolist()
    wrong = [name for name in dict.fromkeys(ids) if name not in set(known)]
    if wrong:
        near = difflib.get_close_matches(wrong[0], known, 1)
        raise InputError(
            f"no site of these results is called {', '.join(wrong)}.",
            wanted="site_id as in sites.csv.",
            do=f"did you mean {near[0]}?" if near else "look the id up in sites.csv.",
        )
    some = sites[sites["site_id"].isin(ids)] if ids else sites
    return some.sort_values(["rank", "site_id"], ignore_index=True)


def facts_of(
    home: Path, results: Results, sites: pd.DataFrame, settings: Settings, given: Mapping[str, Given]
) -> list[SiteFacts]:
    """Put together what is known of sites, with the stations of their banks."""
    names = ("reaches", "gaps", "constraints", "crossings", "knickpoints")
    tables = {"sites": sites, "stations": stations_of_banks(home, sites["bank_id"])}
    return facts_of_sites(tables | {name: results.tables[name] for name in names}, settings, given)


def stations_of_banks(home: Path, banks: pd.Series) -> gpd.GeoDataFrame:
    """Read the stations of some banks."""
    wanted = sorted(set(banks))
    return gpd.read_parquet(
        home / STATIONS, columns=[*STATION_COLUMNS, "geometry"], filters=[("bank_id", "in", wanted)]
    )


def _in_full(facts: SiteFacts, first: int) -> bool:
    rank = facts.site["rank"]
    ranked = not pd.isna(rank) and int(rank) <= first
    return ranked or facts.measure == "bank works and plant" or facts.given != Given()


def _page(
    shown: Sequence[SiteFacts],
    tables: Mapping[str, pd.DataFrame],
    hours: pd.DataFrame,
    priced: WorksCosts | None,
    results: Results,
    settings: Settings,
) -> WorksPage:
    warned = tables["work_warnings"]
    return WorksPage(
        place=results.settings.run.name,
        date=str(results.record["started"])[:10],
        digest=digest_of_run(results.record)[:12],
        units=settings.report.units,
        scopes={scope.measure: scope.says for scope in SCOPES},
        all_sites=tables["work_sites"],
        items=tables["work_items"],
        common=_told_warnings(warned[warned["site_id"].isna()]),
        sites=tuple(_page_site(one, tables, settings) for one in shown),
        hours=hours,
        costs=priced,
    )


def _page_site(facts: SiteFacts, tables: Mapping[str, pd.DataFrame], settings: Settings) -> PageSite:
    row = tables["work_sites"].set_index("site_id").loc[facts.site_id]
    items, warned = tables["work_items"], tables["work_warnings"]
    bank = None
    cut = facts.measure == "bank works and plant" and facts.finished > facts.start[1]
    if cut and facts.heights is not None:
        low, mid, high = facts.heights.means
        bank = Bank(low, mid, high, facts.start[1], facts.finished, settings.sizing.toe == "rock")
    return PageSite(
        site_id=facts.site_id,
        where=_where(facts),
        measure=facts.measure,
        why=str(facts.site["why_measure"]) if facts.given.measure is None else "As somebody who was there has it.",
        facts=told_of(facts, settings),
        items=items[items["site_id"] == facts.site_id],
        not_sized=None if pd.isna(row["not_sized"]) else str(row["not_sized"]),
        warnings=_told_warnings(warned[warned["site_id"] == facts.site_id]),
        questions=answers(facts, settings) if facts.measure in WORKS_ON_BANKS else [],
        bank=bank,
    )


def _told_warnings(warned: pd.DataFrame) -> list[str]:
    return [f"{says} {do}" for says, do in zip(warned["says"], warned["do"], strict=True)]


def _where(facts: SiteFacts) -> str:
    """Name the place: stream, bank, stretch, property, rank."""
    site = facts.site
    stream = site["name"] if isinstance(site["name"], str) else "unnamed stream"
    owner = f", property {site['property_id']}" if isinstance(site["property_id"], str) else ""
    rank = "" if pd.isna(site["rank"]) else f"; rank {int(site['rank'])} of the sites"
    span = f"{np.round(site['from_m']):.0f} to {np.round(site['to_m']):.0f} m up reach {site['reach_id']}"
    return f"{stream}, {site['side']} bank looking downstream, {span}{owner}{rank}"
