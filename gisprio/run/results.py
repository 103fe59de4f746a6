"""Results read back: the layers of a result folder as tables, and the record of the run."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd

from gisprio.contracts.errors import InputError
from gisprio.contracts.settings import Priority
from gisprio.run.engine import STATIONS, read_record
from gisprio.run.publish import RECORD, finish_publishing
from gisprio.run.record import RECORD_FORMAT

RANKED = "ranked.gpkg"


class OpenedResults:
    """A result folder. Each layer is read when it is asked for.

    Parameters
    ----------
    folder
        The result folder.
    record
        Content of run.json.
    """

    def __init__(self, folder: Path, record: dict[str, Any]) -> None:
        self.folder = folder
        self.record = record

    @cached_property
    def reaches(self) -> gpd.GeoDataFrame:
        """Layer ``reaches``."""
        return self._layer("reaches")

    @cached_property
    def banks(self) -> gpd.GeoDataFrame:
        """Layer ``banks``."""
        return self._layer("banks")

    @cached_property
    def bank_setbacks(self) -> pd.DataFrame:
        """Layer ``bank_setbacks``, without geometry."""
        return self._layer("bank_setbacks")

    @cached_property
    def gaps(self) -> gpd.GeoDataFrame:
        """Layer ``gaps``."""
        return self._layer("gaps")

    @cached_property
    def sites(self) -> gpd.GeoDataFrame:
        """Layer ``sites``."""
        return self._layer("sites")

    @cached_property
    def flow_points(self) -> gpd.GeoDataFrame:
        """Layer ``flow_points``."""
        return self._layer("flow_points")

    @cached_property
    def crossings(self) -> gpd.GeoDataFrame:
        """Layer ``crossings``."""
        return self._layer("crossings")

    @cached_property
    def knickpoints(self) -> gpd.GeoDataFrame:
        """Layer ``knickpoints``."""
        return self._layer("knickpoints")

    @cached_property
    def constraints(self) -> gpd.GeoDataFrame:
        """Layer ``constraints``."""
        return self._layer("constraints")

    @cached_property
    def works_done(self) -> gpd.GeoDataFrame:
        """Layer ``works_done``."""
        return self._layer("works_done")

    @cached_property
    def scars(self) -> gpd.GeoDataFrame:
        """Layer ``scars``."""
        return self._layer("scars")

    @cached_property
    def visits(self) -> gpd.GeoDataFrame:
        """Layer ``visits``: field visits that were brought back, with the field index."""
        return self._layer("visits")

    @cached_property
    def monitoring(self) -> pd.DataFrame:
        """Layer ``monitoring``, without geometry: what visits of several dates saw at one place."""
        return self._layer("monitoring")

    @cached_property
    def properties(self) -> gpd.GeoDataFrame:
        """Layer ``properties``."""
        return self._layer("properties")

    @cached_property
    def frontages(self) -> pd.DataFrame:
        """Layer ``frontages``, without geometry."""
        return self._layer("frontages")

    @cached_property
    def long_profiles(self) -> pd.DataFrame:
        """Layer ``long_profiles``, without geometry."""
        return self._layer("long_profiles")

    @cached_property
    def factors(self) -> pd.DataFrame:
        """Layer ``factors``, without geometry."""
        return self._layer("factors")

    @cached_property
    def findings(self) -> pd.DataFrame:
        """Layer ``findings``, without geometry."""
        return self._layer("findings")

    @cached_property
    def stations(self) -> gpd.GeoDataFrame:
        """Every station and side."""
        return gpd.read_parquet(self.file(STATIONS))

    def rank_again(
        self,
        *,
        weights: Mapping[str, float] | None = None,
        erosion: Mapping[str, float] | None = None,
        gap: Mapping[str, float] | None = None,
        combine: str | None = None,
    ) -> pd.DataFrame:
        """Rank the banks under other weights, without a new run; :meth:`rank_properties_again` goes on from them.

        Parameters
        ----------
        weights
            Of the groups, such as ``{"erosion": 70, "gap": 30}``; what is not given stays as in the run.
        erosion, gap
            Of the factors of each group, by key.
        combine
            ``geometric`` or ``weighted_sum``.

        Returns
        -------
        DataFrame
            ``bank_id``, scores, priority, ranks and need, in the rows of layer ``banks``.

        Raises
        ------
        SettingsError
            A weight is not a number of 0 or more, or of a factor the run did not rank on; ``combine`` is neither way.

        Notes
        -----
        Banks are read on the stretch that was worst under the run's own weights; a new run with these weights looks
        for the stretch anew. A bank that it reads elsewhere gets another score, and ranks between shift.
        """
        from gisprio.compute.factors import FACTORS
        from gisprio.compute.scoring.again import rank_again

        factors = pd.DataFrame(self.record["factors"])
        if "shares" not in factors:  # a run of before the record told it
            shares = {one.card.key: one.card.shares for one in FACTORS}
            factors["shares"] = [shares.get(key, "") for key in factors["key"]]
        priority = Priority.model_validate(self.record["settings"]["priority"])
        return rank_again(self.banks, factors, priority, weights=weights, erosion=erosion, gap=gap, combine=combine)

    def rank_properties_again(self, banks: pd.DataFrame) -> pd.DataFrame:
        """Rank the properties by other priorities of the banks.

        Parameters
        ----------
        banks
            ``bank_id`` and ``priority``, as :meth:`rank_again` gives them.

        Returns
        -------
        DataFrame
            ``property_id``, ``priority``, ``priority_gap_m`` and ``rank``, ordered by id.
        """
        from gisprio.compute.land.ranks import rank_properties_again

        return rank_properties_again(self.frontages, banks)

    def _layer(self, name: str) -> Any:
        import pyogrio

        return pyogrio.read_dataframe(self.file(RANKED), layer=name)

    def file(self, name: str) -> Path:
        """Give the path of a file of the results.

        Raises
        ------
        InputError
            It is not there.
        """
        path = self.folder / name
        if not path.is_file():
            raise InputError(
                f"{path} is not there, though run.json names it.",
                wanted="a whole result folder.",
                do="run again; what is kept in .gisprio makes that quick.",
            )
        return path


def open_results(folder: str | Path) -> OpenedResults:
    """Open a result folder.

    Parameters
    ----------
    folder
        A folder that ``gisprio run`` wrote. A publication that was cut short is finished first.

    Raises
    ------
    InputError
        It is not a result folder, or its format is newer than this gisprio.
    """
    place = Path(folder).expanduser().resolve()
    if place.is_dir():
        finish_publishing(place)
    record = read_record(place)
    if record is None:
        raise InputError(
            f"{folder} is not a result folder: " + _what_it_is(place),
            wanted="a folder that gisprio run wrote, as [run] output names it.",
            do="give that folder, or run gisprio run CONFIG first.",
        )
    if record.get("format", 0) > RECORD_FORMAT:
        raise InputError(
            f"{folder} was written by gisprio {record['gisprio']}, which is newer than this one.",
            wanted=f"run.json of format {RECORD_FORMAT}, not {record['format']}.",
            do="use that version, or run again with this one.",
        )
    return OpenedResults(place, record)


def _what_it_is(place: Path) -> str:
    if not place.exists():
        return "there is nothing of that name."
    if not place.is_dir():
        return "it is a file."
    if (place / RECORD).exists():
        return f"its {RECORD} is not one of gisprio's."
    return f"it holds no {RECORD}."
