"""The engine on the fake chain: right numbers, tiles that leave no trace, what is kept, what a fault leaves."""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from gisprio.contracts.cards import Product
from gisprio.contracts.digests import table_digest
from gisprio.contracts.errors import ContractError, InputError, RunError
from gisprio.contracts.findings import Finding
from gisprio.products.backdrop import read_backdrop
from gisprio.run.engine import Unwatched, refuse_errors, run_job
from gisprio.run.store import last_table
from unit.run import fake_chain as fake


@pytest.fixture
def calls(tmp_path, monkeypatch):
    """Give a function that says what ran since it was asked last."""
    path = tmp_path / "calls.txt"
    monkeypatch.setenv("FAKE_CALLS", str(path))

    def since() -> list[str]:
        lines = path.read_text().splitlines() if path.exists() else []
        path.unlink(missing_ok=True)
        return lines

    return since


@pytest.fixture(autouse=True)
def _same_code(monkeypatch):
    """Hold the code's digest, so that editing gisprio while tests run changes nothing; it has tests of its own."""
    monkeypatch.setattr("gisprio.run.engine.stage_digests", lambda stages, _: {s.name: "code" for s in stages})


def go(tmp_path, *, inputs=None, fresh=False, folder="results", progress=None, **sections):
    settings = fake.make_settings(tmp_path, **sections)
    inputs = inputs or fake.make_inputs()
    place = tmp_path / folder
    return run_job(replace(fake.job(inputs, settings, place, fresh=fresh), progress=progress or Unwatched()))


def bytes_of(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


def test_numbers_by_hand(tmp_path):
    record = go(tmp_path)
    banks = pd.read_csv(tmp_path / "results" / "banks.csv")
    assert banks["priority"].tolist() == [2, 0, 4, 0, 0, 2, 0, 0, 2, 0, 0, 0]
    assert banks["rank"].tolist() == [2, 5, 1, 5, 5, 2, 5, 5, 2, 5, 5, 5]
    assert (tmp_path / "results" / "sums.txt").read_text() == "10 2\n"
    assert record.counts == {
        "reaches": 12, "banks": 12, "bank_setbacks": 0, "gaps": 0, "sites": 0, "properties": 0, "flow_points": 0,
        "crossings": 0, "knickpoints": 0, "constraints": 0, "works_done": 0, "scars": 0, "visits": 0,
        "monitoring": 0, "frontages": 0, "long_profiles": 0, "findings": 2, "ranked_banks": 12, "ranked_properties": 0,
        "stations": 12,
    }  # fmt: skip
    assert record.references == ["nagel2014"]
    assert record.findings == {"error": 0, "warning": 1, "note": 1}


def test_stations_are_streamed_as_geoparquet(tmp_path):
    go(tmp_path, run={"tile_m": 1000.0})
    stations = gpd.read_parquet(tmp_path / "results" / "stations.parquet").sort_values("segment_id")
    assert stations.crs.to_epsg() == 32633
    assert stations["segment_id"].tolist() == [f"seg{n:02d}" for n in range(12)]
    assert stations.geometry.x.tolist() == list(range(12))


def test_the_image_of_the_user_is_drawn_once_for_all_products(tmp_path):
    drawn = []

    class Photo:
        def drawn(self, bounds, rows, columns):
            drawn.append((rows, columns))
            return np.full((rows, columns, 4), (7, 8, 9, 255), np.uint8)

    inputs = fake.make_inputs()
    inputs.image = Photo()
    write = "gisprio.products.backdrop:write_backdrop"
    products = tuple(Product(name, write, "A picture.") for name in ("backdrop.tif", "again.tif"))
    job = fake.job(inputs, fake.make_settings(tmp_path), tmp_path / "results")
    run_job(replace(job, products=products))
    assert drawn == [(1600, 1589)]
    picture = read_backdrop(tmp_path / "results" / "backdrop.tif")
    assert picture.pixels[800, 800].tolist() == [7, 8, 9, 255]
    assert (tmp_path / "results" / "again.tif").exists()


@pytest.mark.parametrize("tile_m", [1000.0, 4000.0, 1e6])
def test_tiles_leave_no_trace(tmp_path, tile_m):
    go(tmp_path, run={"tile_m": 2500.0})
    go(tmp_path, run={"tile_m": tile_m}, folder="other")
    for name in fake.TABLES:
        tables = [last_table(tmp_path / folder, name) for folder in ("results", "other")]
        by = next(c for c in ("segment_no", "bank_id", "reach_id", "property_id") if c in tables[0])
        first, other = (table.sort_values(by, ignore_index=True) for table in tables)
        assert table_digest(first) == table_digest(other)
    for name in ("banks.csv", "sums.txt"):
        assert (tmp_path / "results" / name).read_bytes() == (tmp_path / "other" / name).read_bytes()


def test_a_tile_gets_its_own_segments_only(tmp_path, calls):
    go(tmp_path, run={"tile_m": 4000.0})
    tiles = [line.removeprefix("ponds ") for line in calls() if line.startswith("ponds")]
    assert sorted(tiles) == sorted(["[0, 1, 5]", "[2, 7]", "[3]", "[4]", "[6, 11]", "[8]", "[9]", "[10]"])


def test_nothing_runs_twice(tmp_path, calls):
    go(tmp_path)
    assert len(calls()) == 5 + 2 * 8 + 2
    record = go(tmp_path)
    assert calls() == ["banks.csv ", "sums.txt "]
    assert [(stage["ran"], stage["why"]) for stage in record.stages] == [(0, "unchanged")] * 7


def test_a_pond_elsewhere_runs_one_tile(tmp_path, calls):
    go(tmp_path)
    calls()
    record = go(tmp_path, inputs=fake.make_inputs((*fake.PONDS_AT, 4)))
    assert calls() == ["ponds [4]", "doubles [4]", "ranks ", "property_ranks ", "draws ", "banks.csv ", "sums.txt "]
    why = {stage["name"]: stage["why"] for stage in record.stages}
    assert why["ponds"] == "changed: water near the tile"
    assert why["doubles"] == "changed: ponds"
    assert why["network"] == "unchanged"
    assert (tmp_path / "results" / "sums.txt").read_text() == "12 2\n"


def test_a_setting_runs_the_stages_that_read_it(tmp_path, calls):
    go(tmp_path)
    calls()
    record = go(tmp_path, setback={"kind": "guidance"})
    ran = {line.split()[0] for line in calls()}
    assert ran == {"ponds", "banks.csv", "sums.txt"}  # what ponds gave is equal, so the rest is kept
    assert record.stages[2]["why"] == "changed: [setback]"


def test_heights_run_what_stands_on_them(tmp_path, calls):
    go(tmp_path)
    calls()
    go(tmp_path, inputs=fake.make_inputs(height=3.0))
    assert {line.split()[0] for line in calls()} == {"routing_grid", "doubles", "banks.csv", "sums.txt"}
    assert (tmp_path / "results" / "sums.txt").read_text() == "10 6\n"


def test_heights_changed_in_one_place_run_the_tiles_that_see_it(tmp_path, calls):
    go(tmp_path)
    calls()
    record = go(tmp_path, inputs=fake.make_inputs(hill=(9000.0, 9050.0)))
    assert calls() == ["routing_grid ", "doubles [4]", "banks.csv ", "sums.txt "]
    assert {stage["name"]: stage["why"] for stage in record.stages}["doubles"] == "changed: elevation"


def test_a_stage_that_reads_beyond_what_it_may_see_is_a_fault(tmp_path, monkeypatch):
    def far(core, halo, sources, settings):
        sources["elevation"].window((-1e6, -1e6, 1e6, 1e6))

    monkeypatch.setattr(fake, "double", far)
    with pytest.raises(ContractError, match=r"^a stage reads cells of \(-1000000.0, .*beyond what it may see"):
        go(tmp_path)


def test_fresh_runs_everything(tmp_path, calls):
    go(tmp_path)
    calls()
    record = go(tmp_path, fresh=True)
    assert len(calls()) == 5 + 2 * 8 + 2
    assert {stage["why"] for stage in record.stages} == {"asked for: --fresh"}


def test_what_is_kept_gives_the_same_bytes(tmp_path):
    go(tmp_path)
    first = bytes_of(tmp_path / "results")
    go(tmp_path)
    go(tmp_path, folder="other")
    for name in ("banks.csv", "sums.txt", "stations.parquet"):
        assert bytes_of(tmp_path / "results")[name] == first[name] == bytes_of(tmp_path / "other")[name]


def kept_entries(folder: Path) -> dict[str, int]:
    kept = folder / "results" / ".gisprio" / "kept"
    return {stage.name: len(list(stage.iterdir())) for stage in kept.iterdir() if list(stage.iterdir())}


USED = {"routing_grid": 1, "network": 1, "ponds": 8, "doubles": 8, "ranks": 1, "property_ranks": 1, "draws": 1}


def test_a_setting_may_be_turned_to_and_fro(tmp_path, calls):
    go(tmp_path)
    go(tmp_path, inputs=fake.make_inputs((1,)))
    assert kept_entries(tmp_path)["ranks"] == 2
    calls()
    go(tmp_path)
    assert calls() == ["banks.csv ", "sums.txt "]  # products alone
    assert not list((tmp_path / "results" / ".gisprio").rglob("*.pkl"))


def test_what_earlier_runs_left_goes_first_where_the_store_is_full(tmp_path):
    go(tmp_path)
    one = sum(path.stat().st_size for path in (tmp_path / "results" / ".gisprio" / "kept").rglob("*") if path.is_file())
    dead = tmp_path / "results" / ".gisprio" / "kept" / "ranks" / "x.part99"
    dead.mkdir()
    go(tmp_path, inputs=fake.make_inputs((1,)), run={"store_limit_gb": 1.02 * one / 1e9})
    assert kept_entries(tmp_path) == USED
    assert not dead.exists()


def test_a_run_that_is_larger_than_the_store_says_so(tmp_path):
    told: list[str] = []
    watcher = SimpleNamespace(step=lambda *_: None, note=told.append)
    go(tmp_path, run={"store_limit_gb": 1e-6}, progress=watcher)
    parts = sum(USED.values())
    assert told[-1] == (
        f"What the stages gave takes 0.0 GB, more than [run] store_limit_gb allows: {parts} of {parts} parts were "
        "given up and are made again in the next run."
    )
    assert kept_entries(tmp_path) == {}
    go(tmp_path)
    whole = len(last_table(tmp_path / "results", "doubles"))
    kept = tmp_path / "results" / ".gisprio" / "kept"
    parts = sorted(path.stat().st_size for path in kept.rglob("*") if path.is_file())
    for share in (0.9, 0.6, 0.3):  # a table is there whole or not at all
        go(tmp_path, run={"store_limit_gb": share * sum(parts) / 1e9})
        table = last_table(tmp_path / "results", "doubles")
        assert table is None or len(table) == whole
    assert go(tmp_path).counts["banks"] > 0


def test_a_store_of_another_format_is_set_aside(tmp_path, calls):
    go(tmp_path)
    calls()
    (tmp_path / "results" / ".gisprio" / "store.json").write_text('{"format": 0}')
    record = go(tmp_path)
    assert len(calls()) == 5 + 2 * 8 + 2
    assert record.stages[0]["why"] == "nothing was kept of it"


@pytest.mark.parametrize(
    ("stage", "fault"), [("routing_grid", "bug"), ("doubles", "disk"), ("ranks", "memory"), ("sums.txt", "disk")]
)
def test_a_fault_leaves_earlier_results_byte_equal(tmp_path, monkeypatch, stage, fault):
    go(tmp_path)
    (tmp_path / "results" / "mine.txt").write_text("not gisprio's")
    before = bytes_of(tmp_path / "results")
    monkeypatch.setenv("FAKE_FAIL", stage)
    monkeypatch.setenv("FAKE_FAULT", fault)
    expected = {"bug": ZeroDivisionError, "disk": RunError, "memory": RunError}[fault]
    with pytest.raises(expected):
        go(tmp_path, inputs=fake.make_inputs((1,)), fresh=True)
    assert bytes_of(tmp_path / "results") == before
    assert not (tmp_path / "results" / ".gisprio" / "lock").exists()
    monkeypatch.delenv("FAKE_FAIL")
    go(tmp_path, inputs=fake.make_inputs((1,)))
    assert (tmp_path / "results" / "sums.txt").read_text() == "2 2\n"
    assert (tmp_path / "results" / "mine.txt").read_text() == "not gisprio's"


def test_message_of_a_full_disk(tmp_path, monkeypatch):
    monkeypatch.setenv("FAKE_FAIL", "ranks")
    monkeypatch.setenv("FAKE_FAULT", "disk")
    with pytest.raises(RunError) as caught:
        go(tmp_path)
    assert caught.value.report() == (
        f"RunError: the disk that holds {tmp_path / 'results'} is full.\n"
        "  Wanted: room for the results and for .gisprio, the store.\n"
        "  Do: free some room and run again. Earlier results are whole, finished stages are kept."
    )


def test_message_of_no_memory(tmp_path, monkeypatch):
    monkeypatch.setenv("FAKE_FAIL", "ranks")
    monkeypatch.setenv("FAKE_FAULT", "memory")
    with pytest.raises(RunError) as caught:
        go(tmp_path)
    assert caught.value.report() == (
        "RunError: the memory gave out.\n"
        "  Wanted: more memory, or less at a time.\n"
        "  Do: set a smaller [run] tile_m, or close other programs. Earlier results are whole, finished stages "
        "are kept."
    )


def test_finished_stages_are_kept_after_a_fault(tmp_path, monkeypatch, calls):
    monkeypatch.setenv("FAKE_FAIL", "ranks")
    monkeypatch.setenv("FAKE_FAULT", "bug")
    with pytest.raises(ZeroDivisionError):
        go(tmp_path)
    calls()
    monkeypatch.delenv("FAKE_FAIL")
    go(tmp_path)
    assert calls() == ["ranks ", "property_ranks ", "draws ", "banks.csv ", "sums.txt "]


def test_a_stage_that_gives_other_tables_is_a_fault(tmp_path, monkeypatch):
    monkeypatch.setattr(fake, "rank_properties", lambda tables, sources, settings: {"sites": pd.DataFrame()})
    with pytest.raises(ContractError) as caught:
        go(tmp_path)
    assert str(caught.value) == (
        "stage property_ranks gave sites, not ranked_properties, shown_frontages.\n"
        "  Wanted: what run/stages.py says it writes.\n"
        "  Do: report this as a fault of gisprio, with run.log."
    )


def test_a_table_that_breaks_its_layer_is_a_fault(tmp_path, monkeypatch):
    def broken(tables, sources, settings):
        made = original(tables, sources, settings)
        made["banks"]["priority"] = 101.0
        return made

    original = fake.rank
    monkeypatch.setattr(fake, "rank", broken)
    with pytest.raises(ContractError, match="layer banks breaks its contract: priority goes up to 101, above 100"):
        go(tmp_path)


def test_a_product_that_is_not_written_is_a_fault(tmp_path, monkeypatch):
    monkeypatch.setattr(fake, "write_sums", lambda path, results: None)
    with pytest.raises(ContractError) as caught:
        go(tmp_path)
    assert str(caught.value) == (
        "the product sums.txt was not written.\n"
        "  Wanted: a file from unit.run.fake_chain:write_sums.\n"
        "  Do: report this as a fault of gisprio, with run.log."
    )


def test_errors_among_findings_stop_a_run_all_in_one_message():
    findings = [
        Finding("error", "dem", "crs", "", "dem.tif has no coordinate reference system.", "Assign one."),
        Finding("note", "streams", "made_up", "", "Not this.", "Nothing."),
        Finding("error", "streams", "overlap", "", "No stream lies on the DEM.", "Give the DEM of the streams."),
    ]
    with pytest.raises(InputError) as caught:
        refuse_errors(findings)
    assert caught.value.report() == (
        "InputError: the layers have 2 errors; nothing was run.\n"
        "    dem: dem.tif has no coordinate reference system.\n"
        "      Do: Assign one.\n"
        "    streams: No stream lies on the DEM.\n"
        "      Do: Give the DEM of the streams.\n"
        "  Wanted: layers without errors.\n"
        "  Do: mend them; gisprio check CONFIG lists every finding."
    )


def test_run_json_holds_what_it_promises(tmp_path):
    go(tmp_path)
    record = json.loads((tmp_path / "results" / "run.json").read_text())
    assert record["format"] == 1
    assert record["name"] == "Fake"
    assert record["settings"]["setback"]["width_m"] == 30.0
    assert "folder" not in record["settings"]
    assert record["inputs"] == {"dem": "height 1.0", "streams": "0", "water": "0"}
    assert {"python", "numpy", "shapely GEOS", "pyproj PROJ", "rasterio GDAL", "pyogrio GDAL", "numba"} <= set(
        record["versions"]
    )
    assert set(record["files"]) == {"banks.csv", "sums.txt", "stations.parquet", "run.log"}
    assert str(tmp_path) not in json.dumps(record)


def test_run_log_ends_with_the_caution(tmp_path):
    go(tmp_path)
    log = (tmp_path / "results" / "run.log").read_text()
    assert "warning: streams: Streams are made up.\n    Do: Nothing.\n" in log
    assert "note: streams s1: This is made up." in log
    assert log.rstrip().endswith("use a qualified designer for any work on a bank.")


def test_inputs_are_not_edited(tmp_path):
    inputs = fake.make_inputs()
    before = {name: table_digest(table) for name, table in inputs.tables.items()}
    heights = inputs.rasters["dem"].grid.values.copy()
    go(tmp_path, inputs=inputs)
    assert {name: table_digest(table) for name, table in inputs.tables.items()} == before
    assert np.array_equal(inputs.rasters["dem"].grid.values, heights)


def test_files_of_an_earlier_run_that_are_no_more(tmp_path):
    go(tmp_path)
    results = tmp_path / "results"
    settings = fake.make_settings(tmp_path)
    run_job(replace(fake.job(fake.make_inputs(), settings, results), products=fake.PRODUCTS[:1]))
    assert not (results / "sums.txt").exists()
    assert os.listdir(results / ".gisprio" / "kept")


def write_several(path, results):
    path.write_text("leads to others")
    for k in range(len(results.tables["banks"]) % 3 + 2):
        path.with_name(f"several-{k}.txt").write_text(str(k))


def test_further_files_of_a_product_are_published_told_and_taken_away_again(tmp_path, monkeypatch):
    monkeypatch.setattr("gisprio.run.engine.write_function", lambda product: write_several)
    results, settings = tmp_path / "results", fake.make_settings(tmp_path)
    product = Product("several.txt", "nowhere:nothing", "Several.", more="several-*.txt")
    record = run_job(replace(fake.job(fake.make_inputs(), settings, results), products=(product,)))
    names = sorted(path.name for path in results.glob("several*.txt"))
    assert len(names) >= 3
    assert set(names) <= set(record.files)
    monkeypatch.undo()
    run_job(replace(fake.job(fake.make_inputs(), settings, results), products=fake.PRODUCTS[:1]))
    assert not list(results.glob("several*.txt"))


def test_a_further_file_of_another_origin_is_not_overwritten(tmp_path, monkeypatch):
    monkeypatch.setattr("gisprio.run.engine.write_function", lambda product: write_several)
    results, settings = tmp_path / "results", fake.make_settings(tmp_path)
    results.mkdir()
    (results / "several-1.txt").write_text("mine")
    product = Product("several.txt", "nowhere:nothing", "Several.", more="several-*.txt")
    with pytest.raises(InputError, match=r"have the names of results: several-1\.txt\."):
        run_job(replace(fake.job(fake.make_inputs(), settings, results), products=(product,)))
    assert (results / "several-1.txt").read_text() == "mine"
    assert not (results / "several.txt").exists()
