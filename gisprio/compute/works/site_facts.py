"""What is known of a site that works are sized from: heights, slopes, ground to plant, and what lies near."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.compute.works.ground import gap_errors, ground_to_plant
from gisprio.compute.works.heights import SEEN_HEIGHTS, Heights, given_heights, seen_heights
from gisprio.compute.works.quantities import Three, told
from gisprio.compute.works.shear import boundary_shear_pa
from gisprio.contracts.settings import Settings
from gisprio.contracts.works import Given

Floats = NDArray[np.float64]
STATION_COLUMNS = (
    "bank_id",
    "reach_id",
    "at_m",
    "length_m",
    "woody_share",
    "constraint",
    "bank_height_m",
    "bank_height_code",
    "height_cell_m",
    "bank_angle_deg",
    "outer_bend",
)
"""What is read of stations, besides their point on the bank line."""
_OF_REACH = ("bankfull_width_m", "bankfull_depth_m", "bankfull_discharge_m3_s", "drainage_area_km2", "slope_m_m")
Along = Mapping[str, NDArray[Any]]
"""Columns of the stations of one site, in order upstream."""
_NO_SIGHT = {
    "coarse": "the heights here have cells of {cell:.3g} m, too wide to show a bank",
    "no_heights": "there are no heights here",
    "no_break": "no break of slope is seen: hillslope, ravine or even ground",
    "high": "the slope is higher than a bank",
    "falls_again": "the ground falls again behind it: dyke, wall, fill or another channel",
    "road": "a road lies on it",
}


@dataclass(frozen=True, slots=True, eq=False)
class SiteFacts:
    """What is known of one site.

    Parameters
    ----------
    site
        Its row of layer ``sites``.
    given
        What somebody measured there.
    measure
        What it asks for: as given, or as the table of measures has it.
    length_m, length_basis
        Length to work on.
    heights
        Of the bank; None where nobody knows them.
    no_heights
        Why not, in words; empty where they are known.
    mapped
        Heights as the map alone has them, where somebody measured others.
    start, start_basis, start_says
        Slope of the bank now: flattest, middle, steepest; how it was got.
    finished
        Slope after the works.
    area, area_basis, area_says
        Ground to plant [m2].
    woody, woody_basis
        Share of the strip that is wooded.
    near
        Distances [m] and what lies there: ``structure``, ``crossing``, ``step``; only what is there.
    beside
        Kinds of constraint in the strip, in words.
    bend, width_m, drainage_km2, velocity_m_s, shear_pa
        Sharpest bend in widths, bankfull width, drainage area, velocity and mean shear at bankfull; NaN where unknown.
    """

    site: Mapping[Any, Any]
    given: Given
    measure: str
    length_m: float
    length_basis: str
    heights: Heights | None
    no_heights: str
    mapped: Heights | None
    start: Three
    start_basis: str
    start_says: str
    finished: float
    area: Three
    area_basis: str
    area_says: str
    woody: Three
    woody_basis: str
    near: Mapping[str, tuple[float, str]]
    beside: str
    bend: float
    width_m: float
    drainage_km2: float
    velocity_m_s: float
    shear_pa: float

    @property
    def site_id(self) -> str:
        """Id of the site."""
        return str(self.site["site_id"])


def facts_of_sites(
    tables: Mapping[str, pd.DataFrame], settings: Settings, given: Mapping[str, Given]
) -> list[SiteFacts]:
    """Put together what is known of each site.

    Parameters
    ----------
    tables
        ``sites`` to look at, ``stations`` of their banks with ``STATION_COLUMNS`` and points, ``reaches``, ``gaps``,
        ``constraints``, ``crossings``, ``knickpoints``.
    settings
        Sections ``dem``, ``setback``, ``sizing``.
    given
        What somebody measured, by site.
    """
    sites = tables["sites"]
    stations = stations_of_sites(sites, tables["stations"], tables["reaches"])
    columns = {name: stations[name].to_numpy() for name in STATION_COLUMNS}
    ends = np.searchsorted(stations["site_row"].to_numpy(), np.arange(len(sites) + 1))
    near = [
        nearest_of_sites(stations, len(sites), tables[name]) for name in ("constraints", "crossings", "knickpoints")
    ]
    reaches = tables["reaches"][["reach_id", *_OF_REACH]].set_index("reach_id").to_dict("index")
    rows = pd.DataFrame(sites.drop(columns="geometry", errors="ignore")).to_dict("records")
    off = gap_errors(sites, tables["gaps"])
    return [
        _facts(
            site,
            {name: values[ends[number] : ends[number + 1]] for name, values in columns.items()},
            reaches[site["reach_id"]],
            {
                name: (float(found[0][number]), str(found[1][number]))
                for name, found in zip(("structure", "crossing", "step"), near, strict=True)
                if math.isfinite(found[0][number])
            },
            settings,
            given.get(str(site["site_id"]), Given()),
            float(off[number]),
        )
        for number, site in enumerate(rows)
    ]


def stations_of_sites(sites: pd.DataFrame, stations: pd.DataFrame, reaches: pd.DataFrame) -> gpd.GeoDataFrame:
    """Give the stations of each site with its row as ``site_row``, in order upstream.

    Notes
    -----
    Stations are placed along their segment, sites along their reach: a reach begins where those below it in its
    segment end.
    """
    from_m = reach_starts(reaches)
    place = stations["at_m"].to_numpy(float) - stations["reach_id"].map(from_m).to_numpy(float)
    spans = pd.DataFrame(
        {
            "bank_id": sites["bank_id"].to_numpy(),
            "site_row": np.arange(len(sites)),
            "site_from": sites["from_m"].to_numpy(float),
            "site_to": sites["to_m"].to_numpy(float),
        }
    )
    joined = pd.DataFrame(stations).assign(place_m=place).merge(spans, on="bank_id")
    inside = (joined["place_m"] >= joined["site_from"]) & (joined["place_m"] < joined["site_to"])
    kept = joined[inside].sort_values(["site_row", "place_m"], ignore_index=True)
    return gpd.GeoDataFrame(kept, geometry="geometry")


def reach_starts(reaches: pd.DataFrame) -> pd.Series:
    """Give where each reach begins, metres upstream from the downstream end of its segment; by ``reach_id``.

    Notes
    -----
    The id of a reach is that of its segment and a running number upstream.
    """
    names = reaches["reach_id"].to_numpy()
    parts = [name.rpartition("-") for name in names]
    own = pd.DataFrame(
        {
            "segment": [segment for segment, _, _ in parts],
            "number": [int(number) for _, _, number in parts],
            "length": reaches["length_m"].to_numpy(float),
        }
    ).sort_values(["segment", "number"])
    below = own.groupby("segment")["length"].cumsum() - own["length"]
    return pd.Series(below.sort_index().to_numpy(), index=names)


def nearest_of_sites(stations: pd.DataFrame, count: int, places: pd.DataFrame) -> tuple[Floats, NDArray[np.object_]]:
    """Give how far the nearest of some places is from each site, and its kind in words; infinite where none is."""
    distance, words = np.full(count, np.inf), np.full(count, "", object)
    if not len(places) or not len(stations):
        return distance, words
    shapes = np.asarray(places.geometry.array)
    points = np.asarray(stations.geometry.array)
    (station, place), far = shapely.STRtree(shapes).query_nearest(points, return_distance=True, all_matches=False)
    found = pd.DataFrame({"row": stations["site_row"].to_numpy()[station], "far": far, "place": place})
    first = found.sort_values(["row", "far", "place"]).drop_duplicates("row")
    kinds = places["kind"].to_numpy(object) if "kind" in places else np.full(len(places), "step in the bed", object)
    distance[first["row"]] = first["far"]
    words[first["row"]] = [kind if isinstance(kind, str) else "structure" for kind in kinds[first["place"]]]
    return distance, words


def _facts(
    site: Mapping[Any, Any],
    stations: Along,
    reach: Mapping[str, float],
    near: Mapping[str, tuple[float, str]],
    settings: Settings,
    given: Given,
    gap_error_m2: float,
) -> SiteFacts:
    sizing = settings.sizing
    length = float(site["length_m"]) if given.length_m is None else given.length_m
    mapped = _mapped_heights(stations, length, settings)
    heights = mapped
    if given.height_low_m is not None and given.height_high_m is not None:
        heights = given_heights(length, given.height_low_m, given.height_high_m, sizing)
    start, start_basis, start_says = _start_slope(stations, given, settings)
    woody = _mean(stations["woody_share"], stations["length_m"])
    area, area_basis, area_says = ground_to_plant(site, woody, given, settings, gap_error_m2)
    wide, deep = float(reach["bankfull_width_m"]), float(reach["bankfull_depth_m"])
    flow = float(reach["bankfull_discharge_m3_s"])
    kinds = dict.fromkeys(kind for kind in stations["constraint"] if isinstance(kind, str))
    bends = stations["outer_bend"][~np.isnan(stations["outer_bend"])]
    return SiteFacts(
        site=site,
        given=given,
        measure=given.measure or str(site["measure"]),
        length_m=length,
        length_basis="modelled" if given.length_m is None else "given",
        heights=heights,
        no_heights="" if heights is not None else _why_no_heights(stations),
        mapped=mapped if heights is not mapped else None,
        start=start,
        start_basis=start_basis,
        start_says=start_says,
        finished=sizing.finished_slope if given.finished_slope is None else given.finished_slope,
        area=area,
        area_basis=area_basis,
        area_says=area_says,
        woody=(0.0, 0.5, 1.0) if math.isnan(woody) else (woody, woody, woody),
        woody_basis="assumed" if math.isnan(woody) else "modelled",
        near=near,
        beside=", ".join(kinds),
        bend=float(bends.min()) if len(bends) else math.nan,
        width_m=wide,
        drainage_km2=float(reach["drainage_area_km2"]),
        velocity_m_s=flow / (wide * deep) if wide * deep > 0 else math.nan,
        shear_pa=boundary_shear_pa(deep, float(reach["slope_m_m"])),
    )


def _mapped_heights(stations: Along, length: float, settings: Settings) -> Heights | None:
    """Give heights as the stations have them, laid along the length that is worked on."""
    own = stations["length_m"]
    if not len(own):
        return None
    return seen_heights(
        own * (length / own.sum()),
        stations["bank_height_m"],
        stations["bank_height_code"].astype(object),
        settings.dem.least_bank_m,
        settings.sizing,
    )


def _why_no_heights(stations: Along) -> str:
    """Say why most of a site has no height."""
    unseen = Counter(code for code in stations["bank_height_code"] if code not in SEEN_HEIGHTS)
    if not unseen:
        return "no station of a bank lies on it"
    most = max(sorted(unseen), key=unseen.__getitem__)
    return _NO_SIGHT[most].format(cell=float(np.nanmax(np.append(stations["height_cell_m"], 0.0))))


def _start_slope(stations: Along, given: Given, settings: Settings) -> tuple[Three, str, str]:
    """Give the slope of a bank now: as given, from angles of its face, which are at least so steep, or assumed."""
    sizing = settings.sizing
    if given.start_slope is not None:
        z0 = given.start_slope
        return (z0, z0, z0), "given", f"{told(z0)}:1, measured on site"
    angles, length = stations["bank_angle_deg"], stations["length_m"]
    known = ~np.isnan(angles)
    if known.any() and length[known].sum() >= sizing.known_share * length.sum():
        angle = float(np.median(angles[known]))
        flattest = 1 / math.tan(math.radians(min(angle, 90.0))) if 0 < angle < 90 else 0.0
        return (
            (flattest, flattest / 2, 0.0),
            "measured",
            f"vertical to {told(round(flattest, 2))}:1, at least {angle:.0f} degrees",
        )
    steep, flat = sizing.start_slopes
    return (flat, (flat + steep) / 2, steep), "assumed", f"{told(steep)}:1 to {told(flat)}:1, nobody measured it"


def _mean(values: Floats, weights: Floats) -> float:
    """Give the mean along stations; NaN where none is known."""
    known = ~np.isnan(values)
    return float(np.average(values[known], weights=weights[known])) if known.any() else math.nan
