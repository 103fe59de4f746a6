"""Every layer that crosses a stage border, and every layer of the results.

Numbers of segments, reaches and stations (``*_no``) are row positions inside one run; ids (``*_id``) are text,
made from position, for people and outputs. Distances along a segment (``from_m``, ``to_m``, ``at_m``) are
measured upstream from the segment's downstream end. Side: 0 left, 1 right, looking downstream.
"""

from __future__ import annotations

from gisprio.contracts.costs import COST_KINDS
from gisprio.contracts.schema import Column, Geometry, Layer
from gisprio.contracts.visits import (
    FIELD_CLASSES,
    MATERIALS,
    MONITORED,
    MOST_PLANTS,
    SEEN_AT,
    STRATIFICATIONS,
    VERDICTS,
)
from gisprio.contracts.words import (
    BANK_LINE_BASES,
    BASES,
    COVERS,
    CROSSING_KINDS,
    GAP_DOUBTS,
    HEIGHT_CODES,
    MEASURES,
    NEEDS,
    SETBACK_KINDS,
    SIDES,
    SITE_KINDS,
    STREAM_KINDS,
)
from gisprio.contracts.works import ITEM_KEYS, WORK_BASES, WORK_CHECKS

C = Column
# fmt: off


def _basis(of: str) -> Column:
    return C(f"{of}_basis", "text", f"How {of.replace('_', ' ')} was got.", among=BASES)


# ---------------------------------------------------------------- layers as inputs hands them on

STREAMS = Layer(
    "streams", "line", (), "Stream lines as drawn, single parts, two dimensions.",
    (
        C("source_id", "text", "The data's own id.", null=True),
        C("name", "text", "Name of the stream.", null=True),
        C("kind", "text", "What the line is.", among=STREAM_KINDS),
        C("class", "text", "Class of the stream, as the data name it.", null=True),
        C("area_km2", "float", "Drainage area given by the data.", "km2", null=True, low=0),
        C("divergence", "int", "2 on the minor path of a divergence, 0 or 1 elsewhere, as the data say.", null=True, low=0, high=2),
    ),
)
INFLOWS = Layer(
    "inflows", "point", (), "Places where a stream enters with a drainage area that is known.",
    (C("area_km2", "float", "Whole drainage area of the stream there.", "km2", low=0),),
)
PARCELS = Layer(
    "properties", "polygon", ("property_id",), "Land parcels, one row an id.",
    (
        C("property_id", "text", "The parcel's id."),
        C("class", "text", "Use of the parcel as the data names it.", null=True),
    ),
)
PARCELS_MARKED = Layer(
    "parcels", "polygon", ("property_id",), "Properties, with the reason where they are passed over.",
    (
        *PARCELS.columns,
        C("passed_over", "text", "Why no frontage is counted on it: river, road or rail parcel.", null=True),
    ),
)
WATER = Layer(
    "water", "polygon", (), "Open channel and standing water.",
    (C("kind", "text", "Kind as the data names it.", null=True),),
)
ROADS = Layer(
    "roads", "line", (), "Roads, tracks and railways.",
    (C("class", "text", "Class as the data names it.", null=True),),
)
BANK_LINES = Layer(
    "bank_lines", "line", (), "Surveyed or digitised top of bank, of one date or of several.",
    (
        C("date_y", "float", "Date of the line, as a year with decimals.", "years", null=True),
        C("error_m", "float", "Standard error of its place, where the data tell it.", "m", null=True, low=0),
    ),
)
WETLANDS = Layer("wetlands", "polygon", (), "Wetlands: ground that counts as class wetland.", ())
CONSTRAINTS = Layer(
    "constraints", "any", (), "What keeps a bank from being planted: buildings, dykes, pipelines, power lines, protected areas.",
    (C("kind", "text", "Kind as the data names it.", null=True),),
)
DONE = Layer(
    "done", "any", (), "Works already done.",
    (
        C("kind", "text", "Kind as the data names it.", null=True),
        C("planting", "bool", "Trees or shrubs were planted."),
        C("year", "int", "Year of the works.", null=True),
        C("age_y", "float", "Time from the works to the day the run looks back from.", "years", null=True, low=0),
        C("status", "text", "Status as the data name it.", null=True),
    ),
)
ERODING = Layer(
    "eroding", "any", (), "Banks seen to erode.",
    (
        C("year", "int", "Year it was seen.", null=True),
        C("height_m", "float", "Height of the scar.", "m", null=True, low=0),
    ),
)
SOILS = Layer(
    "soils", "polygon", (), "Soil units.",
    (
        C("k_us", "float", "Soil erodibility K in US customary units.", "US", null=True, low=0),
        C("silt_clay_pct", "float", "Silt plus clay of the subsoil.", "percent", null=True, low=0, high=100),
    ),
)
SETBACK_ZONES = Layer(
    "setback_zones", "polygon", (), "Ground where one setback rule holds.",
    (C("zone", "text", "Name of the zone."),),
)
_SEEN_THERE = (
    C("bank_height_m", "float", "Height of the bank as measured there.", "m", null=True, low=0),
    C("bank_angle_deg", "float", "Angle of its face; over 90 where it is undercut.", "degrees", null=True, low=0, high=180),
    C("erodes", "float", "1 where the bank was seen to erode, 0 where it was not; null where nothing is said.", null=True, low=0, high=1),
    C("verdict", "text", "What was said of the place itself.", null=True, among=VERDICTS),
)
_AT_DESK = C("at_desk", "bool", "Looked at on maps and images, by the desk check; nobody was there.")
_SEEN_FACE = (
    C("root_depth_m", "float", "How deep roots go from the top of the bank.", "m", null=True, low=0),
    C("root_density_pct", "float", "Share of the face above that depth that roots hold.", "%", null=True, low=0, high=100),
    C("surface_protection_pct", "float", "Share of the face that plants, wood or stones cover.", "%", null=True, low=0, high=100),
    C("material", "text", "What most of the face is made of.", null=True, among=MATERIALS),
    C("stratification", "text", "Where layers of unlike material show.", null=True, among=STRATIFICATIONS),
)
_MONITORED = (
    C("eroding_length_m", "float", "Length of bank that erodes as it does there.", "m", null=True, low=0, high=10_000),
    C("plants_alive", "float", "Plants counted alive.", "plants", null=True, low=0, high=MOST_PLANTS),
    C("plants_dead", "float", "Plants counted dead.", "plants", null=True, low=0, high=MOST_PLANTS),
    C("plants_missing", "float", "Plants that were not found any more.", "plants", null=True, low=0, high=MOST_PLANTS),
    C("survival_pct", "float", "Share of what was planted that lives, judged by eye.", "%", null=True, low=0, high=100),
    C("woody_cover_pct", "float", "Ground under trees and shrubs.", "%", null=True, low=0, high=100),
    C("herb_cover_pct", "float", "Ground under herbs and grass.", "%", null=True, low=0, high=100),
    C("invasive_cover_pct", "float", "Ground under invasive plants.", "%", null=True, low=0, high=100),
    C("bare_pct", "float", "Bare ground.", "%", null=True, low=0, high=100),
    C("cover_pct", "float", "Ground covered by plants of all kinds.", "%", null=True, low=0, high=100),
    C("pin_id", "text", "Mark of the pin.", null=True),
    C("pin_m", "float", "How far it stood out of the face.", "m", null=True, low=0, high=10),
    C("pin_length_m", "float", "Length of the whole pin.", "m", null=True, low=0, high=10),
    C("pin_lost", "float", "1 where the pin was gone, 0 where it was there; null where nothing is said.", null=True, low=0, high=1),
    C("photo_point", "text", "Mark of the photo point.", null=True),
    C("photo_bearing_deg", "float", "Bearing of its photograph, clockwise from north.", "degrees", null=True, low=0, high=360),
)
VISITS = Layer(
    "visits", "point", (), "Field forms that were filled in; untouched ones are left out.",
    (
        C("visit_id", "text", "Id of the place on the form.", null=True),
        C("bank_id", "text", "Bank it was made for, in the run the form is from.", null=True),
        C("side", "int", "0 left, 1 right, looking downstream.", low=0, high=1),
        C("at_random", "bool", "Drawn at random from the banks that were not chosen for their rank."),
        _AT_DESK,
        C("date_y", "float", "Date of the visit, as years with decimals.", "y", null=True, low=1700, high=2201),
        *_SEEN_THERE,
        C("bankfull_height_m", "float", "Height of the bankfull mark above the toe.", "m", null=True, low=0),
        *_SEEN_FACE,
        *_MONITORED,
    ),
)
WATERSHED = Layer("watershed", "polygon", (), "Area of interest.", ())
SUB_WATERSHEDS = Layer(
    "sub_watersheds", "polygon", (), "The user's sub-watersheds.", (C("name", "text", "Name."),)
)
LEGEND = Layer(
    "legend", "none", ("code",), "What the codes of the land cover mean.",
    (
        C("code", "int", "Code in the land cover."),
        C("name", "text", "The legend's own name of the class."),
        C("cover", "text", "Cover class.", among=COVERS),
        C("c_factor", "float", "Cover factor C of the soil loss equation.", null=True, low=0, high=1),
        C("min_width_m", "float", "Narrowest thing the map can show; the cell where the legend says nothing.",
          "m", null=True, low=0),
    ),
)

OWN_PREFIX = "own_"
"""Before the name of a factor of the user's own, in the name of its table or grid."""


def own_layer(name: str, geometry: Geometry) -> Layer:
    """Give the layer of a factor of the user's own."""
    value = C("value", "float", "The attribute that counts.", null=True)
    return Layer(OWN_PREFIX + name, geometry, (), f"Features of [factor.{name}].", (value,))


# ---------------------------------------------------------------- network

SEGMENTS = Layer(
    "segments", "line", ("segment_no",), "Stream line from confluence to confluence, drawn downstream.",
    (
        C("segment_no", "int", "Row position, by segment_id.", low=0),
        C("segment_id", "text", "Id made from the position of its ends."),
        C("name", "text", "Name held by most of its length.", null=True),
        C("downstream_no", "int", "Segment it flows into; -1 at an outlet.", low=-1),
        C("main_upstream_no", "int", "The larger of the segments that flow into it; -1 at a source.", low=-1),
        C("minor", "bool", "Carries only water that left a main path at a divergence: raises no order, doubles no area."),
        C("strahler_order", "int", "Strahler order.", low=1),
        C("length_m", "float", "Length along the line.", "m", low=0),
        C("line_error_m", "float", "Standard error of its place: at least one routing cell where the kind is unconfirmed.", "m", low=0),
    ),
)
SOURCE_PARTS = Layer(
    "source_parts", "none", ("segment_no", "from_m"), "Which drawn line each part of a segment comes from; parts touch and cover it.",
    (
        C("segment_no", "int", "Segment.", low=0),
        C("from_m", "float", "Lower end, upstream from the segment's downstream end.", "m", low=0),
        C("to_m", "float", "Upper end.", "m", low=0),
        C("kind", "text", "What the line is.", among=STREAM_KINDS),
        C("class", "text", "Class of the stream, as the data name it.", null=True),
        C("name", "text", "Name of the stream.", null=True),
        C("area_km2", "float", "Drainage area the data give for the line.", "km2", null=True, low=0),
    ),
)
STRETCHES = Layer(
    "stretches", "none", ("segment_no", "from_m"), "What each part of a segment is; parts touch and cover it.",
    (
        C("segment_no", "int", "Segment.", low=0),
        C("from_m", "float", "Lower end, upstream from the segment's downstream end.", "m", low=0),
        C("to_m", "float", "Upper end.", "m", low=0),
        C("kind", "text", "What it is.", among=STREAM_KINDS),
    ),
)
CATCHMENTS = Layer(
    "catchments", "none", ("segment_no", "from_m"), "Ground that drains straight into each short piece of a segment.",
    (
        C("segment_no", "int", "Segment.", low=0),
        C("from_m", "float", "Lower end of the piece.", "m", low=0),
        C("area_m2", "float", "Ground that drains into the piece.", "m2", low=0),
        C("cut", "bool", "Some of that ground meets the DEM's edge inside the watershed."),
    ),
)
BANK_SUPPLY = Layer(
    "bank_supply", "none", ("segment_no", "from_m", "side"), "What the hillslope sends through each short piece of bank.",
    (
        C("segment_no", "int", "Segment.", low=0),
        C("from_m", "float", "Lower end of the piece, upstream from the segment's downstream end.", "m", low=0),
        C("to_m", "float", "Upper end.", "m", low=0),
        C("side", "int", "0 left, 1 right.", low=0, high=1),
        C("ground_m2", "float", "Hillslope that drains through it.", "m2", low=0),
        C("delivery", "float", "Sum of LS C K SDR over that ground, by metre of bank.", "relative", null=True, low=0),
    ),
)
CONCENTRATED_FLOW = Layer(
    "concentrated_flow", "point", (), "Where the flow of much hillslope enters a stream through a bank.",
    (
        C("segment_no", "int", "Segment.", low=0),
        C("at_m", "float", "Place, upstream from the segment's downstream end.", "m", low=0),
        C("side", "int", "0 left, 1 right.", low=0, high=1),
        C("area_ha", "float", "Hillslope that drains through it.", "ha", low=0),
        C("stream_like", "bool", "So much ground that a stream would start."),
    ),
)
REACH_MEASURES = Layer(
    "reach_measures", "line", ("reach_no",), "Reaches with what was measured and modelled along the line.",
    (
        C("reach_no", "int", "Row position, by segment_no and from_m.", low=0),
        C("reach_id", "text", "segment_id and a running number upstream."),
        C("segment_no", "int", "Segment.", low=0),
        C("from_m", "float", "Lower end, upstream from the segment's downstream end.", "m", low=0),
        C("to_m", "float", "Upper end.", "m", low=0),
        C("name", "text", "Name of the stream.", null=True),
        C("kind", "text", "What most of its length is.", among=STREAM_KINDS),
        C("outside", "bool", "Its middle lies outside the watershed given."),
        C("downstream_reach_id", "text", "The reach it flows into.", null=True),
        C("sub_watershed_id", "text", "Label for totals.", null=True),
        C("strahler_order", "int", "Strahler order.", low=1),
        C("length_m", "float", "Length along the line.", "m", low=0),
        C("slope_m_m", "float", "Slope of the stream, downwards positive; null below its own error.", "m/m", null=True, low=0),
        C("slope_se_m_m", "float", "Standard error of the slope.", "m/m", null=True, low=0),
        C("slope_window_m", "float", "Length along the flow path the slope was fitted over.", "m", null=True, low=0),
        C("slope_most_m_m", "float", "Upper bound where the slope is null: fit plus two standard errors.", "m/m", null=True, low=0),
        _basis("slope"),
        C("sinuosity", "float", "Length over straight distance, over at least 20 widths.", null=True, low=1),
        C("drainage_area_km2", "float", "Drainage area at the downstream end, just above any confluence.", "km2", null=True, low=0),
        _basis("drainage_area"),
        C("drainage_area_says", "text", "Why the drainage area is missing.", null=True),
        C("drainage_area_doubt", "text", "Why a routed drainage area may be wrong.", null=True),
        C("bankfull_width_m", "float", "Bankfull width from the regional curve.", "m", null=True, low=0),
        C("bankfull_depth_m", "float", "Mean bankfull depth from the regional curve.", "m", null=True, low=0),
        C("bankfull_discharge_m3_s", "float", "Bankfull discharge.", "m3/s", null=True, low=0),
        _basis("bankfull_width"),
        _basis("bankfull_discharge"),
        C("discharge_from", "text", "curve, or manning where the curve has none.", null=True),
        C("discharge_return_period_y", "float", "Mean time between flows of that discharge, where the curve's source states it.", "years", null=True, low=0),
        C("froude", "float", "Froude number of the bankfull flow.", null=True, low=0),
        C("unit_stream_power_w_m2", "float", "Bankfull discharge x slope x specific weight over width.", "W/m2", null=True, low=0),
    ),
)
PROFILE_POINTS = Layer(
    "profile_points", "none", ("segment_no", "at_m"), "Heights along each segment, one a cell of the routing grid.",
    (
        C("segment_no", "int", "Segment.", low=0),
        C("at_m", "float", "Place, upstream from the segment's downstream end.", "m", low=0),
        C("low_m", "float", "Lowest raw height within one cell.", "m", null=True),
        C("crossing", "bool", "So near to a road or railway that crosses that the height is the road's."),
        C("barrier", "text", "Standing water or a pipe, which no slope is measured across.", null=True, among=STREAM_KINDS),
        C("survey", "int", "Survey of the DEM the height is from, -1 for none.", low=-1),
    ),
)
KNICKPOINTS = Layer(
    "knickpoints", "none", ("segment_no", "at_m"), "Steps in the long profile that no slope is measured across.",
    (
        C("segment_no", "int", "Segment.", low=0),
        C("at_m", "float", "Middle of its face, upstream from the segment's downstream end.", "m", low=0),
        C("face_from_m", "float", "Where its face begins; below 0 in the segment below.", "m"),
        C("face_to_m", "float", "Where its face ends.", "m"),
        C("drop_m", "float", "Height of the stream above over that of the stream below, both drawn on to the step.", "m", low=0),
        C("near_crossing", "bool", "At a road or railway that crosses: perhaps a culvert."),
    ),
)

ISLANDS = Layer("islands", "polygon", (), "Ground that threads of one stream flow around.", ())

# ---------------------------------------------------------------- banks, inside a piece

_BANK_SHARES = (
    C("worst_from_m", "float", "Lower end of the bank's worst stretch, on which its factors are read; upstream from the reach's downstream end.", "m", null=True, low=0),
    C("worst_to_m", "float", "Upper end of it.", "m", null=True, low=0),
    C("freedom_to_move", "float", "0 in a confined valley, 1 in an open one: multiplies the force.", null=True, low=0, high=1),
    C("erosion_above_share", "float", "Share of the bank at or above the threshold of need in erosion.", null=True, low=0, high=1),
    C("gap_above_share", "float", "Share of the bank at or above the threshold of need in gap.", null=True, low=0, high=1),
)

_BANK_MOVE = (
    C("recentred_m", "float", "Median move of its bank line towards the middle of the channel, left positive, where it was moved.", "m", null=True),
    C("recentred_length_m", "float", "Length of bank whose line was moved.", "m", low=0),
)
_KNOWN = C("width_known_share", "float", "Share of its length where the width of the buffer is measured; the rest, of unknown or coarse cover, is in no gap.", null=True, low=0, high=1)
_NATURAL = C("natural_share", "float", "Share of its length where natural classes fill the strip: natural, no gap; null in a coarse look.", null=True, low=0, high=1)

_BANK_HEIGHTS = (
    C("bank_height_m", "float", "Median over stations, where told on half of the length: top of the bank above the water on the day of the flight, so low by the depth of the water.", "m", null=True, low=0),
    C("bank_height_says", "text", "Why the height is null, or that it is under the error of the heights.", null=True),
    C("bank_angle_says", "text", "Why the angle is null.", null=True),
)

_STRIP_MEANING = (
    C("sediment_now_low_pct", "float", "Sediment of sheet flow that the counting cover now there traps, at least: the lower of two published lines at buffer_width_m.", "%", null=True, low=0, high=100),
    C("sediment_now_high_pct", "float", "The same at most: the upper line. Concentrated flow passes by.", "%", null=True, low=0, high=100),
    C("sediment_asked_low_pct", "float", "The same of a strip as wide as setback_m, at least; null where none is asked for.", "%", null=True, low=0, high=100),
    C("sediment_asked_high_pct", "float", "The same at most.", "%", null=True, low=0, high=100),
    C("shade_tree_low_m", "float", "Height of trees that shade 70 % of a stream of this bankfull width, at least: by its direction and their form.", "m", null=True, low=0),
    C("shade_tree_high_m", "float", "The same at most.", "m", null=True, low=0),
)

_LEAST_RETREAT = C("least_retreat_m_y", "float", "Smallest retreat by year that bank lines of two dates could show here; null without two dates.", "m/y", null=True, low=0)

_SIDE_KEY = (
    C("segment_no", "int", "Segment.", low=0),
    C("station_no", "int", "Station, counted upstream.", low=0),
    C("side", "int", "0 left, 1 right.", low=0, high=1),
)
STATIONS = Layer(
    "stations", "none", ("segment_no", "station_no"), "Points along the segments.",
    (
        C("segment_no", "int", "Segment.", low=0),
        C("station_no", "int", "Station, counted upstream.", low=0),
        C("reach_no", "int", "Reach.", low=0),
        C("at_m", "float", "Place, upstream from the segment's downstream end.", "m", low=0),
        C("from_m", "float", "Lower end of the length it stands for.", "m", low=0),
        C("to_m", "float", "Upper end of it.", "m", low=0),
        C("kind", "text", "What the stream is here.", among=STREAM_KINDS),
        C("x", "float", "Place on the segment.", "m"),
        C("y", "float", "Place on the segment.", "m"),
        C("left_x", "float", "Unit vector to the left bank, square to the smoothed centre line."),
        C("left_y", "float", "Its y."),
        C("curvature_1_m", "float", "Curvature of the smoothed line; positive where it bends to the left going downstream.", "1/m", null=True),
        C("bankfull_width_m", "float", "Bankfull width.", "m", null=True, low=0),
        C("line_error_m", "float", "Standard error of the line's place.", "m", low=0),
    ),
)
CROSSING_PLACES = Layer(
    "crossing_places", "none", ("segment_no", "at_m"), "Where roads and railways cross: one row a run of stations under them.",
    (
        C("segment_no", "int", "Segment.", low=0),
        C("at_m", "float", "Where the widest of them meets the stream, upstream from the segment's downstream end.", "m", low=0),
        C("reach_no", "int", "Reach there.", low=0),
        C("class", "text", "Class of the widest, as the data name it.", null=True),
        C("length_m", "float", "Length of the stations under them.", "m", low=0),
    ),
)
_RECENTRED = C("recentred_m", "float", "By how much both bank lines were moved towards the middle of the channel, left positive; 0 where they were not.", "m")
BANK_POINTS = Layer(
    "bank_points", "none", ("segment_no", "station_no", "side"), "Where each transect meets its bank line.",
    (
        *_SIDE_KEY,
        C("offset_m", "float", "From the line outward to the bank line; negative where the line lies beyond it.", "m"),
        C("x", "float", "Place on the bank line.", "m"),
        C("y", "float", "Place on the bank line.", "m"),
        C("out_x", "float", "Unit vector outward."),
        C("out_y", "float", "Its y."),
        C("bank_line_basis", "text", "Where the bank line came from.", among=BANK_LINE_BASES),
        C("crossing", "bool", "Under a road or railway that crosses the stream."),
        C("island", "bool", "On the side of an island: no bank of the outer ring."),
        C("low_offset_m", "float", "From the line to the middle of the channel on fine heights, left positive; the same on both sides of a station.", "m", null=True),
        _RECENTRED,
    ),
)
_OFFSET = C("line_offset_m", "float", "From the line to the lowest ground across it, left positive; to the middle of the channel where fine heights show it.", "m", null=True)
_OWNED = C("owned_m", "float", "How far outward the ground is nearest to this bank, at most the widest setback and one opening; null without a bank.", "m", null=True, low=0)
SIDE_GROUND = Layer(
    "side_ground", "none", ("segment_no", "station_no", "side"), "How far outward of each bank point the ground is its own.",
    (*_SIDE_KEY, _OWNED),
)
SIDE_FACTS = Layer(
    "side_facts", "none", ("segment_no", "station_no", "side"), "What setback rules go by at each station side.",
    (
        *_SIDE_KEY,
        C("kind", "text", "What the stream is here.", among=STREAM_KINDS),
        C("stream_class", "text", "Class of the stream, as the data name it.", null=True),
        C("strahler_order", "int", "Strahler order.", low=1),
        C("drainage_area_km2", "float", "Drainage area of the reach.", "km2", null=True, low=0),
        C("bankfull_width_m", "float", "Bankfull width.", "m", null=True, low=0),
        C("bank_height_m", "float", "Height of the bank.", "m", null=True, low=0),
        C("slope_percent", "float", "Mean slope of the ground behind the bank line, upwards; 0 where it falls away.", "%", null=True, low=0),
        C("property_class", "text", "Class of the property that the bank point lies on.", null=True),
        C("property_ha", "float", "Size of that property.", "ha", null=True, low=0),
        C("zone", "text", "Zone that the bank point lies in.", null=True),
    ),
)
SIDE_SETBACKS = Layer(
    "side_setbacks", "none", ("segment_no", "station_no", "side"), "What the rule asks of each station side.",
    (
        *_SIDE_KEY,
        C("setback_m", "float", "Width of the strip from the bank line outward, on the map; 0 where the rule asks for nothing.", "m", low=0),
        C("least_m", "float", "Least width, where the rule asks for an average.", "m", null=True, low=0),
        C("inner_m", "float", "Width of the inner of two zones.", "m", null=True, low=0),
        C("counted_m", "float", "How far out cover counts.", "m", low=0),
        C("exempt", "text", "Why the rule asks for nothing.", null=True),
        C("setback_told", "bool", "All that the width hangs on is known; else it is the least that the rule may ask."),
    ),
)
BANK_ASKED = Layer(
    "bank_asked", "none", ("reach_no", "side"), "What the rule asks of each bank.",
    (
        C("reach_no", "int", "Reach.", low=0),
        C("side", "int", "0 left, 1 right.", low=0, high=1),
        C("setback_m", "float", "Median width that the rule asks for.", "m", low=0),
        C("exempt_length_m", "float", "Length on which the rule asks for nothing.", "m", low=0),
        C("exempt", "text", "Why, on most of that length.", null=True),
        C("untold_length_m", "float", "Length where something the width hangs on is not known.", "m", low=0),
        C("unzoned_length_m", "float", "Length in no zone that has a rule.", "m", low=0),
        C("other_line_length_m", "float", "Length where the bank line is not of the kind that the rule names.", "m", low=0),
    ),
)
FURTHER_SETBACKS = Layer(
    "further_setbacks", "none", ("reach_no", "side", "rule"), "Each bank under each further rule.",
    (
        C("reach_no", "int", "Reach.", low=0),
        C("side", "int", "0 left, 1 right.", low=0, high=1),
        C("rule", "text", "Rule, as [setback.also] names it."),
        C("setback_m", "float", "Median width that the rule asks for.", "m", low=0),
        C("buffer_width_m", "float", "Median over stations, at most the setback.", "m", null=True, low=0),
        C("gap_length_m", "float", "Metres of gap.", "m", null=True, low=0),
        C("gap_area_m2", "float", "Gap ground.", "m2", null=True, low=0),
    ),
)
VALLEYS = Layer(
    "valleys", "none", ("segment_no", "station_no"), "The valley floor at each station.",
    (
        C("segment_no", "int", "Segment.", low=0),
        C("station_no", "int", "Station.", low=0),
        C("valley_width_m", "float", "Width of the ground within reach of twice the bankfull depth.", "m", null=True, low=0),
        _OFFSET,
    ),
)
_HEIGHT = C("bank_height_m", "float", "Top of the bank above the water on the day of the flight: low by the depth of the water.", "m", null=True, low=0)
_HEIGHT_CODE = C("bank_height_code", "text", "top or low where the height is told, visit where one measured it; else why it is not.", among=HEIGHT_CODES)
_HEIGHT_CELL = C("height_cell_m", "float", "Side of the cells of the heights here.", "m", null=True, low=0)
SIDE_HEIGHTS = Layer(
    "side_heights", "none", ("segment_no", "station_no", "side"), "Height and angle of the bank at each transect.",
    (
        *_SIDE_KEY,
        _HEIGHT,
        C("bank_angle_deg", "float", "Angle of the bank face, at least.", "deg", null=True, low=0, high=90),
        _HEIGHT_CODE,
        _HEIGHT_CELL,
    ),
)
SIDE_COVER = Layer(
    "side_cover", "none", ("segment_no", "station_no", "side"), "Cover along each transect.",
    (
        *_SIDE_KEY,
        C("buffer_width_m", "float", "Contiguous width of counting cover, at most the setback.", "m", null=True, low=0),
        C("covered_width_m", "float", "The same of counting and natural cover: what lies beyond it is gap.", "m", null=True, low=0),
        C("edge_error_m", "float", "Standard error that the grain of the cover leaves on the width.", "m", null=True, low=0),
        C("missing_strip", "float", "Share of the strip without counting cover, the inner third weighing most.", null=True, low=0, high=1),
        C("woody_share", "float", "Share of the strip that is woody.", null=True, low=0, high=1),
        C("natural", "bool", "No gap only because natural classes, where a gap is no gap, fill the strip."),
        C("coarse_use", "bool", "Classes besides woody come off cells too wide for the setback."),
        C("near_bank_cover", "float", "Erodibility under the cover of the inner third, over that of bare soil.", null=True, low=0, high=1),
        C("adjacent_cover", "text", "Commonest class of the strip that does not count; else of the whole strip.", null=True, among=COVERS),
    ),
)
_WIDTH_ERROR = C("buffer_width_se_m", "float", "Standard error of the buffer's width: the cover's grain and the bank line's place.", "m", null=True, low=0)
_CERTAINTY = (
    C("certainty", "text", "uncertain where uncertain_because says why.", among=("clear", "uncertain")),
    C("uncertain_because", "text", "line_off: the bank lines lie over a third of the setback off the channel that the heights show; within_error: the strip lacks less than buffer_width_se_m; in_water: most of what it lacks is water; mirrored: the strip of the other bank is fuller, as beside a line that lies off its channel.", null=True, among=GAP_DOUBTS),
)
_ZONE = C("zone", "text", "Of a rule with two zones, the zone where the buffer ends: inner or outer.", null=True, among=("inner", "outer"))
GAP_PIECES = Layer(
    "gap_pieces", "polygon", ("gap_id",), "Gaps inside a piece.",
    (
        C("gap_id", "text", "bank_id and a running number upstream."),
        C("segment_no", "int", "Segment.", low=0),
        C("reach_no", "int", "Reach.", low=0),
        C("side", "int", "0 left, 1 right.", low=0, high=1),
        C("from_m", "float", "Lower end, upstream from the reach's downstream end.", "m", low=0),
        C("to_m", "float", "Upper end.", "m", low=0),
        C("setback_m", "float", "Width the rule asks for: median of its stations.", "m", low=0),
        _ZONE,
        C("buffer_width_m", "float", "Median over its stations.", "m", low=0),
        _WIDTH_ERROR,
        C("area_m2", "float", "Ground between the present buffer and the setback line.", "m2", low=0),
        C("adjacent_cover", "text", "Commonest class that does not count.", null=True, among=COVERS),
        *_CERTAINTY,
    ),
)
SIDE_GAPS = Layer(
    "side_gaps", "none", ("segment_no", "station_no", "side"), "Which transects lie in a gap.",
    (*_SIDE_KEY, C("gap", "bool", "In a run of too narrow buffer long enough to count.")),
)
MIRRORS = Layer(
    "mirrors", "none", ("reach_no", "side"),
    "How the strip of one bank goes with that of the other: sums over the stations of a reach where both have one, weighed by length.",
    (
        C("reach_no", "int", "Reach.", low=0),
        C("side", "int", "The bank that is taken for the short one: 0 left, 1 right.", low=0, high=1),
        C("known_m", "float", "Length with a strip of known width on both banks.", "m", low=0),
        C("short_m", "float", "Length on which this bank's strip is narrower by a third of the setback or more.", "m", low=0),
        C("shift_m2", "float", "There: half the difference of the widths.", "m2", low=0),
        C("told_m", "float", "There: length on which the low of the channel is told and the bank lines follow the line.", "m", low=0),
        C("agrees_m", "float", "Of that: length on which the low lies towards the other bank by half the shift or more.", "m", low=0),
        C("agreed_m2", "float", "There: how far.", "m2", low=0),
        C("own_m2", "float", "Width of this bank's strip.", "m2", low=0),
        C("other_m2", "float", "Width of the other's.", "m2", low=0),
        C("own_own_m3", "float", "Square of the first.", "m3", low=0),
        C("other_other_m3", "float", "Square of the second.", "m3", low=0),
        C("own_other_m3", "float", "Their product.", "m3", low=0),
    ),
)
SIDE_SOILS = Layer(
    "side_soils", "none", ("segment_no", "station_no", "side"), "The soil at each bank point.",
    (
        *_SIDE_KEY,
        C("silt_clay_pct", "float", "Silt plus clay of the subsoil.", "percent", null=True, low=0, high=100),
    ),
)
SIDE_OWN_VALUES = Layer(
    "side_own_values", "none", ("segment_no", "station_no", "side", "factor"), "Layers of the user's own, measured at each bank point.",
    (
        *_SIDE_KEY,
        C("factor", "text", "Name below [factor]."),
        C("value", "float", "What was measured, in the unit the user gives.", null=True),
    ),
)
SIDE_SUPPLY = Layer(
    "side_supply", "none", ("segment_no", "station_no", "side"), "What the hillslope sends to each station side.",
    (
        *_SIDE_KEY,
        C("delivery", "float", "Of the piece of bank it lies in.", "relative", null=True, low=0),
        C("concentrated_flows", "int", "Points of concentrated flow in its length.", low=0),
        C("open_flows", "int", "Those of them that cross a gap.", low=0),
    ),
)
SIDE_WORKS = Layer(
    "side_works", "none", ("segment_no", "station_no", "side"), "Works already done in the strip beside each station.",
    (
        *_SIDE_KEY,
        C("done_kind", "text", "Kind of the newest works in the strip.", null=True),
        C("done_year", "int", "Their year.", null=True),
        C("planted", "bool", "Planted, and too young or of unknown age to count as cover."),
        C("cover_from_m", "float", "Where old planting begins on the transect, from the bank line.", "m", null=True, low=0),
        C("cover_to_m", "float", "Where it ends.", "m", null=True, low=0),
    ),
)
SIDE_CONSTRAINTS = Layer(
    "side_constraints", "none", ("segment_no", "station_no", "side"), "What stands in the way of planting beside each station.",
    (
        *_SIDE_KEY,
        C("constraint", "text", "Kinds of constraint in the strip, roads and railways along the bank among them.", null=True),
    ),
)
SIDE_SCARS = Layer(
    "side_scars", "none", ("segment_no", "station_no", "side"), "Which stations lie along a bank seen to erode.",
    (
        *_SIDE_KEY,
        C("seen", "float", "1 along a scar, where retreat was detected or a visit saw it erode, 0 elsewhere; null where nobody looked.", null=True, low=0, high=1),
        C("retreat_m_y", "float", "Outward move of the bank line by year; negative where the bank grew; null where not detectable.", "m/y", null=True),
        _LEAST_RETREAT,
    ),
)
VISIT_PLACES = Layer(
    "visit_places", "none", ("visit_no",), "Where the visits are: the bank each was made at, and the stretch it speaks for.",
    (
        C("visit_no", "int", "Row of layer visits.", low=0),
        C("segment_no", "int", "Segment.", low=0),
        C("reach_no", "int", "Reach.", low=0),
        C("side", "int", "0 left, 1 right.", low=0, high=1),
        C("at_m", "float", "Place, upstream from the segment's downstream end.", "m", low=0),
        C("from_m", "float", "Lower end of the stretch it speaks for.", "m", low=0),
        C("to_m", "float", "Upper end of it.", "m", low=0),
        C("away_m", "float", "Distance from the bank.", "m", low=0),
        _AT_DESK,
        C("date_y", "float", "Date of the visit, as years with decimals.", "y", null=True),
        *_SEEN_THERE,
    ),
)
SCAR_BANKS = Layer(
    "scar_banks", "none", ("scar_no", "reach_no", "side"), "Which scars lie along which banks.",
    (
        C("scar_no", "int", "Row of layer eroding.", low=0),
        C("reach_no", "int", "Reach.", low=0),
        C("side", "int", "0 left, 1 right.", low=0, high=1),
        C("length_m", "float", "Length of the stations it lies at.", "m", low=0),
    ),
)
BANK_GROUND = Layer(
    "bank_ground", "none", ("reach_no", "side"), "Constraints and works along each bank, and what ground of its gaps they leave.",
    (
        C("reach_no", "int", "Reach.", low=0),
        C("side", "int", "0 left, 1 right.", low=0, high=1),
        C("island", "bool", "Most of its length is on the side of an island."),
        C("constrained_length_m", "float", "Along constraints, roads and railways.", "m", low=0),
        C("constraint", "text", "Their kinds.", null=True),
        C("plantable_area_m2", "float", "Ground of its gaps clear of constraints, roads, water and young planting.", "m2", low=0),
        C("done_kind", "text", "Kind of the works done along most of its length.", null=True),
        C("done_year", "int", "Their year.", null=True),
        C("planted_year", "int", "Year of young planting on most of its gaps; 0 where it is not known.", null=True, low=0),
    ),
)
SIDE_SCORES = Layer(
    "side_scores", "none", ("segment_no", "station_no", "side"),
    "Factor values and scores at each station side; two columns a factor follow from the cards.",
    (*_SIDE_KEY,),
)
BANK_MEASURES = Layer(
    "bank_measures", "line", ("reach_no", "side"),
    "Banks with measures and factor scores; value and score columns of each factor follow from the cards.",
    (
        C("reach_no", "int", "Reach.", low=0),
        C("side", "int", "0 left, 1 right.", low=0, high=1),
        C("length_m", "float", "Length with a bank, along the stream.", "m", low=0),
        C("bank_line_basis", "text", "Where most of the bank line came from.", null=True, among=BANK_LINE_BASES),
        C("buffer_width_m", "float", "Median over stations.", "m", null=True, low=0),
        C("gap_length_m", "float", "Metres of gap.", "m", null=True, low=0),
        C("gap_area_m2", "float", "Ground between present buffer and setback line in gaps.", "m2", null=True, low=0),
        _KNOWN,
        _NATURAL,
        C("concentrated_flow_count", "int", "Places where the flow of much hillslope crosses the bank.", low=0),
        C("concentrated_flow_gap_count", "int", "Those of them that cross a gap; null in a coarse look.", null=True, low=0),
        C("crossing_length_m", "float", "Under roads and railways that cross.", "m", low=0),
        C("woody_share", "float", "Woody share of the strip.", null=True, low=0, high=1),
        C("woody_share_basis", "text", "measured, or modelled where the cover is coarse.", among=BASES),
        C("adjacent_cover", "text", "Commonest cover of the strip that does not count; else of the strip.", null=True, among=COVERS),
        C("line_offset_m", "float", "Median distance from the line to the lowest ground across it, without sign, less the move of re-centred bank lines; at least that, where it is as far as was looked (the setback, 30 m or more).", "m", null=True, low=0),
        *_BANK_MOVE,
        C("valley_width_m", "float", "Median over the reach.", "m", null=True, low=0),
        _LEAST_RETREAT,
        *_BANK_SHARES,
        *_BANK_HEIGHTS,
    ),
)
_JOINT_GAP = C("joint_gap_m", "float", "Metres of its gap in stretches that go on onto a neighbour, or that lie opposite a neighbour's gap; none across a confluence.", "m", null=True, low=0)
FRONTAGES = Layer(
    "frontages", "none", ("property_id", "reach_no", "side"), "How much of each bank lies on which property.",
    (
        C("property_id", "text", "Property."),
        C("reach_no", "int", "Reach.", low=0),
        C("side", "int", "0 left, 1 right.", low=0, high=1),
        C("frontage_m", "float", "Bank whose strip lies mostly on the property.", "m", low=0),
        C("gap_length_m", "float", "Metres of gap on it.", "m", null=True, low=0),
        C("gap_area_m2", "float", "Gap ground on it.", "m2", null=True, low=0),
        _JOINT_GAP,
    ),
)
JOINT_GAPS = Layer(
    "joint_gaps", "none", ("segment_no", "property_id", "neighbour_id"),
    "Properties whose gaps meet along a bank or lie opposite each other, both ways round; none across a confluence.",
    (
        C("segment_no", "int", "Segment.", low=0),
        C("property_id", "text", "Property."),
        C("neighbour_id", "text", "Its neighbour."),
    ),
)

SITE_PIECES = Layer(
    "site_pieces", "polygon", ("reach_no", "side", "from_m"),
    "Sites inside a piece; value, basis and score columns of each factor follow from the cards, on the site's worst stretch.",
    (
        C("segment_no", "int", "Segment.", low=0),
        C("reach_no", "int", "Reach.", low=0),
        C("side", "int", "0 left, 1 right.", low=0, high=1),
        C("property_id", "text", "Property.", null=True),
        C("from_m", "float", "Lower end, upstream from the reach's downstream end.", "m", low=0),
        C("to_m", "float", "Upper end.", "m", low=0),
        C("site_kind", "text", "What its stations were taken for.", among=SITE_KINDS),
        C("setback_m", "float", "Width the rule asks for: median of its stations.", "m", low=0),
        C("area_m2", "float", "Ground of the strip on the property; of a gap, clear of what cannot be planted.", "m2", low=0),
        C("plantable_area_m2", "float", "Of that, ground that lacks counting cover.", "m2", null=True, low=0),
        C("gap_length_m", "float", "Metres of gap.", "m", null=True, low=0),
        C("lacking_share", "float", "Share of the strip without counting cover, the inner third weighing most.", null=True, low=0, high=1),
        C("adjacent_cover", "text", "Commonest cover of the strip that does not count; else of the strip.", null=True, among=COVERS),
        C("bank_height_m", "float", "Median over its stations.", "m", null=True, low=0),
        C("constraint", "text", "Kinds of constraint in its strip.", null=True),
    ),
)

# ---------------------------------------------------------------- results

_PROMPTS = (
    C("prompt_in_water", "text", "Prompt, no advice: work in the water is likely.", null=True),
    C("prompt_window", "text", "Prompt: when the user's own table lets work in the water be done.", null=True),
    C("prompt_length", "text", "Prompt: longer than [sites] length_limit_m.", null=True),
    C("prompt_structure", "text", "Prompt: a bridge, culvert, dam or step in the bed is near.", null=True),
    C("prompt_locate", "text", "Prompt: buried lines before digging.", null=True),
    C("prompt_design", "text", "Prompt: a qualified design is needed, and why.", null=True),
)

_RANKS = (
    C("rank_p05", "float", "5th percentile of the rank over draws of weights and errors.", null=True, low=1),
    C("rank_p50", "float", "Median rank over draws.", null=True, low=1),
    C("rank_p95", "float", "95th percentile of the rank over draws.", null=True, low=1),
    C("top_share", "float", "Share of draws in which it is among the top ([robustness] top_n).", null=True, low=0, high=1),
)
_NO_MEDIAN = tuple(column for column in _RANKS if column.name != "rank_p50")

REACHES = Layer(
    "reaches", "line", ("reach_id",), "Reaches, drawn downstream.",
    (
        *(column for column in REACH_MEASURES.columns if column.name not in ("reach_no", "segment_no", "from_m", "to_m", "outside")),
        C("not_ranked", "text", "Why it is not ranked.", null=True),
        C("gap_length_m", "float", "Metres of gap on both banks.", "m", null=True, low=0),
        C("erosion_score", "float", "Of its more urgent bank.", null=True, low=0, high=100),
        C("gap_score", "float", "Of its more urgent bank.", null=True, low=0, high=100),
        C("priority", "float", "Of its more urgent bank.", null=True, low=0, high=100),
        C("rank", "int", "1 is the most urgent; equal ones share a rank.", null=True, low=1),
        *_NO_MEDIAN,
    ),
)
BANKS = Layer(
    "banks", "line", ("bank_id",),
    "Banks, drawn downstream along the bank line; value, basis and score of each factor follow from the cards.",
    (
        C("bank_id", "text", "reach_id and L or R."),
        C("reach_id", "text", "Reach."),
        C("side", "text", "Looking downstream.", among=SIDES),
        C("name", "text", "Name of the stream.", null=True),
        C("kind", "text", "What most of the reach is.", among=STREAM_KINDS),
        C("not_ranked", "text", "Why it is not ranked.", null=True),
        C("sub_watershed_id", "text", "Label for totals.", null=True),
        C("length_m", "float", "Length with a bank, along the stream.", "m", low=0),
        C("bank_line_basis", "text", "Where most of the bank line came from.", null=True, among=BANK_LINE_BASES),
        C("setback_m", "float", "Width the rule asks for: median of its stations.", "m", low=0),
        C("exempt_length_m", "float", "Length on which the rule asks for nothing.", "m", low=0),
        C("exempt", "text", "Why, on most of that length.", null=True),
        C("setback_rule", "text", "The rule."),
        C("setback_kind", "text", "What stands behind it.", among=SETBACK_KINDS),
        C("buffer_width_m", "float", "Median over stations, at most the setback; null in a coarse look.", "m", null=True, low=0),
        _basis("buffer_width"),
        C("woody_share", "float", "Woody share of the strip.", null=True, low=0, high=1),
        _basis("woody_share"),
        C("gap_length_m", "float", "Metres of gap; null in a coarse look.", "m", null=True, low=0),
        C("gap_area_m2", "float", "Ground between present buffer and setback line in gaps.", "m2", null=True, low=0),
        _KNOWN,
        _NATURAL,
        C("crossing_length_m", "float", "Under roads and railways that cross.", "m", low=0),
        C("concentrated_flow_count", "int", "Places where the flow of much hillslope crosses the bank.", low=0),
        C("concentrated_flow_gap_count", "int", "Those of them that cross a gap; null in a coarse look.", null=True, low=0),
        C("constrained_length_m", "float", "Along constraints, and along roads and railways that do not cross, within the setback; null where neither layer is given.", "m", null=True, low=0),
        C("constraint", "text", "Kinds of those constraints.", null=True),
        C("plantable_area_m2", "float", "Ground of its gaps that is clear of constraints, roads, water and young planting; null where neither constraints nor roads are given.", "m2", null=True, low=0),
        C("done_kind", "text", "Kind of the works already done along it.", null=True),
        C("done_year", "int", "Their year.", null=True),
        C("adjacent_cover", "text", "Commonest cover of the strip that does not count; else of the strip.", null=True, among=COVERS),
        C("line_offset_m", "float", "Median distance from the line to the lowest ground across it, without sign, less the move of re-centred bank lines; at least that, where it is as far as was looked (the setback, 30 m or more).", "m", null=True, low=0),
        *_BANK_MOVE,
        C("valley_width_m", "float", "Median over the reach.", "m", null=True, low=0),
        _LEAST_RETREAT,
        *_BANK_SHARES,
        *_BANK_HEIGHTS,
        C("bank_angle_deg", "float", "Angle of the bank face on the worst stretch, at least: the steepest rise between neighbouring cells; a factor's value.", "deg", null=True, low=0, high=180),
        C("erosion_score", "float", "How likely the bank is to erode, on its worst stretch.", null=True, low=0, high=100),
        C("gap_score", "float", "What the missing strip leaves open, on the same stretch.", null=True, low=0, high=100),
        C("erosion_worst_score", "float", "Erosion score where it is highest by itself, perhaps elsewhere on the bank.", null=True, low=0, high=100),
        C("gap_worst_score", "float", "Gap score where it is highest by itself, perhaps elsewhere on the bank.", null=True, low=0, high=100),
        C("need", "text", "Which of the two reaches the threshold anywhere on the bank.", null=True, among=NEEDS),
        C("priority", "float", "Erosion and gap score put together.", null=True, low=0, high=100),
        C("rank", "int", "By priority; 1 is the most urgent; equal ones share a rank.", null=True, low=1),
        C("erosion_rank", "int", "By erosion_worst_score.", null=True, low=1),
        C("gap_rank", "int", "By gap_worst_score.", null=True, low=1),
        *_STRIP_MEANING,
        *_RANKS,
        C("why", "text", "How it came about, in one sentence."),
    ),
)
BANK_SETBACKS = Layer(
    "bank_setbacks", "none", ("bank_id", "rule"), "Each bank under each rule that was judged.",
    (
        C("bank_id", "text", "Bank."),
        C("rule", "text", "Rule."),
        C("setback_m", "float", "Width the rule asks for.", "m", low=0),
        C("buffer_width_m", "float", "Median over stations, at most the setback.", "m", null=True, low=0),
        C("gap_length_m", "float", "Metres of gap.", "m", null=True, low=0),
        C("gap_area_m2", "float", "Gap ground.", "m2", null=True, low=0),
    ),
)
GAPS = Layer(
    "gaps", "polygon", ("gap_id",), "Ground between the present buffer and the setback line, where the buffer is too narrow.",
    (
        C("gap_id", "text", "bank_id and a running number upstream."),
        C("bank_id", "text", "Bank."),
        C("reach_id", "text", "Reach."),
        C("side", "text", "Looking downstream.", among=SIDES),
        C("rule", "text", "Rule."),
        C("from_m", "float", "Lower end, upstream from the reach's downstream end.", "m", low=0),
        C("to_m", "float", "Upper end.", "m", low=0),
        C("length_m", "float", "Along the stream.", "m", low=0),
        C("setback_m", "float", "Width the rule asks for.", "m", low=0),
        _ZONE,
        C("buffer_width_m", "float", "Median over stations.", "m", low=0),
        _WIDTH_ERROR,
        C("area_m2", "float", "Ground between the present buffer and the setback line.", "m2", low=0),
        C("adjacent_cover", "text", "Commonest class that does not count.", null=True, among=COVERS),
        *_CERTAINTY,
    ),
)
FLOW_POINTS = Layer(
    "flow_points", "point", ("flow_id",), "Where the flow of much hillslope enters a stream through a bank: there a strip has most to hold.",
    (
        C("flow_id", "text", "bank_id and a running number upstream."),
        C("bank_id", "text", "Bank."),
        C("reach_id", "text", "Reach."),
        C("side", "text", "Looking downstream.", among=SIDES),
        C("from_m", "float", "Place, upstream from the reach's downstream end.", "m", low=0),
        C("area_ha", "float", "Hillslope that drains through it.", "ha", low=0),
        C("in_gap", "bool", "Crosses a gap; null where the cover measures none.", null=True),
        C("stream_like", "bool", "As much ground as a stream starts with: perhaps one that the map lacks."),
    ),
)
_ON_REACH = (
    C("reach_id", "text", "Reach."),
    C("from_m", "float", "Place, upstream from the reach's downstream end.", "m", low=0),
)
CROSSINGS = Layer(
    "crossings", "point", (), "Where roads, tracks, paths and railways cross a stream: no bank is judged there.",
    (
        *_ON_REACH,
        C("kind", "text", "What crosses, the widest of several side by side; null where its class is not told.", null=True, among=CROSSING_KINDS),
        C("class", "text", "Its class, as the data name it.", null=True),
        C("length_m", "float", "Length of stream that is left out.", "m", low=0),
    ),
)
SHOWN_KNICKPOINTS = Layer(
    "knickpoints", "point", (), "Steps in the bed that no slope is measured across: a dam, a hanging culvert, bedrock, a headcut, or a fault of the DEM.",
    (
        *_ON_REACH,
        C("drop_m", "float", "Height of the stream above over that of the stream below.", "m", low=0),
        C("near_crossing", "bool", "At a road or railway that crosses: perhaps a culvert."),
    ),
)
SHOWN_CONSTRAINTS = Layer(
    "constraints", "polygon", (), "Ground near the banks that cannot be planted, as layer constraints has it; lines and points with what is kept clear around them.",
    (C("kind", "text", "Kind as the data name it.", null=True),),
)
WORKS_DONE = Layer(
    "works_done", "polygon", (), "Works already done near the banks; lines and points drawn some metres wide.",
    (
        C("kind", "text", "Kind as the data name it.", null=True),
        C("year", "int", "Year of the works.", null=True),
        C("status", "text", "Status as the data name it.", null=True),
    ),
)
SCARS = Layer(
    "scars", "line", (), "Banks seen to erode, as somebody drew them: lines, outlines of areas, rings around points.",
    (
        C("bank_id", "text", "Bank that most of it lies along; null where it is no bank's.", null=True),
        C("reach_id", "text", "Reach of that bank.", null=True),
        C("year", "int", "Year it was seen.", null=True),
        C("height_m", "float", "Height of the scar.", "m", null=True, low=0),
    ),
)
PROPERTIES = Layer(
    "properties", "polygon", ("property_id",), "Properties with bank in their strip.",
    (
        C("property_id", "text", "The parcel's id; never a person's name."),
        C("frontage_m", "float", "Bank whose strip lies mostly on the property, both sides of a stream counted.", "m", low=0),
        C("gap_length_m", "float", "Metres of gap.", "m", null=True, low=0),
        C("gap_area_m2", "float", "Gap ground.", "m2", null=True, low=0),
        C("priority", "float", "Mean of its ranked banks, weighed by frontage.", null=True, low=0, high=100),
        C("priority_gap_m", "float", "Priority times metres of gap: the rank follows it.", null=True, low=0),
        C("rank", "int", "1 is the most urgent; equal ones share a rank.", null=True, low=1),
        *_NO_MEDIAN,
        C("joint_neighbours", "text", "Properties whose gaps meet its own: ids in order with commas between.", null=True),
        _JOINT_GAP,
        C("site_count", "int", "Sites on it.", null=True, low=0),
    ),
)
SITES = Layer(
    "sites", "polygon", ("site_id",),
    "Stretches of one bank on one property that could be one piece of work, drawn as the strip beside them.",
    (
        C("site_id", "text", "bank_id, S and a running number upstream."),
        C("bank_id", "text", "Bank."),
        C("reach_id", "text", "Reach."),
        C("side", "text", "Looking downstream.", among=SIDES),
        C("name", "text", "Name of the stream.", null=True),
        C("property_id", "text", "Property that holds most of each transect; null where no property does.", null=True),
        C("from_m", "float", "Lower end, upstream from the reach's downstream end.", "m", low=0),
        C("to_m", "float", "Upper end.", "m", low=0),
        C("length_m", "float", "Along the stream.", "m", low=0),
        C("setback_m", "float", "Width the rule asks for: median of its stations.", "m", low=0),
        C("area_m2", "float", "Ground of the strip on the property; where there is a gap to plant, clear of constraints, roads, water and young planting.", "m2", low=0),
        C("plantable_area_m2", "float", "Of that, ground that lacks counting cover; null in a coarse look.", "m2", null=True, low=0),
        C("gap_length_m", "float", "Metres of gap; null in a coarse look.", "m", null=True, low=0),
        C("certainty", "text", "uncertain where most of its gap is, or where the cover is too coarse to measure one; null without a gap.", null=True, among=("clear", "uncertain")),
        C("adjacent_cover", "text", "Commonest cover of the strip that does not count; else of the strip.", null=True, among=COVERS),
        C("erosion_score", "float", "How likely it is to erode, on its worst stretch.", null=True, low=0, high=100),
        C("gap_score", "float", "What the missing strip leaves open, on the same stretch.", null=True, low=0, high=100),
        C("priority", "float", "Erosion and gap score put together, as for banks.", null=True, low=0, high=100),
        C("rank", "int", "By priority, among sites; 1 is the most urgent; equal ones share a rank.", null=True, low=1),
        C("measure", "text", "What it asks for, by a short table.", among=MEASURES),
        C("why_measure", "text", "Why, in one sentence."),
        C("joint_sites", "text", "Sites that go on from it along the bank, or lie opposite: ids in order with commas between.", null=True),
        C("joint_properties", "text", "Other properties that those lie on: ids in order with commas between.", null=True),
        C("joint_length_m", "float", "Length of the unbroken row of sites along this bank that it belongs to, up and down the stream.", "m", low=0),
        *_PROMPTS,
    ),
)
SHOWN_FRONTAGES = Layer(
    "frontages", "none", ("property_id", "bank_id"), "How much of each bank lies on which property.",
    (
        C("property_id", "text", "Property."),
        C("bank_id", "text", "Bank."),
        C("frontage_m", "float", "Bank whose strip lies mostly on the property.", "m", low=0),
        C("gap_length_m", "float", "Metres of gap on it.", "m", null=True, low=0),
        C("gap_area_m2", "float", "Gap ground on it.", "m2", null=True, low=0),
    ),
)
FACTORS = Layer(
    "factors", "none", (), "What banks were scored by: the card of each factor in the order of columns, and its weight.",
    (
        C("key", "text", "Factor."),
        C("group", "text", "The score it feeds.", among=("erosion", "gap")),
        C("title", "text", "Its name for people."),
        C("unit", "text", "Unit of its value, in words; empty for none."),
        C("digits", "int", "Decimals of the value in sentences.", low=0),
        C("value_column", "text", "Column of its value in layer banks."),
        C("basis_column", "text", "Column of how the value was got."),
        C("score_column", "text", "Column of its score."),
        C("worst_column", "text", "Column of its score where the score of its group alone is worst."),
        C("given_weight", "float", "Weight in the settings.", low=0),
        C("weight", "int", "Weight per mille of its group, once those without a value are left out.", low=0, high=1000),
        C("known_share", "float", "Share of ranked banks on which it is known.", low=0, high=1),
        C("used", "bool", "It is ranked on."),
        C("neutral", "float", "Score, of 1, where the value is missing.", low=0, high=1),
        C("nodes", "text", "Value function: value and score of 1 at each node, linear between."),
        C("says", "text", "What it measures."),
        C("because", "text", "Its words in the reasons; empty where another factor's say it."),
        C("floors", "bool", "The score of its group is never below its own."),
        C("scaled_by", "text", "Column that multiplies its score; empty for none."),
        C("scaled_says", "text", "That column in words."),
        C("shares", "text", "What it measures together with others, which share one weight; empty for none."),
        C("source", "text", "Keys of its sources."),
        C("status", "text", "What stands behind the nodes."),
    ),
)
ROBUSTNESS = Layer(
    "robustness", "none", (), "How sure the ranking of banks is, over all draws; one row.",
    (
        C("draws", "int", "Number of draws.", low=1),
        C("seed", "int", "Seed of the draws."),
        C("top_n", "int", "Banks that are the top.", low=1),
        C("ranked_banks", "int", "Banks that are ranked.", low=0),
        C("top_banks", "int", "Banks of a rank up to top_n.", low=0),
        C("top_staying", "int", "Those of them that are in the top in at least 80 % of draws.", low=0),
        C("told_apart_to_rank", "int", "Up to this rank four in five banks stay in the more urgent half in 95 % of draws.", low=0),
        C("verdict", "text", "The same in words."),
    ),
)
SENSITIVITY = Layer(
    "sensitivity", "none", ("kind", "moved", "direction"), "What changes the ten most urgent banks, and how soon.",
    (
        C("kind", "text", "A weight, or a shared error of an input.", among=("weight", "input")),
        C("moved", "text", "Factor or score whose weight is moved; cause of the error."),
        C("direction", "text", "Which way.", among=("up", "down")),
        C("moved_by", "float", "Smallest move that changes the ten; null where none does. Weights: percent of their group, the others keeping their proportions; inputs: one standard deviation, all banks alike.", null=True, low=0),
        C("unit", "text", "percent points or standard deviations."),
        C("changed_count", "int", "How many of the ten are others then.", low=0),
        C("first_out", "text", "The most urgent bank that leaves the ten.", null=True),
        C("first_in", "text", "The most urgent bank that enters them.", null=True),
    ),
)
FINDINGS = Layer(
    "findings", "none", (), "What was noticed.",
    (
        C("severity", "text", "error, warning or note.", among=("error", "warning", "note")),
        C("layer", "text", "Layer."),
        C("check", "text", "Check."),
        C("feature_id", "text", "Feature, where one is meant."),
        C("says", "text", "What is so."),
        C("do", "text", "What to do about it."),
    ),
)
LONG_PROFILES = Layer(
    "long_profiles", "none", ("segment_id", "from_mouth_m"),
    "The long profile of every stream, from its mouth up the main path to its source; one row a cell of the routing grid.",
    (
        C("stream_id", "text", "The stream: segment_id of its lowest segment."),
        C("stream_name", "text", "Name held by most of its length.", null=True),
        C("joins_stream_id", "text", "The stream it flows into; null at an outlet.", null=True),
        C("segment_id", "text", "Segment."),
        C("reach_id", "text", "Reach."),
        C("x_m", "float", "Place on the line in the working system.", "m"),
        C("y_m", "float", "Its y.", "m"),
        C("from_mouth_m", "float", "Distance along the flow to the stream's mouth.", "m", low=0),
        C("from_outlet_m", "float", "Distance along the flow to the outlet of the network.", "m", low=0),
        C("low_elevation_m", "float", "Lowest raw height within one cell of the line.", "m", null=True),
        C("falling_elevation_m", "float", "The same made to fall downstream by least squares; null at crossings, ponds and pipes.", "m", null=True),
        C("slope_m_m", "float", "Slope of the reach; null below its own error.", "m/m", null=True, low=0),
        C("unit_stream_power_w_m2", "float", "Unit stream power of the reach at bankfull.", "W/m2", null=True, low=0),
        C("drainage_area_km2", "float", "Drainage area at the downstream end of the reach.", "km2", null=True, low=0),
        C("crossing", "bool", "At a road or railway that crosses."),
        C("knickpoint", "bool", "The point at or next above a step."),
        C("knickpoint_drop_m", "float", "Height of that step.", "m", null=True, low=0),
        C("barrier", "text", "lake_path or piped: no slope is measured across.", null=True, among=STREAM_KINDS),
        C("seam", "bool", "The point next above a seam between surveys of the DEM: no slope is measured across."),
    ),
)
STATION_RESULTS = Layer(
    "stations", "point", ("segment_id", "station_no", "side"),
    "Every station and side, the point on the bank line; value and score of each factor follow from the cards.",
    (
        C("segment_id", "text", "Segment."),
        C("reach_id", "text", "Reach."),
        C("bank_id", "text", "Bank."),
        C("station_no", "int", "Station, counted upstream.", low=0),
        C("side", "text", "Looking downstream.", among=SIDES),
        C("at_m", "float", "Place, upstream from the segment's downstream end.", "m", low=0),
        C("length_m", "float", "Length it stands for.", "m", low=0),
        C("kind", "text", "What the stream is here.", among=STREAM_KINDS),
        C("bank_line_basis", "text", "Where the bank line came from.", among=BANK_LINE_BASES),
        C("crossing", "bool", "Under a road or railway that crosses the stream."),
        _OWNED,
        C("buffer_width_m", "float", "Contiguous width of counting cover, at most the setback.", "m", null=True, low=0),
        C("woody_share", "float", "Woody share of the strip.", null=True, low=0, high=1),
        C("adjacent_cover", "text", "Commonest cover of the strip that does not count; else of the strip.", null=True, among=COVERS),
        C("gap", "bool", "In a gap."),
        C("constraint", "text", "Kinds of constraint in the strip, roads and railways along the bank among them.", null=True),
        _OFFSET,
        _RECENTRED,
        C("valley_width_m", "float", "Width of the valley floor.", "m", null=True, low=0),
        _HEIGHT,
        _HEIGHT_CODE,
        _HEIGHT_CELL,
        _LEAST_RETREAT,
        _basis("retreat"),
    ),
)

SHOWN_VISITS = Layer(
    "visits", "point", (), "Field visits that were brought back, with the published field index; no observer, no notes.",
    (
        C("visit_id", "text", "Id of the place on the form.", null=True),
        C("bank_id", "text", "Bank it was made at; null where none is there any more.", null=True),
        C("reach_id", "text", "Reach of that bank.", null=True),
        C("side", "text", "Looking downstream.", among=SIDES),
        C("from_m", "float", "Place, upstream from the reach's downstream end.", "m", null=True, low=0),
        C("away_m", "float", "Distance from the bank.", "m", null=True, low=0),
        C("at_random", "bool", "Drawn at random from the banks that were not chosen for their rank."),
        C("seen_at", "text", "bank, by a visit; desk, on maps and images by the desk check; null in results of an older gisprio.", null=True, among=SEEN_AT),
        C("date_y", "float", "Date of the visit, as years with decimals.", "y", null=True),
        *_SEEN_THERE,
        C("bankfull_height_m", "float", "Height of the bankfull mark above the toe; where it was not seen, the mean bankfull depth of the reach.", "m", null=True, low=0),
        _basis("bankfull_height"),
        *_SEEN_FACE,
        C("field_hazard_index", "float", "Published field index of bank erosion hazard, from what was seen; no desktop score.", null=True),
        C("field_hazard_class", "text", "Its class.", null=True, among=FIELD_CLASSES),
        C("field_hazard_says", "text", "Why there is no index.", null=True),
        C("desk_erosion_score", "float", "Erosion score of the bank without what anybody saw to erode; null where the bank is not ranked.", null=True, low=0, high=100),
        *_MONITORED,
    ),
)
VISIT_AGREEMENT = Layer(
    "visit_agreement", "none", (), "How well scores agree with visits, in one row; no row without visits.",
    (
        C("visits", "int", "Usable visits: on a ranked bank, saying whether it erodes, one a bank.", low=0),
        C("at_random", "int", "Those of them drawn at random.", low=0),
        C("says", "text", "What can be said, in words."),
        C("area", "float", "Area under the curve: how often a bank that erodes scores above one that does not.", null=True, low=0, high=1),
        C("area_low", "float", "Lower end of its 95 % interval.", null=True, low=0, high=1),
        C("area_high", "float", "Upper end.", null=True, low=0, high=1),
        C("rank_correlation", "float", "Of the erosion score with the field index.", null=True, low=-1.000001, high=1.000001),
        C("priority_correlation", "float", "Of the priority with it.", null=True, low=-1.000001, high=1.000001),
        C("indexed", "int", "Visits with a field index.", low=0),
        C("high_eroding", "int", "Scored at need_at or above and seen to erode.", low=0),
        C("high_stable", "int", "Scored so and not.", low=0),
        C("low_eroding", "int", "Scored below and seen to erode.", low=0),
        C("low_stable", "int", "Scored below and not.", low=0),
        C("misleading", "text", "Factors that are high where banks do not erode, with commas between.", null=True),
    ),
)

WORK_SITES = Layer(
    "work_sites", "none", ("site_id",), "Each site that concept sizing looked at: what its works are sized from, or why they are not.",
    (
        C("site_id", "text", "Site."),
        C("property_id", "text", "Property it lies on.", null=True),
        C("measure", "text", "What the site asks for.", among=MEASURES),
        C("length_m", "float", "Length that is sized: of the site, or as given.", "m", low=0),
        C("length_basis", "text", "given where somebody measured it; else modelled, along the stream line.", among=WORK_BASES),
        C("height_low_m", "float", "Bank height from toe to top, at least; null where nobody knows it or no earth is moved.", "m", null=True, low=0),
        C("height_mid_m", "float", "Its mean along the site.", "m", null=True, low=0),
        C("height_high_m", "float", "At most.", "m", null=True, low=0),
        C("height_basis", "text", "How the height was got; null without one.", null=True, among=WORK_BASES),
        C("start_slope_steep", "float", "Slope of the bank now, horizontal to vertical, at its steepest: 0 is vertical.", null=True, low=0),
        C("start_slope_flat", "float", "At its flattest.", null=True, low=0),
        C("finished_slope", "float", "Slope after the works, horizontal to vertical; null where no earth is moved.", null=True, low=0),
        C("sized", "bool", "At least one item is sized."),
        C("not_sized", "text", "What is not sized and why, in words; null where all is.", null=True),
        C("design", "text", "Why a qualified designer is called for; null where nothing known does.", null=True),
    ),
)
WORK_ITEMS = Layer(
    "work_items", "none", ("site_id", "item"), "Quantities of works as ranges. A site without rows is not sized: work_sites says why.",
    (
        C("site_id", "text", "Site."),
        C("item", "text", "Item of works.", among=ITEM_KEYS),
        C("unit", "text", "Unit of the quantities."),
        C("quantity_low", "float", "At least.", low=0),
        C("quantity_mid", "float", "In between, from the middle of what goes in.", low=0),
        C("quantity_high", "float", "At most.", low=0),
        C("formula", "text", "How the middle came about, with its numbers."),
        C("basis", "text", "How the least certain fact behind it was got.", among=WORK_BASES),
    ),
)
WORK_WARNINGS = Layer(
    "work_warnings", "none", (), "What does not fit together, or lies outside published ranges.",
    (
        C("site_id", "text", "Site; null where it holds for all.", null=True),
        C("check", "text", "What it is about.", among=WORK_CHECKS),
        C("says", "text", "What is wrong, with the numbers."),
        C("do", "text", "What to do."),
    ),
)

_EXAMPLE = C("example", "text", "What the table of prices says of itself where it is an example; else null.", null=True)
_MONEY = (
    C("cost_low", "float", "At least, with everything that is added.", "currency", null=True, low=0),
    C("cost_mid", "float", "In between: middle quantities at the middle of the prices.", "currency", null=True, low=0),
    C("cost_high", "float", "At most, with everything that is added.", "currency", null=True, low=0),
    C("currency", "text", "Currency, three letters."),
    C("price_year", "int", "Year of the prices, of the oldest where they differ."),
    C("price_year_last", "int", "Year of the newest of them."),
    C("at_least", "bool", "Something has no price or no size: the cost is at least that."),
    _EXAMPLE,
)
WORK_COSTS = Layer(
    "work_costs", "none", ("site_id", "line"), "What the cost of each site is made of; the lines add up to the line total.",
    (
        C("site_id", "text", "Site."),
        C("line", "text", "Item of works, or what is added."),
        C("kind", "text", "What the line is.", among=COST_KINDS),
        C("unit", "text", "Unit of the quantities; null for what is added.", null=True),
        C("quantity_low", "float", "Quantity, at least.", null=True, low=0),
        C("quantity_mid", "float", "In between.", null=True, low=0),
        C("quantity_high", "float", "At most.", null=True, low=0),
        C("price_low", "float", "Price of one unit in prices of price_year, at least.", "currency", null=True, low=0),
        C("price_high", "float", "At most.", "currency", null=True, low=0),
        C("cost_low", "float", "At least; null without a price. Below 0 only where the concept range is wider downwards.", "currency", null=True),
        C("cost_mid", "float", "In between.", "currency", null=True),
        C("cost_high", "float", "At most.", "currency", null=True),
        C("currency", "text", "Currency, three letters."),
        C("year_given", "int", "Year of the price in the table.", null=True),
        C("price_year", "int", "Year it was brought to by the table's index, else the year given; the oldest in a sum.", null=True),
        C("price_year_last", "int", "The newest in a sum, else the same.", null=True),
        C("says", "text", "How the line came about, with its numbers."),
        _EXAMPLE,
    ),
)
SITE_COSTS = Layer(
    "site_costs", "none", ("site_id",), "What the works of each site cost, as a range; null with the reason where it cannot be told.",
    (
        C("site_id", "text", "Site."),
        *_MONEY,
        C("not_priced", "text", "Items without a price; null where all have one.", null=True),
        C("reason", "text", "Why there is no cost; null where there is one.", null=True),
    ),
)
PROPERTY_COSTS = Layer(
    "property_costs", "none", ("property_id",), "What the works on each property cost, start-up once.",
    (
        C("property_id", "text", "Property."),
        C("site_count", "int", "Sites on it that were looked at.", low=0),
        C("priced_count", "int", "Sites of those that have a cost.", low=0),
        C("start_low", "float", "Start-up of the property in that, at least.", "currency", null=True, low=0),
        C("start_mid", "float", "In between.", "currency", null=True, low=0),
        C("start_high", "float", "At most.", "currency", null=True, low=0),
        *_MONEY,
    ),
)
WORK_HOURS = Layer(
    "work_hours", "none", ("site_id", "item"), "Hours of one person for what is done by hand at each site, by published rates.",
    (
        C("site_id", "text", "Site."),
        C("item", "text", "Item of works.", among=ITEM_KEYS),
        C("task", "text", "What is done."),
        C("hours_low", "float", "Lowest quantity at the fastest rate.", "hours of one person", low=0),
        C("hours_high", "float", "Highest quantity at the slowest rate.", "hours of one person", low=0),
        C("rate", "text", "The rate in words."),
    ),
)
MONITORING = Layer(
    "monitoring", "none", (), "What visits of several dates saw at one place, in order of time: a row a date and measure.",
    (
        C("place_id", "text", "Id of the place, from its bank and the metres up it; its coordinates where no bank is there."),
        C("bank_id", "text", "Bank of the first visit there.", null=True),
        C("reach_id", "text", "Reach of that bank.", null=True),
        C("side", "text", "Looking downstream.", among=SIDES),
        C("visit_id", "text", "Id of the visit on its form; of several on one day, with commas between.", null=True),
        C("date", "text", "Day, as 2026-05-31; null where the form tells none, and then it stands in no order.", null=True),
        C("days", "float", "Days since the first value of this measure and mark there.", "d", null=True, low=0),
        C("measure", "text", "What was seen.", among=tuple(MONITORED)),
        C("mark", "text", "Mark of the pin or photo point.", null=True),
        C("value", "float", "What was seen that day, in the unit beside; of a pin how far it stands out.", null=True),
        C("unit", "text", "Unit of value and since_first."),
        C("since_first", "float", "Change since the first; of a pin the retreat of the face, below 0 where it built up.", null=True),
        C("per_year", "float", "That change of pins and volumes for 365 days; of a pin mm/y, of a volume m3/y.", null=True),
        C("at_least", "bool", "Whether change and rate are at least so much: a pin was washed out."),
        C("says", "text", "What to know of the row.", null=True),
    ),
)

INPUT_LAYERS = (
    STREAMS, INFLOWS, PARCELS, WATER, ROADS, BANK_LINES, SOILS, WETLANDS, CONSTRAINTS, DONE, ERODING, WATERSHED, SUB_WATERSHEDS,
    SETBACK_ZONES, VISITS, LEGEND,
)
RESULT_LAYERS = (
    REACHES, BANKS, BANK_SETBACKS, GAPS, SITES, PROPERTIES, FLOW_POINTS, CROSSINGS, SHOWN_KNICKPOINTS, SHOWN_CONSTRAINTS,
    WORKS_DONE, SCARS, SHOWN_VISITS, MONITORING, SHOWN_FRONTAGES, FACTORS, LONG_PROFILES, SENSITIVITY, FINDINGS, STATION_RESULTS,
)
ON_DEMAND_LAYERS = (WORK_SITES, WORK_ITEMS, WORK_WARNINGS, WORK_COSTS, SITE_COSTS, PROPERTY_COSTS, WORK_HOURS)
"""Tables of commands that read finished results."""
