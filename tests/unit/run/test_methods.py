"""The methods, told of a small run whose text is known to the letter; and laws over everything there is to tell."""

from __future__ import annotations

import json

import pytest

from gisprio.compute.factors import FACTORS
from gisprio.compute.network.hydraulics import CURVES
from gisprio.contracts import constants
from gisprio.contracts.constants import Constant
from gisprio.contracts.decisions import Decision
from gisprio.contracts.errors import InputError
from gisprio.contracts.references import keys_in, references
from gisprio.contracts.words import CAUTION
from gisprio.run import ran
from gisprio.run.lines import WIDTH
from gisprio.run.methods import methods_text, sources, text_of
from gisprio.run.ran import everything, of_run
from gisprio.run.record import settings_as_config
from gisprio.run.stages import STAGES
from unit.run.fake_chain import make_settings

HELD = {"code": "gisprio.run.ran:of_run", "test": "tests/unit/run/test_methods.py::test_a_small_run_to_the_letter"}
DECISIONS = (
    Decision("network", "Ends nearer than {streams.snap_m} m are one.", "own", **HELD),
    Decision("network", "Never told: no inflows were given.", "own", **HELD, layer="inflows"),
    Decision("network", "Told: no roads were given.", "common practice, no source", **HELD, layer="not roads"),
    Decision("valleys", "Floor up to {VALLEY_RISE_DEPTHS} depths.", "nobre2011", **HELD, numbers=("CONFINED_RATIO",)),
    Decision("works", "Never told: no works were given.", "own", **HELD),
    Decision("side_scores", "Never told: nothing is known of angles.", "own", **HELD, factor="bank_angle"),
    Decision("side_scores", "Known on {priority.factor_coverage %} or more.", "own", **HELD, factor="outer_bend"),
    Decision("ranks", "Never told: it is no sum.", "own", **HELD, when="priority.combine = weighted_sum"),
    Decision("ranks", "The mean is geometric.", "own", **HELD, when="priority.combine = geometric"),
    Decision("ranks", "Never told: nothing was judged in pairs.", "saaty1980", **HELD, when="priority.pairwise"),
)


def row(key: str, **changes: object) -> dict[str, object]:
    card = ran.CARDS[key]
    return {
        "key": key, "group": card.group, "title": card.title, "unit": card.unit, "value_column": card.value_column,
        "neutral": card.neutral, "says": "What it is.", "floors": card.floors, "scaled_says": card.scaled_says,
        "source": card.source, "status": "as tested", "nodes": "0: 0; 1: 1", "weight": 0, "given_weight": 0.0,
        "known_share": 0.0, "used": False, **changes,
    }  # fmt: skip


def record(tmp_path, *stages: str, **sections: dict) -> dict[str, object]:
    did = [{"name": name, "ran": 1, "kept": 0} for name in stages]
    return {
        "format": 1, "gisprio": "0.1", "name": "Tansy Brook", "started": "10:00", "finished": "10:01",
        "settings": settings_as_config(make_settings(tmp_path, **sections)), "inputs": {"dem": "d", "streams": "s"},
        "stages": [*did, {"name": "islands", "ran": 0, "kept": 0}],
        "factors": [
            row("unit_stream_power", weight=1000, given_weight=50.0, known_share=0.995, used=True),
            row("outer_bend", given_weight=50.0, known_share=0.5),
            row("observed_erosion", known_share=0.02),
            row("bank_angle"),
        ],
        "robustness": {"verdict": "2 of the top 3 stay."},
    }  # fmt: skip


@pytest.fixture
def few(monkeypatch):
    monkeypatch.setattr(ran, "decisions", lambda: DECISIONS)


def test_a_small_run_to_the_letter(tmp_path, few):
    told = text_of(of_run(record(tmp_path, "network", "valleys", "works", "side_scores", "ranks", "draws")))
    assert told.splitlines() == [
        "Methods of Tansy Brook, run with gisprio 0.1",
        "Started 10:00. Only what ran is listed.",
        "In brackets: the published source, with its status where a number was taken (verified: a text",
        "showing it was seen; memory: nobody had the text open); own: our choice, without a source.",
        "",
        "1. Network",
        "   Joins stream lines at shared ends, turns them downstream, orders them. [Strahler 1957]",
        "   - Ends nearer than 1 m are one. [own]",
        "   - Told: no roads were given. [common practice, no source]",
        "",
        "2. Valleys",
        "   Measures the valley floor and how far the line lies from the low of the channel.",
        "   - Floor up to 2 depths. [Nobre and others 2011]",
        "   Numbers",
        "     2 bankfull depths: Ground up to this far above the low of the channel is valley floor.",
        "       [own]",
        "     2 valley width / channel width: Median of confined valleys. [Nagel and others 2014,",
        "       verified]",
        "",
        "3. Side scores",
        "   Scores each station side by each factor; gives each bank the score of its worst stretch.",
        "   - Known on 80 % or more. [own]",
        "   Factors: value, and its score of 0 to 1 at nodes of the value function, linear between them",
        "     Unit stream power (unit_stream_power_w_m2, W/m2): 100 % of the erosion score, known on",
        "       99.5 % of ranked banks",
        "       What it is.",
        "       Score (in the logarithm of the value): 0: 0; 1: 1. In the score: times freedom to move:",
        "       valley width over channel width, 2 gives 0 and 10 gives 1. Where missing: 0.5, and any",
        "       score in the draws.",
        "       Off in the draws, standard deviations [own]: 0.3 of its logarithm by the regional curve;",
        "       1 of its logarithm by heights along the stream, times the error of the slope; 0.2 of its",
        "       logarithm by each bank by itself.",
        "       Source: Brookes 1987; Nanson and Croke 1992; Nagel and others 2014. Status: as tested.",
        "     Outer bend (outer_bend, widths): weight 50 asked for, but not in the erosion score, shown",
        "       only: known on 50.0 % of ranked banks",
        "       What it is.",
        "       Score: 0: 0; 1: 1.",
        "       Source: Federal Highway Administration 2005; Sylvester and others 2019; Hickin and Nanson",
        "       1984. Status: as tested.",
        "     Observed erosion (observed_erosion, share): no weight; the erosion score is never below it",
        "       What it is.",
        "       Score: 0: 0; 1: 1.",
        "       Status: as tested.",
        "",
        "4. Ranks",
        "   Puts the factor scores together by exact whole-number keys; ranks banks and reaches.",
        "   - The mean is geometric. [own]",
        "   Priority: geometric mean of erosion 50 % and gap 50 %. Ranked: natural streams. Need from a",
        "     score of 50.",
        "",
        "5. Draws",
        "   Ranks again under other weights and with errors on the scores; says how far ranks move and",
        "   why. [Lahdelma and Salminen 2001]",
        "   Draws: 2,000, seed 1, spread of weights 33 % of each, errors times 1, top 20.",
        "   Verdict: 2 of the top 3 stay.",
        "",
        "Sources",
        *SOURCES,
        "",
        CAUTION,
    ]


SOURCES = [
    "   Brookes A (1987). The distribution and management of channelized streams in Denmark; recovery",
    "     of straightened channels. Earth Surface Processes and Landforms 12:337-351.",
    "     Taken: 35 W/m2 at bankfull, above which straightened lowland channels recovered by erosion.",
    "       Seen: from memory, unverified.",
    "   Federal Highway Administration (2005). Design of roadside channels with flexible linings,",
    "     HEC-15, third edition. FHWA.",
    "     Taken: bend shear factor K_b against radius over top width. Seen: open code and the text of",
    "       HEC-22.",
    "   Hickin EJ, Nanson GC (1984). Lateral migration rates of river bends. Journal of Hydraulic",
    "     Engineering 110(11):1557-1567.",
    "     Taken: that migration of 189 bends was fastest at a radius of 2.5 to 3 widths. Seen: a",
    "       secondary text on the migration of bends.",
    "   Lahdelma R, Salminen P (2001). SMAA-2: stochastic multicriteria acceptability analysis for",
    "     group decision making. Operations Research 49(3).",
    "     Taken: share of draws of weights and uncertain criteria in which an alternative takes a",
    "       rank. Seen: rank shares in an open code; the paper from memory.",
    "   Nagel DE and others (2014). A landscape scale valley confinement algorithm. USDA Forest",
    "     Service RMRS-GTR-321.",
    "     Taken: medians of valley width over channel width: about 2 confined, about 10 unconfined.",
    "       Seen: federal guide text.",
    "   Nanson GC, Croke JC (1992). A genetic classification of floodplains. Geomorphology 4:459-486.",
    "     Taken: 10 and 300 W/m2 between low, medium and high energy flood plains. Seen: three",
    "       classes in the abstract; the numbers from memory, unverified.",
    "   Nobre AD, Cuartas LA, Hodnett M, Renno CD, Rodrigues G, Silveira A, Waterloo M, Saleska S",
    "     (2011). Height above the nearest drainage, a hydrologically relevant new terrain model.",
    "     Journal of Hydrology 404:13-29.",
    "     Taken: height above the stream cell that a cell drains to. Seen: open terrain code; the",
    "       entry from memory, unverified.",
    "   Strahler AN (1957). Quantitative analysis of watershed geomorphology. Transactions AGU",
    "     38:913.",
    "     Taken: stream order. Seen: open terrain code.",
    "   Sylvester Z, Durkin P, Covault JA (2019). High curvatures drive river meandering. Geology",
    "     47(3):263.",
    "     Taken: migration grows with curvature, with a lag downstream, and does not slow in tight",
    "       bends. Seen: abstract.",
]


CURVE = """
   Regional curve: A drainage area in km2, width and depth in m
     mine.toml (the user's own curve): width 3 A^0.4, depth 0.3 A^0.3, discharge 0.5 A^0.8 m3/s;
       discharge of once in 1.5 years; range not known; setting not stated [your own, from the
       config, the file given: given by the user]
"""
SETBACK = """
   Setback: rule fixed_width, 12.5 m, kind: statute. One width for every bank, from the bank
     line outward. Counts as cover: woody, wetland; natural without trees: bare, other.
"""


def test_curve_and_setback_are_those_of_the_run(tmp_path, few):
    own = {"units": "si", "width": [3.0, 0.4], "depth": [0.3, 0.3], "discharge": [0.5, 0.8], "return_period_y": 1.5}
    told = text_of(
        of_run(
            record(
                tmp_path, "reaches", "cover", hydraulics={"curve": "mine.toml", "own_curve": own},
                setback={"width_m": 12.5, "kind": "statute", "natural": ["bare", "other"]},
            )
        )
    )  # fmt: skip
    assert CURVE in told
    assert SETBACK in told
    assert "bieger2015" not in {source.key for source in sources(of_run(record(tmp_path, "network")))}
    assert "bieger2015" in {source.key for source in sources(of_run(record(tmp_path, "reaches")))}


def test_a_folder_tells_its_run_and_no_folder_everything(tmp_path):
    folder = tmp_path / "results"
    folder.mkdir()
    (folder / "run.json").write_text(json.dumps(record(tmp_path, "network")))
    assert methods_text(folder).startswith("Methods of Tansy Brook, run with gisprio 0.1\n")
    assert methods_text().startswith("Methods of gisprio 0.1")
    with pytest.raises(InputError, match="is not a result folder: there is nothing of that name"):
        methods_text(tmp_path / "nowhere")


def test_a_setting_that_an_older_run_did_not_know_has_its_default(tmp_path):
    old = record(tmp_path, "network")
    del old["settings"]["streams"]["snap_m"]
    assert of_run(old).setting("streams.snap_m") == 1.0
    assert "Ends of lines nearer than 1 m are one node" in text_of(of_run(old)).replace("\n     ", " ")


def test_everything_is_told_once_and_fits_a_terminal():
    told = text_of(everything())
    lines = told.splitlines()
    assert lines[-1] == CAUTION
    assert max(len(line) for line in lines[:-1]) <= WIDTH
    flat = " ".join(told.split())
    for number, stage in enumerate(STAGES, 1):
        assert f"{number}. {stage.name.replace('_', ' ').capitalize()} {stage.says}" in flat
    for card in (registered.card for registered in FACTORS):
        assert flat.count(f"{card.title} ({card.value_column}") == 1
    for curve in CURVES.values():
        assert f"{curve.name} ({curve.title}): width " in flat
    for one in ran.decisions():
        assert one.sentence(everything().number) in flat
    assert "[own; without streams]" in flat
    assert "[own; if priority.combine = geometric]" in flat


def test_every_published_number_is_told_below_a_stage():
    """A new constant is named in a sentence of contracts/decisions.toml, or in its ``numbers``."""
    told = {name for one in ran.decisions() for name in one.constants}
    assert {name for name, value in vars(constants).items() if isinstance(value, Constant)} - told == set()


def test_every_source_is_cited_by_what_is_told_and_every_cited_key_is_a_source():
    whole = everything()
    assert {source.key for source in sources(whole)} == set(references())
    cards = [registered.card.source for registered in FACTORS]
    keys = [key for stage in STAGES for key in stage.references] + [curve.source for curve in CURVES.values()]
    keys += [key for source in cards for key in source.split(", ") if key != "own"]
    assert keys_in(", ".join(keys)) == keys


def test_what_did_not_run_is_not_told(tmp_path):
    told = text_of(of_run(record(tmp_path, "network", "works", "own_layers", "frontages", "side_scores")))
    headings = [line for line in told.splitlines() if line[:1].isdigit()]
    assert headings == ["1. Network", "2. Side scores"]
    for card in (registered.card for registered in FACTORS):
        shown = card.key in ("unit_stream_power", "outer_bend", "observed_erosion")
        assert (f"({card.value_column}" in told) == shown
    assert "Rosgen" not in told
