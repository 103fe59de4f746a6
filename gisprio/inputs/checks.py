"""The layer checks: what a person should know of the layers before the numbers are believed.

To add one: write a function that takes the inputs and the settings and yields findings, and add one line to
``CHECKS``. Repairs made while reading are findings of the inputs already.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import shapely

from gisprio.contracts.findings import Finding, Severity, listed
from gisprio.contracts.grids import Bounds
from gisprio.contracts.settings import Settings
from gisprio.inputs.channel import low_offsets, median_slope
from gisprio.inputs.cover_checks import canopy_of_sense, canopy_used, wetlands_of_sense
from gisprio.inputs.crs import in_degrees
from gisprio.inputs.doubts import (
    cover_of_sense,
    cover_of_today,
    fines_in_percent,
    heights_of_ground,
    layers_at_streams,
    setback_in_metres,
    water_is_wet,
)
from gisprio.inputs.line_shapes import (
    lines_fall,
    lines_in_watershed,
    lines_not_closed,
    lines_not_roads,
    lines_side_by_side,
)
from gisprio.inputs.project import Inputs
from gisprio.inputs.rasters import HIGHEST_M, LOWEST_M, RasterSource
from gisprio.inputs.samples import has_data, percent, points_along
from gisprio.inputs.unknown_codes import unknown_codes_ha

Check = Callable[[Inputs, Settings], Iterator[Finding]]

NEAR_SETBACKS = 3.0
"""Codes are looked up within this many setbacks of the streams [own]."""

SMALLEST_PARCEL_M2, LARGEST_PARCEL_M2 = 10.0, 1e8
"""Parcels beyond these are doubted [own]."""

STEEP_SHARE = 0.6
"""Median slope [m/m] from which the unit of height is doubted [own]."""

HILLY_SHARE = 0.2
"""Median slope [m/m] from which it is told: mountains have it, and hills whose heights are in feet [own]."""

OFF_SHARE = 0.1
"""Share of the length off the channel from which it is told [own]."""

_STEP_M = 25.0


def check_inputs(inputs: Inputs, settings: Settings) -> list[Finding]:
    """Run all checks.

    Parameters
    ----------
    inputs
        What was read; its own findings are not repeated here.
    settings
        The settings.

    Returns
    -------
    list of Finding
        In the order of ``CHECKS``. Where layers do not share ground, that alone.

    Raises
    ------
    InputError
        When a raster cannot be read to its end.
    """
    apart = list(shared_ground(inputs, settings))
    if any(finding.severity == "error" for finding in apart):
        return apart
    return [finding for check in CHECKS for finding in check(inputs, settings)]


def shared_ground(inputs: Inputs, settings: Settings) -> Iterator[Finding]:
    """Every layer lies at least partly on the ground of the DEM."""
    dem = inputs.extents.get("dem")
    for layer, box in inputs.extents.items():
        if dem is None or layer in ("dem", "inflows"):  # inflows stand where the DEM ends: told where they are placed
            continue
        if not _touch(box, dem):
            says = f"{layer} does not touch the dem: {in_degrees(box)}, against {in_degrees(dem)}."
            do = "check the coordinate system of both; one of them may have the wrong one assigned."
            if _fits_swapped(inputs, layer):
                says = f"{layer} does not touch the dem, but would with its x and y in each other's place."
                do = "swap the axes of the layer in your GIS."
            yield Finding("error", layer, "no_overlap", "", says, do)


def _touch(one: Bounds, other: Bounds) -> bool:
    """Say whether two boxes share ground."""
    return bool(one[0] < other[2] and one[2] > other[0] and one[1] < other[3] and one[3] > other[1])


def _fits_swapped(inputs: Inputs, layer: str) -> bool:
    """Say whether a vector layer would touch the DEM with x and y swapped, in the working system or in degrees."""
    if layer not in inputs.tables:
        return False
    dem = inputs.rasters["dem"]
    (rows, columns), lattice = dem.shape, dem.lattice
    placed = lattice.x0, lattice.y0 - rows * lattice.cell_m, lattice.x0 + columns * lattice.cell_m, lattice.y0
    boxes = ((inputs.tables[layer].total_bounds, placed), (inputs.extents[layer], inputs.extents["dem"]))
    return any(_touch((box[1], box[0], box[3], box[2]), ground) for box, ground in boxes)


def streams_given(inputs: Inputs, settings: Settings) -> Iterator[Finding]:
    """There are stream lines along which the other layers can be checked."""
    if inputs.tables["streams"].empty:
        says = (
            "[layers] streams is not given: lines are drawn from the DEM, and what is otherwise checked along the "
            "streams beforehand (data, codes of the land cover, slopes) is not."
        )
        do = "give the stream lines of your map agency where there are some; they also know ditches and pipes."
        yield Finding("note", "streams", "not_given", "", says, do)


def streams_on_grids(inputs: Inputs, settings: Settings) -> Iterator[Finding]:
    """The DEM and the land cover have data along the streams."""
    points = points_along(inputs.tables["streams"].geometry.to_numpy(), _STEP_M)
    total_km = points.length_m.sum() / 1000
    for layer, what in (("dem", "DEM"), ("land_cover", "land cover")):
        bare = ~has_data(inputs.rasters[layer], points.x, points.y)
        bare_km = points.length_m[bare].sum() / 1000
        if not bare.any():
            continue
        share = bare_km / total_km
        severity: Severity = "error" if bare.all() else "warning"
        part = f"{bare_km:.1f} of {total_km:.1f}" if bare_km >= 1 else f"{bare_km:.3f} of {total_km:.3f}"
        says = f"{percent(share)} of the stream length ({part} km) has no {what}."
        do = f"give a {what} that covers the streams and the ground that drains to them."
        yield Finding(severity, layer, "streams_without_data", "", says, do)


def codes_known(inputs: Inputs, settings: Settings) -> Iterator[Finding]:
    """The legend knows the codes of the land cover near the streams."""
    known = inputs.tables["legend"]["code"].to_numpy()
    lines = inputs.tables["streams"].geometry.to_numpy()
    reach = NEAR_SETBACKS * settings.setback.most_m
    found = unknown_codes_ha(inputs.rasters["land_cover"], lines, reach, known)
    if found:
        ordered = sorted(found.items(), key=lambda item: (-item[1], item[0]))
        shown = listed((f"{code} ({hectares:.2f} ha)" for code, hectares in ordered), most=9)
        says = (
            f'the legend "{settings.land_cover.legend}" does not know these codes within {reach:g} m of the '
            f"streams: {shown}. That ground counts as unknown."
        )
        do = "check that it is the legend of this map, or add the codes to a legend of your own."
        yield Finding("warning", "land_cover", "unknown_code", "", says, do)


def cover_fine_enough(inputs: Inputs, settings: Settings) -> Iterator[Finding]:
    """The land cover can show a strip a third as wide as the setback."""
    width = settings.setback.most_m
    narrowest = float(inputs.tables["legend"]["min_width_m"].max())
    if narrowest > width / 3 and canopy_used(inputs) and inputs.rasters["canopy"].lattice.cell_m <= width / 3:
        says = (
            f"the land cover shows nothing narrower than {narrowest:g} m, which cannot measure a setback of "
            f"{width:g} m: widths and gaps come from the canopy where it tells at least 80 % of the strip, elsewhere "
            "there is a coarse look only. What is not woody (use beside the bank, wetland, grass) stays coarse."
        )
        do = f"get land cover of {width / 3:.2g} m or finer if other cover than trees counts, or the use matters."
        yield Finding("warning", "land_cover", "woody_only", "", says, do)
        return
    if narrowest > width / 3:
        says = (
            f"the land cover shows nothing narrower than {narrowest:g} m, which cannot measure a setback of "
            f"{width:g} m: a coarse look only, without widths and gaps."
        )
        do = (
            f"get land cover of {width / 3:.2g} m or finer, for instance a national 1 m to 5 m cover map, or "
            "classify an air photo; canopy heights of such cells measure woody strips at least."
        )
        yield Finding("warning", "land_cover", "too_coarse", "", says, do)
        return
    cover = inputs.rasters["land_cover"]
    cells = zip(cover.files, cover.cells_m, strict=True) if isinstance(cover, RasterSource) else ()
    coarse = [file for file, cell in cells if cell > width / 3]
    if coarse:
        names = listed(file.place.name for file in coarse)
        says = f"where only {names} has data, the land cover is too coarse for a setback of {width:g} m."
        yield Finding(
            "warning", "land_cover", "coarse_file", "", says, "leave that file out; bare ground is then unknown."
        )
    if settings.setback.shortest_gap_m < 2 * narrowest:
        says = (
            f"[setback] shortest_gap_m = {settings.setback.shortest_gap_m:g} is under two cells of the land cover "
            f"({narrowest:g} m): single cells can make gaps."
        )
        do = f"set shortest_gap_m to {2 * narrowest:g} or more."
        yield Finding("note", "land_cover", "shortest_gap", "", says, do)


def lines_long_enough(inputs: Inputs, settings: Settings) -> Iterator[Finding]:
    """Stream lines are longer than the distance by which their ends are joined."""
    streams = inputs.tables["streams"]
    short = streams.geometry.length < settings.streams.snap_m
    if short.any():
        ids = [name if isinstance(name, str) else f"line {at}" for at, name in streams["source_id"][short].items()]
        says = (
            f"{int(short.sum())} stream lines are shorter than [streams] snap_m = {settings.streams.snap_m:g} m and "
            f"shrink to a point: {listed(ids)}."
        )
        yield Finding("warning", "streams", "short_line", "", says, "join them to a neighbour, or lower snap_m.")


def parcels_of_sense(inputs: Inputs, settings: Settings) -> Iterator[Finding]:
    """Parcels are neither specks nor counties."""
    parcels = inputs.tables["properties"]
    area = parcels.geometry.area
    cases = (
        ("small", area < SMALLEST_PARCEL_M2, f"smaller than {SMALLEST_PARCEL_M2:g} m2", "may be slivers of drawing"),
        ("large", area > LARGEST_PARCEL_M2, f"larger than {LARGEST_PARCEL_M2 / 1e6:g} km2", "may be no parcels"),
    )
    for name, odd, than, may in cases:
        if odd.any():
            ids = listed(parcels["property_id"][odd])
            says = f"{int(odd.sum())} of {len(parcels)} properties are {than} and {may}: {ids}."
            yield Finding("warning", "properties", f"{name}_parcel", "", says, "look at them in your GIS.")


def heights_of_sense(inputs: Inputs, settings: Settings) -> Iterator[Finding]:
    """Slopes near the streams and the heights themselves are those of land in metres."""
    dem = inputs.rasters["dem"]
    lines = inputs.tables["streams"].geometry.to_numpy()
    slope = median_slope(dem, points_along(lines, 500.0))
    if slope is not None and slope > STEEP_SHARE:
        says = f"half of the ground near the streams is steeper than {percent(slope)}."
        do = f'check [dem] vertical_unit = "{settings.dem.vertical_unit}": heights may be in feet.'
        yield Finding("warning", "dem", "too_steep", "", says, do)
    elif slope is not None and slope > HILLY_SHARE:
        says = (
            f"half of the ground near the streams is steeper than {percent(slope)}, as in mountains, or in hills whose "
            "heights are in feet and taken as metres: then slopes, stream power and bank heights are three times too "
            "large."
        )
        do = f'nothing in mountains; else check [dem] vertical_unit = "{settings.dem.vertical_unit}".'
        yield Finding("note", "dem", "steep", "", says, do)
    if isinstance(dem, RasterSource):
        _look_around(dem)
    if isinstance(dem, RasterSource) and dem.impossible:
        values = listed((f"{value:g}" for value in sorted(dem.impossible)), most=3)
        says = (
            f"the DEM holds values that are no heights of land ({LOWEST_M:g} to {HIGHEST_M:g} m), taken as no data: "
            f"{values}."
        )
        do = "declare them as nodata in the file, or set [dem] vertical_unit."
        yield Finding("warning", "dem", "impossible_height", "", says, do)


def _look_around(dem: RasterSource) -> None:
    """Read a few cells at 36 places spread over a DEM, so that it notes values that are no heights."""
    rows, columns = dem.shape
    lattice = dem.lattice
    for row in np.linspace(0, rows - 1, 6):
        for column in np.linspace(0, columns - 1, 6):
            x, y = lattice.x0 + column * lattice.cell_m, lattice.y0 - row * lattice.cell_m
            dem.window((x, y - 4 * lattice.cell_m, x + 4 * lattice.cell_m, y))


def dem_beyond_watershed(inputs: Inputs, settings: Settings) -> Iterator[Finding]:
    """The DEM goes on beyond the watershed's border."""
    watershed = inputs.tables["watershed"]
    if watershed.empty:
        return
    dem = inputs.rasters["dem"]
    margin = 3 * dem.lattice.cell_m
    outer = shapely.get_exterior_ring(
        shapely.get_parts(shapely.union_all(watershed.geometry.to_numpy()).buffer(margin))
    )
    points = points_along(outer, max(100.0, margin))
    bare = ~has_data(dem, points.x, points.y)
    share = points.length_m[bare].sum() / points.length_m.sum()
    if share > 0.5:
        says = f"the DEM ends at the watershed: no data {margin:g} m outside {percent(share)} of its border."
        do = "give a DEM that goes beyond the divide, or drainage areas near the border stay unknown."
        yield Finding("note", "dem", "clipped", "", says, do)


def lines_in_channel(inputs: Inputs, settings: Settings) -> Iterator[Finding]:
    """The low of the ground across the stream lies near the drawn line."""
    dem = inputs.rasters["dem"]
    limit = max(settings.setback.most_m / 3, dem.lattice.cell_m)
    points = points_along(inputs.tables["streams"].geometry.to_numpy(), 100.0)
    offset, relief = low_offsets(dem, points)
    seen = np.isfinite(offset) & (relief > 1.0)
    seen_km = points.length_m[seen].sum() / 1000
    if not seen_km:
        return
    off = seen & (np.abs(offset) > limit)
    off_km = points.length_m[off].sum() / 1000
    if off_km / seen_km > OFF_SHARE:
        says = (
            f"{percent(off_km / seen_km)} of the stream length with over 1 m of relief across ({off_km:.1f} of "
            f"{seen_km:.1f} km) is drawn more than {limit:g} m from the low of the DEM."
        )
        do = "use lines that were mapped with this DEM or one as fine; gaps there are uncertain."
        yield Finding("warning", "streams", "off_channel", "", says, do)


CHECKS: tuple[Check, ...] = (
    shared_ground,
    streams_given,
    streams_on_grids,
    codes_known,
    cover_fine_enough,
    canopy_of_sense,
    wetlands_of_sense,
    lines_long_enough,
    parcels_of_sense,
    heights_of_sense,
    dem_beyond_watershed,
    lines_in_channel,
    lines_side_by_side,
    lines_not_closed,
    lines_fall,
    lines_not_roads,
    lines_in_watershed,
    cover_of_sense,
    water_is_wet,
    cover_of_today,
    heights_of_ground,
    fines_in_percent,
    setback_in_metres,
    layers_at_streams,
)
