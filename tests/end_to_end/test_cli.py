"""The commands on a small world, as a person runs them."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from html import unescape
from pathlib import Path

import pandas as pd
import pytest

from gisprio.contracts.words import CAUTION
from makers import frame, straight_valley

CHECKOUT = Path(__file__).resolve().parents[2]


def gisprio(*arguments: object, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "gisprio", *map(str, arguments)], capture_output=True, text=True, timeout=300, cwd=cwd,
        env={**os.environ, "PYTHONPATH": str(CHECKOUT), "COLUMNS": "160"},
    )  # fmt: skip


@pytest.fixture(scope="module")
def config(tmp_path_factory):
    return straight_valley().write(tmp_path_factory.mktemp("valley"))


@pytest.fixture(scope="module")
def done(config):
    return gisprio("run", config)


@pytest.fixture(scope="module")
def results(config, done):
    assert done.returncode == 0, done.stderr
    return config.parent / "results"


def test_new_then_check_what_the_template_lacks(tmp_path):
    made = gisprio("new", tmp_path / "brook")
    assert made.returncode == 0
    config = tmp_path / "brook" / "gisprio.toml"
    assert made.stdout == f"Wrote {config}.\nName your layers in it, then run: gisprio check {config}\n"
    text = config.read_bytes()
    again = gisprio("new", tmp_path / "brook")
    assert again.returncode == 2
    assert again.stderr.startswith("InputError: ") or again.stderr.startswith("SettingsError: ")
    assert config.read_bytes() == text
    assert gisprio("check", config).returncode == 2


def test_check_lists_findings_and_writes_nothing(config):
    before = sorted(path.name for path in config.parent.iterdir() if path.name != "results")
    checked = gisprio("check", config)
    assert checked.returncode == 0, checked.stderr
    assert checked.stderr == ""
    assert checked.stdout.rstrip().endswith(".")
    assert " 0 errors" in " " + checked.stdout.splitlines()[-1]
    assert sorted(path.name for path in config.parent.iterdir() if path.name != "results") == before


def test_check_for_machines(tmp_path):
    world = straight_valley()
    line = world.layers["streams"].geometry[0]
    world.layers["streams"] = frame([line, line])
    checked = gisprio("check", world.write(tmp_path), "--json")
    assert (checked.returncode, checked.stderr) == (0, "")
    content = json.loads(checked.stdout)
    assert content["counts"]["error"] == 0
    assert sum(content["counts"].values()) == len(content["findings"]) > 0
    assert {"severity", "layer", "check", "feature_id", "says", "do"} == set(content["findings"][0])
    assert "streams" in {finding["layer"] for finding in content["findings"]}


def test_check_with_an_error_ends_with_2_and_still_lists_everything(tmp_path):
    world = straight_valley()
    world.layers["streams"] = frame([world.place.line((0, 50_000), (3000, 50_000))])  # far from the DEM
    checked = gisprio("check", world.write(tmp_path))
    assert checked.returncode == 2
    assert (checked.stdout.startswith("Errors\n"), checked.stderr) == (True, "")
    stopped = gisprio("run", tmp_path / "tiny.toml")
    assert (stopped.returncode, stopped.stdout) == (2, "")
    assert stopped.stderr.startswith("InputError: the layers have ")
    assert not (tmp_path / "results").exists()


def test_run_says_what_is_most_urgent(done, results):
    lines = done.stdout.splitlines()
    assert lines[0].strip() == "Most urgent banks"
    cells = [[cell.strip() for cell in line.strip("│").split("│")] for line in lines if line.startswith("│")]
    ranks = [int(row[0]) for row in cells if len(row) == 9]
    assert (len(ranks), ranks[0], ranks) == (10, 1, sorted(ranks))
    assert {row[3] for row in cells if len(row) == 9} <= {"left", "right"}
    assert any("Most urgent properties" in line for line in lines)
    assert f"Results: {results}" in lines
    assert lines[-1] == CAUTION
    assert "30 of 30 banks are ranked." in lines
    sites = pd.read_csv(results / "sites.csv")
    told = [line for line in lines if line.endswith("See sites.csv.")]
    assert len(told) == 1
    assert told[0].startswith(f"{len(sites)} sites, {sites['length_m'].sum() / 1000:.1f} km of bank: ")
    verdict = json.loads((results / "run.json").read_text())["robustness"]["verdict"]
    assert verdict in " ".join(done.stdout.split())


def test_run_tells_progress_on_standard_error(done, results):
    for stage in ("routing grid", "network", "side scores", "property ranks", "products"):
        assert f"\n{stage}: " in "\n" + done.stderr
    assert {path.name for path in results.iterdir()} >= {
        "ranked.gpkg", "banks.csv", "reaches.csv", "properties.csv", "sites.csv", "profiles.csv", "profiles.svg",
        "sensitivity.csv", "ranked.xlsx", "top.kmz", "report.html",
        "backdrop.tif",
        "stations.parquet", "map.html", "methods.html", "run.json", "run.log",
    }  # fmt: skip


def test_a_second_run_keeps_everything(config, results):
    before = {path.name: path.read_bytes() for path in results.iterdir() if path.is_file()}
    again = gisprio("run", config, "--quiet")
    assert (again.returncode, again.stdout, again.stderr) == (0, "", "")
    stages = json.loads((results / "run.json").read_text())["stages"]
    assert {(stage["ran"], stage["why"]) for stage in stages} == {(0, "unchanged")}
    for name in ("banks.csv", "reaches.csv", "properties.csv", "sites.csv", "stations.parquet", "ranked.gpkg"):
        assert (results / name).read_bytes() == before[name], name


def test_explain_the_run(results):
    said = gisprio("explain", results)
    assert (said.returncode, said.stderr) == (0, "")
    lines = said.stdout.splitlines()
    assert lines[0].startswith("Tiny, gisprio 0.")
    assert "banks: 30" in lines
    assert lines[-1] == CAUTION


def _words(text: str) -> list[str]:
    """Give the words of the methods without marks of points, and without when: a run that kept all leaves the page."""
    return re.sub(r"Started \S+ ?", "", text).replace(" - ", " ").split()


def test_methods_of_the_run(results):
    said = gisprio("methods", results)
    assert (said.returncode, said.stderr) == (0, "")
    lines = said.stdout.splitlines()
    assert lines[0].startswith("Methods of Tiny, run with gisprio 0.")
    assert lines[-1] == CAUTION
    references = json.loads((results / "run.json").read_text())["references"]
    from gisprio.contracts.references import references as listed

    assert [key for key in references if f"   {listed()[key].authors.split(', ')[0]}" not in said.stdout] == []
    page = (results / "methods.html").read_text("utf-8")
    page = re.sub(r"<style>.*?</style>|<title>.*?</title>|<[^>]+>", " ", page, flags=re.DOTALL)
    assert _words(unescape(page)) == _words(said.stdout)
    nowhere = gisprio("methods", results / "nowhere")
    assert nowhere.returncode == 2


def test_explain_the_first_bank_and_property(results):
    import gisprio as library

    opened = library.open_results(results)
    bank = opened.banks.sort_values(["rank", "bank_id"]).iloc[0]
    said = gisprio("explain", results, bank["bank_id"])
    assert said.returncode == 0, said.stderr
    assert f"  Rank 1 of 30; by erosion {bank['erosion_rank']:.0f}, by gap {bank['gap_rank']:.0f}" in said.stdout
    assert f"  Priority {bank['priority']:.2f} of 100: " in said.stdout
    said = gisprio("explain", results, "left-up")
    assert said.returncode == 0, said.stderr
    assert said.stdout.splitlines()[0] == "Property left-up"
    unknown = gisprio("explain", results, "left-upp")
    assert unknown.returncode == 2
    assert unknown.stderr.splitlines()[-1].startswith("  Do: did you mean left-up, left-down")


def test_points_of_the_factors_make_the_score(results):
    """What explain prints adds up: the points of each group are its score, within the rounding of a tenth."""
    import gisprio as library

    opened = library.open_results(results)
    for bank in opened.banks[opened.banks["rank"].notna()].to_dict("records"):
        for group in ("erosion", "gap"):
            rows = [row for row in opened.record["factors"] if row["group"] == group and row["used"]]
            points = sum(bank[f"{row['key']}_score"] * row["weight"] / 1000 for row in rows)
            assert points == pytest.approx(bank[f"{group}_score"], abs=0.06)


def test_another_output_folder(config, tmp_path):
    done = gisprio("run", config, "--out", "here", "--quiet", cwd=tmp_path)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    assert (tmp_path / "here" / "ranked.gpkg").exists()


def test_fields(results):
    """Every field that is listed is in the files, and the other way round."""
    import pyogrio

    from gisprio.contracts.compare import COMPARE_LAYERS
    from gisprio.contracts.layers import ON_DEMAND_LAYERS, RESULT_LAYERS

    listed = json.loads(gisprio("fields", "--json").stdout)
    compared = [layer for layer in COMPARE_LAYERS.values() if layer not in RESULT_LAYERS]
    later = {layer.name for layer in (*ON_DEMAND_LAYERS, *compared)}  # of other commands, with tests of their own
    for name, layer in listed.items():
        if name in later:
            continue
        names = [column["name"] for column in layer["columns"]]
        if layer["file"] == "ranked.gpkg":
            assert list(pyogrio.read_info(results / "ranked.gpkg", layer=name)["fields"]) == names, name
        elif layer["file"].endswith(".csv"):
            assert (results / layer["file"]).read_text("utf-8").splitlines()[0].split(",") == names
        else:
            import geopandas

            assert [*names, "geometry"] == list(geopandas.read_parquet(results / layer["file"]).columns)


def test_python_face_does_the_same(config, tmp_path, results):
    import gisprio as library

    library.run(library.read_settings(config), out=tmp_path / "again")
    record = library.run(library.read_settings(config), out=tmp_path / "again")  # the package by now, not the function
    assert {stage["ran"] for stage in record.stages} == {0}
    assert record.folder == tmp_path / "again"
    assert (tmp_path / "again" / "banks.csv").read_bytes() == (results / "banks.csv").read_bytes()
