"""The stage table: what runs, in which order, on what. It is the best diagram of the program.

``whole`` stages get whole tables. ``piece`` stages are called once a tile with the rows of the tile's own
segments (``core``) and the rows near them (``halo``); tables that are small and needed whole (``as_is``) come
with the halo. Functions are named, not imported: a stage's code is loaded when it runs.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import replace
from importlib import import_module
from typing import Any

from gisprio.contracts import layers
from gisprio.contracts.cards import Stage
from gisprio.contracts.schema import Layer
from gisprio.contracts.settings import Settings

STAGES: tuple[Stage, ...] = (
    Stage(
        "routing_grid",
        "gisprio.compute.terrain.relief:lay_routing_grid",
        "whole",
        reads=(),
        sources=("dem",),
        sections=("dem",),
        writes=("elevation", "survey", "lowest"),
        says="Lays one grid of heights in metres over the area, the finest heights first, each of one survey.",
    ),
    Stage(
        "channels",
        "gisprio.compute.network.channels:draw_streams",
        "whole",
        reads=("streams", "watershed"),
        sources=("elevation",),
        sections=("streams",),
        writes=("stream_lines",),
        kernels="gisprio.compute.terrain.routing:compiled_before",  # first of the two stages that route
        references=("barnes2014", "ocallaghan1984"),
        says="Hands the stream lines on; draws them from the heights where none are given.",
    ),
    Stage(
        "network",
        "gisprio.compute.network.join:join_streams",
        "whole",
        reads=("stream_lines",),
        sources=("elevation",),
        sections=("streams",),
        writes=("segments", "source_parts"),
        references=("strahler1957",),
        says="Joins stream lines at shared ends, turns them downstream, orders them.",
    ),
    Stage(
        "catchments",
        "gisprio.compute.terrain.flow:share_catchments",
        "whole",
        reads=("segments", "watershed"),
        sources=("elevation",),
        sections=("streams",),
        writes=("catchments", "height_above_stream", "plain_area", "flow_direction"),
        references=("barnes2014", "ocallaghan1984", "nobre2011"),
        says="Routes the flow on heights lowered under the lines; gives each piece of stream its ground.",
    ),
    Stage(
        "delivery",
        "gisprio.compute.terrain.delivery:measure_delivery",
        "whole",
        reads=("segments", "catchments", "soils", "legend"),
        sources=("elevation", "survey", "flow_direction", "land_cover"),
        sections=("delivery", "streams"),
        writes=("bank_supply", "concentrated_flow"),
        kernels="gisprio.compute.terrain.delivery:compiled_before",
        references=(
            "mccool1987",
            "mccool1989",
            "desmet_govers1996",
            "panagos2015_ls",
            "panagos2015",
            "borselli2008",
            "cavalli2013",
            "vigiak2012",
        ),
        says="Gives each bank what the hillslope behind it sends: LS x C x K and the share that arrives; finds where "
        "its flow gathers.",
    ),
    Stage(
        "reaches",
        "gisprio.compute.network.reaches:measure_reaches",
        "whole",
        reads=(
            "segments",
            "source_parts",
            "catchments",
            "inflows",
            "water",
            "roads",
            "constraints",
            "sub_watersheds",
            "watershed",
        ),
        sources=("elevation", "survey", "lowest", "plain_area"),
        sections=("streams", "hydraulics", "dem"),
        writes=("reach_measures", "stretches", "profile_points", "knickpoints"),
        says="Tells standing water, pipes under buildings and tidal water; cuts segments into reaches; measures slope, "
        "sinuosity, area, bankfull size, stream power; finds steps.",
    ),
    Stage(
        "visit_places",
        "gisprio.compute.visits.places:place_visits",
        "whole",
        reads=("visits", "segments", "reach_measures"),
        writes=("visit_places",),
        says="Matches field visits that were brought back to the nearest bank of their side, by place.",
    ),
    Stage(
        "islands",
        "gisprio.compute.network.islands:find_islands",
        "whole",
        reads=("segments", "reach_measures"),
        writes=("islands",),
        says="Finds the islands that threads of one stream flow around.",
    ),
    Stage(
        "long_profiles",
        "gisprio.compute.network.profiles:lay_profiles",
        "whole",
        reads=("segments", "reach_measures", "profile_points", "knickpoints"),
        writes=("long_profiles",),
        says="Puts heights, slope and stream power together along each stream, from its mouth to its source.",
    ),
    Stage(
        "passages",
        "gisprio.compute.land.passages:mark_passages",
        "whole",
        reads=("properties", "water", "roads"),
        writes=("parcels",),
        says="Marks river, road and rail parcels, on which no frontage is counted.",
    ),
    Stage(
        "stations",
        "gisprio.compute.banks.stations:lay_stations",
        "piece",
        reads=("segments", "reach_measures", "stretches"),
        halo=("segments",),
        sections=("streams",),
        writes=("stations",),
        says="Lays stations along the segments, square to the smoothed centre line.",
    ),
    Stage(
        "bank_lines",
        "gisprio.compute.banks.bank_lines:find_bank_lines",
        "piece",
        reads=("stations",),
        halo=("water", "bank_lines", "roads", "islands", "segments"),
        sources=("dem", "survey"),
        sections=("dem",),
        writes=("bank_points", "crossing_places"),
        says="Finds the bank line on each transect: given, edge of the water, or half the bankfull width, moved to "
        "both sides of the channel where fine heights show it.",
    ),
    Stage(
        "bank_heights",
        "gisprio.compute.banks.bank_heights:measure_bank_heights",
        "piece",
        reads=("stations", "bank_points", "visit_places"),
        halo=("roads",),
        sources=("dem", "survey"),
        sections=("dem", "streams"),
        writes=("side_heights",),
        kernels="gisprio.compute.banks.bank_profiles:compiled_before",
        references=("usgs_lidar_spec",),
        says="Measures bank height and angle where the heights are fine enough; else says why not. What a visit "
        "measured stands in its place.",
    ),
    Stage(
        "setbacks",
        "gisprio.compute.setbacks.asking:ask_setbacks",
        "piece",
        reads=("stations", "bank_points", "side_heights", "reach_measures"),
        halo=("parcels", "setback_zones"),
        as_is=("source_parts",),
        sources=("dem",),
        sections=("setback",),
        writes=("side_setbacks", "bank_asked"),
        says="Asks the setback rule at each station side how wide a strip should be there, and where it asks for none.",
    ),
    Stage(
        "ownership",
        "gisprio.compute.banks.ownership:share_ground",
        "piece",
        reads=("stations", "bank_points"),
        halo=("segments", "reach_measures"),
        as_is=("stretches",),
        sections=("setback",),
        writes=("side_ground",),
        says="Gives ground to the nearest bank of all streams: how far outward each transect is its own.",
    ),
    Stage(
        "valleys",
        "gisprio.compute.banks.valleys:measure_valleys",
        "piece",
        reads=("stations", "bank_points", "reach_measures"),
        sources=("elevation", "survey", "height_above_stream"),
        sections=("setback",),
        writes=("valleys",),
        says="Measures the valley floor and how far the line lies from the low of the channel.",
    ),
    Stage(
        "works",
        "gisprio.compute.banks.works:find_works",
        "piece",
        reads=("stations", "bank_points", "side_setbacks"),
        halo=("done",),
        sections=("setback", "works"),
        writes=("side_works",),
        says="Finds works already done in the strip beside each station; old planting counts as cover.",
    ),
    Stage(
        "cover",
        "gisprio.compute.banks.cover:measure_cover",
        "piece",
        reads=("bank_points", "side_setbacks", "side_ground", "side_works"),
        halo=("wetlands",),
        as_is=("legend",),
        sources=("land_cover", "canopy"),
        sections=("setback",),
        writes=("side_cover",),
        says="Reads the cover along each transect: buffer width, missing strip, adjacent cover.",
    ),
    Stage(
        "gaps",
        "gisprio.compute.banks.gaps:find_gaps",
        "piece",
        reads=("stations", "bank_points", "side_setbacks", "side_cover", "valleys", "reach_measures"),
        halo=("segments", "reach_measures"),
        as_is=("stretches",),
        sections=("setback", "streams"),
        writes=("gap_pieces", "side_gaps"),
        says="Finds runs of stations whose buffer is narrower than the setback, and the ground they lack.",
    ),
    Stage(
        "further_rules",
        "gisprio.compute.banks.further_rules:judge_further_rules",
        "piece",
        reads=("stations", "bank_points", "side_heights", "valleys", "reach_measures"),
        halo=("parcels", "setback_zones", "segments", "reach_measures", "done", "wetlands"),
        as_is=("source_parts", "stretches", "legend"),
        sources=("dem", "land_cover", "canopy"),
        sections=("setback", "streams", "works"),
        writes=("further_setbacks",),
        says="Judges further setback rules at the same banks.",
    ),
    Stage(
        "mirrors",
        "gisprio.compute.banks.mirrors:sum_mirrors",
        "piece",
        reads=("stations", "bank_points", "side_setbacks", "side_cover", "valleys"),
        writes=("mirrors",),
        says="Sums up how the strip of one bank goes with that of the other, reach by reach.",
    ),
    Stage(
        "soils",
        "gisprio.compute.banks.soils:read_soils",
        "piece",
        reads=("bank_points",),
        halo=("soils",),
        writes=("side_soils",),
        says="Reads the soil at each bank point.",
    ),
    Stage(
        "own_layers",
        "gisprio.compute.banks.own_layers:measure_own_layers",
        "piece",
        reads=("bank_points",),
        sections=("factor", "setback"),
        writes=("side_own_values",),
        says="Measures the layers of the user's own factors at each bank point.",
    ),
    Stage(
        "supply",
        "gisprio.compute.banks.supply:share_supply",
        "piece",
        reads=(
            "stations",
            "bank_points",
            "bank_supply",
            "concentrated_flow",
            "side_cover",
            "side_gaps",
            "reach_measures",
        ),
        writes=("side_supply", "flow_points"),
        says="Gives station sides what the hillslope sends, and says which concentrated flows cross a gap.",
    ),
    Stage(
        "ground",
        "gisprio.compute.banks.ground:measure_ground",
        "piece",
        reads=("stations", "bank_points", "side_setbacks", "side_works", "gap_pieces"),
        halo=("constraints", "roads", "water", "done"),
        sections=("setback", "works"),
        writes=("side_constraints", "bank_ground"),
        says="Measures constraints along each bank, and the ground of its gaps that is free to be planted.",
    ),
    Stage(
        "scars",
        "gisprio.compute.banks.scars:find_scars",
        "piece",
        reads=("stations", "bank_points", "visit_places"),
        halo=("bank_lines",),
        as_is=("eroding",),
        sections=("streams",),
        writes=("side_scars", "scar_banks"),
        says="Finds the stations along banks seen to erode: on a scar, on a visit, or where bank lines of two dates "
        "show retreat.",
    ),
    Stage(
        "side_scores",
        "gisprio.compute.scoring.sides:score_sides",
        "piece",
        reads=(
            "stations",
            "bank_points",
            "side_ground",
            "side_cover",
            "side_gaps",
            "side_soils",
            "side_own_values",
            "side_supply",
            "side_scars",
            "side_constraints",
            "gap_pieces",
            "valleys",
            "side_heights",
            "reach_measures",
        ),
        sections=("priority", "factor", "dem"),
        writes=("side_scores", "bank_measures", "station_results"),
        says="Scores each station side by each factor; gives each bank the score of its worst stretch.",
    ),
    Stage(
        "frontages",
        "gisprio.compute.land.frontages:share_properties",
        "piece",
        reads=("stations", "bank_points", "side_setbacks", "side_cover", "side_gaps", "gap_pieces"),
        halo=("parcels",),
        sections=("setback",),
        writes=("frontages", "joint_gaps"),
        says="Gives each property the bank whose strip lies mostly on it; finds neighbours whose gaps meet.",
    ),
    Stage(
        "site_cuts",
        "gisprio.compute.land.sites:cut_sites",
        "piece",
        reads=(
            "stations",
            "bank_points",
            "side_setbacks",
            "side_cover",
            "side_gaps",
            "side_heights",
            "side_constraints",
            "side_scores",
            "gap_pieces",
            "reach_measures",
        ),
        halo=("parcels", "constraints", "roads", "water", "done", "segments", "reach_measures"),
        as_is=("stretches",),
        sections=("priority", "factor", "setback", "works", "sites"),
        writes=("site_pieces",),
        says="Cuts sites from the scores of stations: stretches of one bank on one property that could be one piece of "
        "work.",
    ),
    Stage(
        "ranks",
        "gisprio.compute.scoring.ranks:rank_banks",
        "whole",
        reads=(
            "reach_measures",
            "bank_measures",
            "bank_asked",
            "further_setbacks",
            "gap_pieces",
            "bank_ground",
            "constraints",
            "roads",
            "visit_places",
        ),
        sections=("priority", "factor", "setback", "hydraulics"),
        writes=("reaches", "banks", "bank_setbacks", "gaps", "factors"),
        says="Puts the factor scores together by exact whole-number keys; ranks banks and reaches.",
    ),
    Stage(
        "landmarks",
        "gisprio.compute.land.landmarks:place_landmarks",
        "whole",
        reads=(
            "segments",
            "reach_measures",
            "knickpoints",
            "crossing_places",
            "bank_measures",
            "constraints",
            "done",
            "eroding",
            "scar_banks",
        ),
        sections=("setback", "works"),
        writes=("crossings", "shown_knickpoints", "shown_constraints", "works_done", "scars"),
        says="Puts together what a map shows along the streams: crossings, steps, constraints, works done, scars.",
    ),
    Stage(
        "line_offsets",
        "gisprio.compute.scoring.line_offsets:judge_line_offsets",
        "whole",
        reads=("segments", "reach_measures", "bank_measures", "mirrors", "gaps"),
        sections=("setback",),
        writes=("judged_gaps",),
        says="Finds gaps that mirror each other as beside a shifted line, and makes them uncertain.",
    ),
    Stage(
        "sites",
        "gisprio.compute.land.site_ranks:rank_sites",
        "whole",
        reads=(
            "site_pieces",
            "banks",
            "factors",
            "judged_gaps",
            "segments",
            "reach_measures",
            "knickpoints",
            "crossings",
            "constraints",
        ),
        sections=("priority", "factor", "sites"),
        writes=("sites",),
        says="Ranks sites as banks are ranked; says what each asks for, what to ask before, and which go together.",
    ),
    Stage(
        "property_ranks",
        "gisprio.compute.land.ranks:rank_properties",
        "whole",
        reads=("frontages", "joint_gaps", "banks", "reach_measures", "properties", "sites"),
        writes=("ranked_properties", "shown_frontages"),
        says="Ranks properties by priority times metres of gap.",
    ),
    Stage(
        "visits",
        "gisprio.compute.visits.judging:judge_visits",
        "whole",
        reads=("visits", "visit_places", "reach_measures", "banks", "factors"),
        sections=("priority",),
        writes=("shown_visits", "visit_agreement", "monitoring"),
        says="Gives each field visit the published field index of bank erosion hazard, kept apart from every score; "
        "says how well the scores agree with what was seen; puts in order what visits of several dates saw at a place.",
    ),
    Stage(
        "draws",
        "gisprio.compute.scoring.robustness:draw_ranks",
        "whole",
        reads=("reach_measures", "reaches", "banks", "factors", "frontages", "ranked_properties"),
        sections=("priority", "robustness"),
        writes=("drawn_reaches", "drawn_banks", "drawn_properties", "robustness", "sensitivity"),
        references=("lahdelma_salminen2001",),
        says="Ranks again under other weights and with errors on the scores; says how far ranks move and why.",
    ),
)

RESULT_TABLES = {
    "reaches": "drawn_reaches",
    "banks": "drawn_banks",
    "bank_setbacks": "bank_setbacks",
    "gaps": "judged_gaps",
    "sites": "sites",
    "flow_points": "flow_points",
    "crossings": "crossings",
    "knickpoints": "shown_knickpoints",
    "constraints": "shown_constraints",
    "works_done": "works_done",
    "scars": "scars",
    "visits": "shown_visits",
    "monitoring": "monitoring",
    "long_profiles": "long_profiles",
    "properties": "drawn_properties",
    "frontages": "shown_frontages",
}
"""Result layer and the table it is. Findings are gathered by the engine, stations are streamed."""

STATION_TABLE = "station_results"
"""The table that goes to ``stations.parquet`` tile by tile and is never whole."""

FACTOR_TABLES = ("side_scores", "site_pieces", "bank_measures", "banks", "drawn_banks", "station_results")
"""Tables that carry the columns of the factor cards besides their own."""

_OTHER_NAMES = {
    "stream_lines": "STREAMS",
    "properties": "PARCELS",
    "parcels": "PARCELS_MARKED",
    "judged_gaps": "GAPS",
    "ranked_properties": "PROPERTIES",
    "drawn_reaches": "REACHES",
    "drawn_banks": "BANKS",
    "drawn_properties": "PROPERTIES",
}


def promised(table: str, settings: Settings | None = None) -> Layer | None:
    """Give the layer a table is held to, factor columns included; None where contracts name none.

    Parameters
    ----------
    table
        Name of a table as the stage table writes it.
    settings
        Settings of the run, for the columns of the user's own factors; without them there are none.
    """
    layer = getattr(layers, layer_name(table), None)
    if not isinstance(layer, Layer):
        return None
    if table not in FACTOR_TABLES:
        return layer
    from gisprio.compute.factors import FACTORS, factors_of, layer_with_factors

    return layer_with_factors(layer, FACTORS if settings is None else factors_of(settings))


def layer_name(table: str) -> str:
    """Give the name by which ``contracts/layers.py`` calls the layer of a table, whether or not there is one.

    >>> layer_name("ranked_properties"), layer_name("side_gaps")
    ('PROPERTIES', 'SIDE_GAPS')
    """
    return _OTHER_NAMES.get(table, table.upper())


def with_own_layers(stages: Sequence[Stage], tables: Collection[str], grids: Collection[str]) -> tuple[Stage, ...]:
    """Give a stage table whose stage ``own_layers`` reads the layers of the user's own factors.

    Parameters
    ----------
    stages
        The stage table.
    tables, grids
        Names of what the inputs give; those of own layers begin with ``own_``.
    """
    features, rasters = (
        tuple(sorted(name for name in names if name.startswith(layers.OWN_PREFIX))) for names in (tables, grids)
    )
    return tuple(
        replace(stage, as_is=features, sources=rasters) if stage.name == "own_layers" else stage for stage in stages
    )


def with_work(stages: Sequence[Stage], settings: Settings) -> tuple[Stage, ...]:
    """Give a stage table without the stages that have nothing to do under these settings; their tables are empty."""
    given, rules = bool(settings.layers.visits), bool(settings.setback.also)
    works = {"further_rules": rules, "visit_places": given, "visits": given}
    return tuple(stage for stage in stages if works.get(stage.name, True))


def needs_compiling(stage: Stage) -> bool:
    """Say whether a stage will have to compile its kernels, as in the first run on a machine."""
    if not stage.kernels:
        return False
    module, name = stage.kernels.split(":")
    compiled_before: Callable[[], bool] = getattr(import_module(module), name)
    return not compiled_before()


def stage_function(stage: Stage) -> Callable[..., dict[str, Any]]:
    """Import the function of a stage."""
    module, name = stage.function.split(":")
    function: Callable[..., dict[str, Any]] = getattr(import_module(module), name)
    return function
