"""stations.parquet: valid GeoParquet, one row group a piece, read back equal."""

from __future__ import annotations

import json

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pyproj
import pytest
import shapely

from gisprio.contracts.errors import ContractError
from gisprio.contracts.layers import STATION_RESULTS
from gisprio.products.stations import StationWriter
from unit.products.product_world import CRS, WKT_ONLY


def piece(number, rows=3):
    k = np.arange(rows)
    values = {
        "segment_id": [f"S{number}"] * rows,
        "station_no": k,
        "side": ["left"] * rows,
        "at_m": 5.0 * k,
        "length_m": 5.0,
        "crossing": False,
        "gap": k == 0,
        "buffer_width_m": [None, *[30.0] * rows][:rows],
        "x": 500_000.0 + 100 * number + k,
        "y": 5_200_000.0 + k,
    }
    for column in STATION_RESULTS.columns:
        if column.name not in values:
            filler = {"text": column.among[0] if column.among else "a", "float": 1.0, "int": 1, "bool": False}
            values[column.name] = None if column.null else filler[column.kind]
    return pd.DataFrame(values)


def test_pieces_come_back_as_they_were_with_points(tmp_path):
    path = tmp_path / "stations.parquet"
    with StationWriter(path, STATION_RESULTS, CRS) as stations:
        stations.write(piece(1))
        stations.write(piece(2, rows=0))
        stations.write(piece(3, rows=2))
    got = gpd.read_parquet(path)
    assert [c for c in got.columns if c != "geometry"] == STATION_RESULTS.names()
    assert got["segment_id"].tolist() == ["S1"] * 3 + ["S3"] * 2
    assert got["buffer_width_m"].isna().tolist() == [True, False, False, True, False]
    assert got["gap"].tolist() == [True, False, False, True, False]
    assert (got.geometry.x == [500_100, 500_101, 500_102, 500_300, 500_301]).all()
    assert got.crs.equals(pyproj.CRS.from_wkt(CRS))
    assert pq.ParquetFile(path).num_row_groups == 2


def test_metadata_follow_geoparquet(tmp_path):
    path = tmp_path / "stations.parquet"
    with StationWriter(path, STATION_RESULTS, WKT_ONLY) as stations:
        stations.write(piece(1))
    file = pq.ParquetFile(path)
    geo = json.loads(file.metadata.metadata[b"geo"])
    assert geo["version"] == "1.1.0"
    assert geo["primary_column"] == "geometry"
    column = geo["columns"]["geometry"]
    assert (column["encoding"], column["geometry_types"]) == ("WKB", ["Point"])
    assert column["bbox"] == [500_100.0, 5_200_000.0, 500_102.0, 5_200_002.0]
    assert pyproj.CRS.from_json_dict(column["crs"]).to_epsg() is None
    assert file.metadata.row_group(0).column(0).compression == "ZSTD"
    assert not file.schema_arrow.field("segment_id").nullable


def test_point_geometry_does_as_well_as_x_and_y(tmp_path):
    frame = piece(1)
    points = gpd.GeoDataFrame(frame.drop(columns=["x", "y"]), geometry=shapely.points(frame["x"], frame["y"]), crs=CRS)
    for name, given in (("a", frame), ("b", points)):
        with StationWriter(tmp_path / name, STATION_RESULTS, CRS) as stations:
            stations.write(given)
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()


def test_no_station_at_all_gives_a_file_without_rows_or_box(tmp_path):
    with StationWriter(tmp_path / "s", STATION_RESULTS, CRS):
        pass
    assert len(gpd.read_parquet(tmp_path / "s")) == 0
    geo = json.loads(pq.read_metadata(tmp_path / "s").metadata[b"geo"])
    assert "bbox" not in geo["columns"]["geometry"]


def test_missing_columns_are_named(tmp_path):
    stations = StationWriter(tmp_path / "s", STATION_RESULTS, CRS)
    with stations, pytest.raises(ContractError) as stopped:
        stations.write(piece(1).drop(columns=["gap", "at_m"]))
    assert str(stopped.value).splitlines() == [
        "layer stations breaks its contract: columns missing: at_m, gap.",
        "  Wanted: what contracts/layers.py promises",
        "  Do: report this as a fault of gisprio, with run.log.",
    ]
    with pytest.raises(ValueError, match="this writer is closed"):
        stations.write(piece(1))


def test_missing_place_is_refused(tmp_path):
    with StationWriter(tmp_path / "s", STATION_RESULTS, CRS) as stations:
        with pytest.raises(ContractError, match="no geometry and no columns x and y"):
            stations.write(piece(1).drop(columns=["x"]))
