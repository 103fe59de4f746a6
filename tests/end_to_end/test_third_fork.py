"""Real layers of one watershed as they lie: four systems, two without a code, a masked DEM, 30 m land cover.

US federal open data: national elevation, NLCD 2011, NHD high resolution and NHDPlusV2, watershed boundary.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pyproj
import pytest
import rasterio
import shapely
from scipy.stats import binom

import gisprio
from gisprio.contracts.findings import findings_from
from gisprio.run.engine import run as engine_run

CONFIG = """
[run]
name = "Real layers"
output = "{output}"
[layers]
dem = "{folder}/dem.tif"
land_cover = "{folder}/landcover.tif"
streams = "{folder}/{streams}"
properties = "{folder}/properties_city_parks.gpkg"
watershed = "{folder}/boundary.shp"
[columns]
properties.id = "{property_id}"
{columns}
[land_cover]
legend = "nlcd"
[hydraulics]
curve = "nc-rural-piedmont"
"""
STREAMS = {
    "nhdplusv2": ("streams_nhdplusv2.gpkg", 'streams.area_km2 = "TotDASqKM"'),
    "nhd_hr": ("streams_nhd_hr.shp", 'streams.kind = "FCode"'),
}


@pytest.fixture(scope="module", params=STREAMS)
def real(request, tmp_path_factory, third_fork):
    """Run the chain on the real layers with one of the stream layers."""
    folder = tmp_path_factory.mktemp(request.param)
    streams, columns = STREAMS[request.param]
    property_id = "objectd"
    text = CONFIG.format(
        folder=third_fork, output=folder / "results", streams=streams, columns=columns, property_id=property_id
    )
    (folder / "real.toml").write_text(text)
    settings = gisprio.read_settings(folder / "real.toml")
    engine_run(settings)
    return request.param, gisprio.open_results(settings.output())


@pytest.mark.reference
@pytest.mark.slow
def test_order_and_area_of_nhdplus(real, third_fork):
    name, results = real
    if name != "nhdplusv2":
        assert results.reaches["strahler_order"].max() >= 3
        return
    published = gpd.read_file(third_fork / "streams_nhdplusv2.gpkg").to_crs(results.reaches.crs)
    equal = area = 0
    for row in published.itertuples():
        middle = row.geometry.interpolate(0.5, normalized=True)
        near = results.reaches.iloc[int(np.argmin(results.reaches.distance(middle)))]
        equal += near["strahler_order"] == row.StreamOrde
        line = shapely.line_merge(row.geometry)
        foot = line.interpolate(max(line.length - 20, 0))
        lowest = results.reaches.iloc[int(np.argmin(results.reaches.distance(foot)))]
        area += bool(np.isclose(lowest["drainage_area_km2"], row.TotDASqKM, rtol=0.1))
    assert equal == 28
    assert area >= 27  # holds at the lower end of a published line; one reach straddles two of them


HEIGHT_ERROR_M = 1.55
"""Standard error of a height of the national elevation data of 2013, as published."""


def _end_heights(folder, line, crs):
    """Give the lowest height within one cell of each end of a line, read from the DEM as it lies."""
    to_dem = pyproj.Transformer.from_crs(crs, "EPSG:4269", always_xy=True)
    with rasterio.open(folder / "dem.tif") as dem:
        height, place = dem.read(1, masked=True).filled(np.nan), dem.transform
    found = []
    for end in (line.coords[0], line.coords[-1]):
        row, column = (int(n) for n in rasterio.transform.rowcol(place, *to_dem.transform(*end)))
        found.append(float(np.nanmin(height[max(row - 1, 0) : row + 2, max(column - 1, 0) : column + 2])))
    return found


def _slope_misses(results, folder, factor=1.0):
    """Give how far our slope of each published line is from its drop over its length, in errors expected of both."""
    reaches = results.reaches
    published = gpd.read_file(folder / "streams_nhdplusv2.gpkg").to_crs(reaches.crs)
    middles = reaches.interpolate(0.5, normalized=True)
    misses = []
    for line in shapely.line_merge(published.geometry.to_numpy()):
        upper, lower = _end_heights(folder, line, reaches.crs)
        own = reaches[(middles.distance(line) < 1) & reaches["slope_m_m"].notna()]
        slope = factor * np.average(own["slope_m_m"], weights=own["length_m"])
        error = np.average(own["slope_se_m_m"], weights=own["length_m"])
        expected = np.hypot(error, np.sqrt(2) * HEIGHT_ERROR_M / line.length)
        misses.append((slope - (upper - lower) / line.length) / expected)
    return np.array(misses)


@pytest.mark.reference
@pytest.mark.slow
def test_slopes_against_the_drop_between_the_ends_of_the_published_lines(real, third_fork):
    """Drop of a line over its length, as NHDPlus defines slope, read by other code from the same DEM.

    The published slopes themselves are not among the columns of the layer at hand. The spread was stated before the
    comparison: both values err, ours by ``slope_se_m_m`` (its mean over the line, as windows overlap), the other by
    sqrt(2) x 1.55 m over the length; the rounding of either is far below that. Then 95 % of 28 lines lie within two of
    these errors, and 23 or fewer with a chance of under 1 %. Found: 27 of 28 within two, 22 within one, root mean
    square .75 (below 1, since both share the errors of one DEM).
    """
    name, results = real
    if name != "nhdplusv2":
        pytest.skip("the published lines are those of the other layer")
    misses = _slope_misses(results, third_fork)
    least = binom.ppf(0.01, 28, 0.954)
    assert len(misses) == 28
    assert (np.abs(misses) <= 2).sum() >= least
    assert 0.5 <= np.sqrt((misses**2).mean()) <= 1.3  # the error is neither too small nor so large that all would pass
    assert abs(np.median(misses)) <= 0.5  # no bias
    in_feet = _slope_misses(results, third_fork, 1 / 0.3048)
    assert (np.abs(in_feet) <= 2).sum() < least  # heights in feet taken for metres would be seen


@pytest.mark.reference
@pytest.mark.slow
def test_routed_areas_that_miss_the_published_ones_are_flagged_without_them(third_fork, tmp_path):
    """TotDASqKM of NHDPlusV2 against areas routed on the raw DEM alone, at the lower end of 18 lines over 1 km2.

    Found: 17 within 10 %; the other one, .65, flagged for a side stream that joins 86 m below its end; one flagged
    that is right.
    """
    streams = STREAMS["nhdplusv2"][0]
    text = CONFIG.format(
        folder=third_fork, output=tmp_path / "results", streams=streams, columns="", property_id="objectd"
    )
    (tmp_path / "real.toml").write_text(f"{text}[streams]\nline_error_m = 12\n")  # as of maps at 1:24 000
    settings = gisprio.read_settings(tmp_path / "real.toml")
    engine_run(settings)
    reaches = gisprio.open_results(settings.output()).reaches
    published = gpd.read_file(third_fork / streams).to_crs(reaches.crs)
    large = published[published["TotDASqKM"] > 1]
    feet = shapely.line_merge(large.geometry.to_numpy())
    feet = shapely.line_interpolate_point(feet, np.maximum(shapely.length(feet) - 20, 0))
    lowest = reaches.iloc[[int(np.argmin(reaches.distance(foot))) for foot in feet]]
    right = np.abs(lowest["drainage_area_km2"].to_numpy() / large["TotDASqKM"].to_numpy() - 1) <= 0.1
    flagged = lowest["drainage_area_doubt"].notna().to_numpy()
    assert len(right) == 18
    assert right.sum() >= 17
    assert flagged[~right].all()
    assert (flagged & right).sum() <= 2


@pytest.mark.slow
def test_cover_of_30_m_gives_a_coarse_look_and_no_gaps(real):
    _, results = real
    said = {finding.check: finding for finding in findings_from(results.findings)}
    assert "too_coarse" in said
    assert len(results.gaps) == 0
    assert results.banks["buffer_width_m"].isna().all()
    ranked = results.banks[results.banks["rank"].notna()]
    assert len(ranked) > 100
    assert set(ranked["woody_share_basis"]) <= {"modelled", "missing"}


@pytest.mark.slow
def test_a_city_stream_under_a_rural_curve_is_said(real):
    _, results = real
    said = {finding.check: finding for finding in findings_from(results.findings)}
    assert "urban_stream" in said
    assert "rural" in said["urban_stream"].says
