"""Explanations and reading results back, on a result folder made by hand."""

from __future__ import annotations

import json
import shutil

import pytest

from gisprio.contracts.errors import InputError
from gisprio.contracts.words import CAUTION
from gisprio.run.explain import behind, combined_in_words, explain_id, explain_run
from gisprio.run.results import open_results
from unit.run.results_world import make_results_folder


@pytest.fixture
def results(tmp_path):
    return make_results_folder(tmp_path)


NEAR = {
    "unit_stream_power_score": [60.0, 80.0, None], "outer_bend_score": [40.0, 50.0, None],
    "outer_bend_basis": ["measured", "default", "missing"], "missing_strip_score": [80.0, 50.0, None],
    "erosion_score": [50.0, 65.0, None], "gap_score": [80.0, 50.0, None], "priority": [63.25, 57.01, None],
    "subsoil_fines_pct": [12.4, None, None], "subsoil_fines_score": [88.1, None, None],
    "rank_p05": [1.0, 1.0, None], "rank_p50": [1.0, 2.0, None], "rank_p95": [2.0, 2.0, None],
    "top_share": [0.84, 0.16, None],
}  # fmt: skip
"""Two banks near each other: E x G is 5000 x 8000 and 6500 x 5000."""


@pytest.fixture
def near(tmp_path):
    return make_results_folder(tmp_path, columns=NEAR, robustness={"top_n": 1})


def test_a_bank_term_by_term(near):
    assert explain_id(near, "ab1-1-L").splitlines() == [
        "Bank ab1-1-L: left bank of Tansy Brook, 200 m, natural",
        "  Likely to erode and short of cover.",
        "  setback 30.0 m (fixed_width, own target), measured from: water_edge",
        "  buffer width 3.2 m (median), gap 200 m, 5400 m2, adjacent cover: pasture",
        "",
        "  Erosion score 50.00 of 100",
        "    Unit stream power: 42.0 W/m2 (modelled), score 60.0 x weight 50 % = 30.00 points; in the",
        "      score: times 0.75, freedom to move [Brookes 1987: numbers from memory, in part own]",
        "    Outer bend: 0.40 (measured), score 40.0 x weight 50 % = 20.00 points [Federal Highway",
        "      Administration 2005: published]",
        "    Subsoil fines: 12 percent (measured), score 88.1, not ranked on [Julian and Torres 2006:",
        "      published]",
        "    Neither ranked on nor known here: Bank angle",
        "",
        "  Gap score 80.00 of 100",
        "    Missing strip: 0.80 share (measured), score 80.0 x weight 100 % = 80.00 points [own]",
        "",
        "  Priority 63.25 of 100: 50.00 ^ 0.5 x 80.00 ^ 0.5 (geometric; a score counts as 10 at least)",
        "  Need: erosion and gap both reach the threshold (50)",
        "  Rank 1 of 2; by erosion 1, by gap 1",
        "  In 90 % of 2,000 draws of weights and errors its rank is 1 to 2, in half of them 1 or better;",
        "    in the top 1 in 84 %.",
        "",
        "  What would change its rank: one score, or the weights, all else held",
        "    Out of the first 1: Unit stream power at 41.2 or less, or Outer bend at 21.2 or less, or",
        "      Missing strip at 64.9 or less.",
        "    All 2 ranked banks are among the first 10.",
        "    Weights of erosion and gap: 65 and 35 % (now 50 and 50 %) would bring it out of the first 1.",
        "    No value it is ranked on is missing.",
        "",
        CAUTION,
    ]
    assert round(50.0**0.5 * 80.0**0.5, 2) == 63.25


def test_what_would_bring_a_bank_in(near):
    lines = explain_id(near, "ab1-1-R").splitlines()
    start = lines.index("  What would change its rank: one score, or the weights, all else held")
    assert lines[start + 1 : -2] == [
        "    Into the first 1: Outer bend at 80.0 or more, or Missing strip at 61.6 or more; nothing",
        "      within 0..100 of Unit stream power would.",
        "    All 2 ranked banks are among the first 10.",
        "    Weights of erosion and gap: 65 and 35 % (now 50 and 50 %) would bring it into the first 1.",
        "    Go and look at what is not known: Outer bend, by which alone its rank may be 1 to 2.",
    ]


def test_of_two_unknown_values_the_one_that_opens_the_rank_most_comes_first(tmp_path):
    unknown = {**NEAR, "unit_stream_power_basis": ["modelled", "default", "missing"]}
    lines = explain_id(make_results_folder(tmp_path, columns=unknown), "ab1-1-R").splitlines()
    assert lines[-4:-2] == [
        "    Go and look at what is not known: Outer bend, by which alone its rank may be 1 to 2; then",
        "      Unit stream power, by which alone it stays.",
    ]


def test_nothing_brings_in_a_bank_that_is_lower_in_both(tmp_path):
    text = explain_id(make_results_folder(tmp_path, robustness={"top_n": 1}), "ab1-1-R")
    assert "In 90 %" not in text
    assert (
        "    Into the first 1: nothing within 0..100 of Unit stream power, Outer bend, Missing strip\n"
        "      would.\n"
    ) in text  # fmt: skip
    assert "    Weights of erosion and gap: nothing within 0..100 % would bring it into the first 1.\n" in text


def test_where_all_are_in_the_top_nothing_can_change_that(results):
    text = explain_id(results, "ab1-1-L")
    assert "    All 2 ranked banks are among the first 10.\n    All 2 ranked banks are among the first 20.\n" in text
    assert "    Weights of erosion and gap: all ranked banks are in the top whatever they are.\n" in text


def test_results_that_do_not_give_their_own_ranks_are_not_explained_further(tmp_path):
    text = explain_id(make_results_folder(tmp_path, columns={"rank": [2, 1, None]}), "ab1-1-L")
    assert text.endswith(
        "  What would change its rank: one score, or the weights, all else held\n"
        "    Not told: these results do not give their own ranks again. Run again with this gisprio.\n"
        f"\n{CAUTION}"
    )


def test_sources_and_how_far_they_were_seen():
    assert behind({"source": "own", "status": "own: no published break"}) == "own"
    assert behind({"source": "config"}) == "your own, from the config"
    assert behind({"source": "hec15", "status": "levels unknown"}) == "Federal Highway Administration 2005: published"
    memory = {"source": "brookes1987", "status": "breaks published (numbers from memory); levels own"}
    assert behind(memory) == "Brookes 1987: numbers from memory, in part own"


def test_a_score_under_the_floor_counts_as_ten(results):
    text = explain_id(results, "ab1-1-R")
    assert "Priority 17.32 of 100: 30.00 ^ 0.5 x 10.00 ^ 0.5 (geometric" in text
    assert round(30.0**0.5 * 10.0**0.5, 2) == 17.32


def test_a_bank_that_is_not_ranked(results):
    text = explain_id(results, "cd2-1-L")
    assert "Bank cd2-1-L: left bank of a stream without a name, 150 m, ditch" in text
    assert "Unit stream power: null (missing), score null x weight 50 % = null points; in the" in text
    assert "What would change" not in text
    assert text.endswith(f"\n  Not ranked: a ditch.\n\n{CAUTION}")


def test_weighted_sum_in_words():
    priority = {"combine": "weighted_sum", "weights": {"erosion": 3.0, "gap": 1.0}}
    assert combined_in_words(priority, 50.0, 80.0) == "75 % of 50.00 + 25 % of 80.00"
    assert combined_in_words(priority, 50.0, float("nan")) == "the erosion score alone, the other is not known"


def test_a_property_and_its_banks(results):
    assert explain_id(results, "P-17").splitlines() == [
        "Property P-17",
        "  frontage 200 m, gap 120 m, 3000 m2",
        "  Priority 40.28 of 100: mean of its ranked banks, weighed by frontage",
        "  Priority times metres of gap on ranked banks: 4833.6; rank 1 of 2",
        "  In 90 % of 2,000 draws of weights and errors its rank is 1 to 2; in the top 20 in 100 %.",
        "  Its gap meets that of P-18, P-9: 80 m of it run on onto them or lie opposite theirs.",
        "",
        "  ab1-1-L: 100 m of frontage, gap 120 m, priority 63.25, rank 1; that gap closed, the property has rank 1",
        "  ab1-1-R: 100 m of frontage, gap 0 m, priority 17.32, rank 2",
        "  Carried most by ab1-1-L, 100 % of its gap. Gap closed: by the keys, all priorities and other",
        "    properties held.",
        "  Neighbours on these banks: P-18 on ab1-1-R (gap 0 m).",
        "",
        CAUTION,
    ]


def test_a_property_without_gap_on_ranked_banks_has_none_to_close(results):
    assert explain_id(results, "P-18").splitlines()[5:] == [
        "  ab1-1-R: 80 m of frontage, gap 0 m, priority 17.32, rank 2",
        "  Neighbours on these banks: P-17 on ab1-1-R (gap 0 m).",
        "",
        CAUTION,
    ]


def test_a_property_without_the_store(results):
    shutil.rmtree(results / ".gisprio")
    assert "  Its banks are not listed: the store (.gisprio) was cleaned; run again." in explain_id(results, "P-17")


def test_a_site_where_it_was_cut_and_what_to_ask(tmp_path):
    results = make_results_folder(tmp_path, with_sites=True)
    assert explain_id(results, "ab1-1-L-S1").splitlines() == [
        "Site ab1-1-L-S1: 40 m of bank ab1-1-L (Tansy Brook), on property P-17",
        "  from 0 to 40 m upstream of the reach's lower end; strip 30.0 m wide, 1200 m2, of it to plant 600 m2; "
        "gap 40 m (clear)",
        "  Cut where stations score 50 or more ([sites] score_at), interruptions up to 20 m bridged;",
        "    parted at crossings, reaches and properties; shorter than 20 m dropped, longer than 200 m",
        "    split.",
        "  Measure: plant. 50% of the strip has no cover that counts.",
        "",
        "  Erosion score 50.00 of 100",
        "    Unit stream power: 42.0 W/m2 (modelled), score 60.0 x weight 50 % = 30.00 points; in the",
        "      score: times 0.75, freedom to move [Brookes 1987: numbers from memory, in part own]",
        "    Outer bend: null (missing), score null x weight 50 % = null points [Federal Highway",
        "      Administration 2005: published]",
        "    Neither ranked on nor known here: Subsoil fines, Bank angle",
        "",
        "  Gap score 80.00 of 100",
        "    Missing strip: 0.50 share (measured), score 50.0 x weight 100 % = 50.00 points [own]",
        "",
        "  Priority 63.25 of 100: 50.00 ^ 0.5 x 80.00 ^ 0.5 (geometric; a score counts as 10 at least)",
        "  Rank 1 of 2 sites",
        "  Goes together with ab1-1-L-S2, ab1-1-R-S1, on P-18.",
        "",
        "  Ask first (prompts, not advice)",
        "    - Have buried lines located.",
        "",
        CAUTION,
    ]
    second = explain_id(results, "ab1-1-L-S2")
    assert "bank ab1-1-L (a stream without a name), on no property known" in second
    assert "score 90.0 x weight 100 %" in second
    assert "Ask first" not in second


def test_a_site_without_the_store(tmp_path):
    results = make_results_folder(tmp_path, with_sites=True, with_store=False)
    assert "  Its factors are not listed: the store (.gisprio) was cleaned; run again." in explain_id(
        results, "ab1-1-L-S1"
    )


def test_an_unknown_id_names_the_nearest(results):
    with pytest.raises(InputError) as caught:
        explain_id(results, "p17")
    assert caught.value.report() == (
        "InputError: there is no bank, property or site 'p17' in these results.\n"
        "  Wanted: a bank_id, property_id or site_id as banks.csv, properties.csv and sites.csv hold them.\n"
        "  Do: did you mean P-17, P-18?"
    )
    with pytest.raises(InputError, match="look it up there, or click it on the map"):
        explain_id(results, "something else entirely")


def test_the_run(results):
    assert explain_run(results).splitlines() == [
        "Tansy Brook, gisprio 0.1",
        "started 10:00, finished 10:01",
        "",
        "network          ran      0.25 s  first run in this folder",
        "gaps             ran      1.50 s  changed: [setback] (tiles: 1 ran, 3 kept)",
        "",
        "banks: 3",
        "ranked_banks: 2",
        "ranked_properties: 2",
        "findings: 0 errors, 1 warnings, 2 notes",
        "",
        CAUTION,
    ]


def test_layers_come_back(results):
    opened = open_results(results)
    assert opened.banks["bank_id"].tolist() == ["ab1-1-L", "ab1-1-R", "cd2-1-L"]
    assert opened.banks.geometry.length.tolist() == [200.0] * 3
    assert opened.properties.crs.to_epsg() == 32633
    assert (len(opened.reaches), len(opened.gaps), len(opened.bank_setbacks), len(opened.findings)) == (1, 1, 1, 1)
    with pytest.raises(InputError) as caught:
        opened.stations  # noqa: B018 - reading it is the point
    assert caught.value.report() == (
        f"InputError: {results / 'stations.parquet'} is not there, though run.json names it.\n"
        "  Wanted: a whole result folder.\n"
        "  Do: run again; what is kept in .gisprio makes that quick."
    )


WHAT_IT_IS = "  Wanted: a folder that gisprio run wrote, as [run] output names it.\n" \
    "  Do: give that folder, or run gisprio run CONFIG first."  # fmt: skip


def refused(folder) -> str:
    with pytest.raises(InputError) as caught:
        open_results(folder)
    return caught.value.report()


def test_what_is_no_result_folder(tmp_path):
    (tmp_path / "file").touch()
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "run.json").write_text('{"made": "by something else"}')
    said = {
        "nothing": "there is nothing of that name.",
        "file": "it is a file.",
        ".": "it holds no run.json.",
        "other": "its run.json is not one of gisprio's.",
    }
    for name, says in said.items():
        folder = tmp_path / name
        assert refused(folder) == f"InputError: {folder} is not a result folder: {says}\n{WHAT_IT_IS}"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["file", "other"]


def test_results_of_a_newer_gisprio(results):
    record = json.loads((results / "run.json").read_text())
    (results / "run.json").write_text(json.dumps({**record, "format": 2, "gisprio": "9.0"}))
    assert refused(results) == (
        f"InputError: {results} was written by gisprio 9.0, which is newer than this one.\n"
        "  Wanted: run.json of format 1, not 2.\n"
        "  Do: use that version, or run again with this one."
    )
