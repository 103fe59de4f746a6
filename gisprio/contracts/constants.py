"""Published numbers: value, unit, range it was fitted on, source. Numbers without a source say so."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Constant:
    """A number with its origin.

    Parameters
    ----------
    value
        The number.
    unit
        Its unit in words.
    source
        Key in references.toml, "exact" (by definition), "own" or "common practice, no source".
    status
        verified (a text showing it was seen), memory (from memory, unverified), or own.
    says
        What it is.
    """

    value: float
    unit: str
    source: str
    status: str
    says: str


WATER_DENSITY = Constant(1000.0, "kg/m3", "exact", "verified", "Density of water, by convention.")
GRAVITY = Constant(9.81, "m/s2", "exact", "verified", "Gravity, by convention.")
SQUARE_MILE_KM2 = Constant(2.589988110336, "km2", "exact", "verified", "One square mile, by definition.")
FOOT_M = Constant(0.3048, "m", "exact", "verified", "One international foot, by definition.")
US_SURVEY_FOOT_M = Constant(1200.0 / 3937.0, "m", "exact", "verified", "One US survey foot, by definition.")
CUBIC_FOOT_M3 = Constant(0.028316846592, "m3", "exact", "verified", "One cubic foot, by definition.")

CONFINED_RATIO = Constant(2.0, "valley width / channel width", "nagel2014", "verified", "Median of confined valleys.")
UNCONFINED_RATIO = Constant(
    10.0, "valley width / channel width", "nagel2014", "verified", "Median of unconfined valleys."
)
JARRETT_FACTOR = Constant(
    0.32, "SI", "jarrett1984", "memory", "n = 0.32 S^0.38 R^-0.16, R in metres (0.39 with R in feet)."
)
JARRETT_SLOPE_POWER = Constant(0.38, "", "jarrett1984", "memory", "Exponent of slope in the roughness form.")
JARRETT_RADIUS_POWER = Constant(-0.16, "", "jarrett1984", "memory", "Exponent of hydraulic radius in it.")
TORN_OUT_POWER = Constant(35.0, "W/m2", "brookes1987", "memory", "Power from which straightened channels erode.")
GRASS_SHEAR = Constant(1.97, "of bare soil", "julian_torres2006", "verified", "Critical shear stress under grass.")
TREES_SHEAR = Constant(19.2, "of bare soil", "julian_torres2006", "verified", "Critical shear stress under trees.")
HELD_RETREAT = Constant(0.24, "m/y", "micheli_kirchner2002", "verified", "Retreat of banks under wet-meadow plants.")
BARE_RETREAT = Constant(1.4, "m/y", "micheli_kirchner2002", "verified", "Retreat of the same stream's banks without.")
FINES_SHEAR_0 = Constant(0.1, "Pa", "julian_torres2006", "verified", "Critical shear stress of soil without fines.")
FINES_SHEAR_1 = Constant(0.1779, "Pa", "julian_torres2006", "verified", "Times silt plus clay in percent.")
FINES_SHEAR_2 = Constant(0.0028, "Pa", "julian_torres2006", "verified", "Times its square.")
FINES_SHEAR_3 = Constant(-2.34e-5, "Pa", "julian_torres2006", "verified", "Times its cube.")
CANOPY_LEAST = Constant(-2.0, "m", "own", "own", "Canopy heights below are none: noise over bare ground is smaller.")
CANOPY_MOST = Constant(120.0, "m", "own", "own", "Canopy heights above are none: no tree is as tall.")
SAME_CELL = Constant(1.1, "ratio", "own", "own", "Cells of two systems that differ by less are one size.")
URBAN_SHARE = Constant(0.2, "share", "own", "own", "Developed share of the ground from which a rural curve is doubted.")
CROSSING_ANGLE_DEG = Constant(
    30.0, "degrees", "own", "own", "A road that meets the stream at more than this crosses it."
)
CROSSING_MARGIN_M = Constant(10.0, "m", "own", "own", "Added to the road's width along the stream.")
VALLEY_RISE_DEPTHS = Constant(
    2.0,
    "bankfull depths",
    "own",
    "own",
    "Ground up to this far above the low of the channel is valley floor.",
)
STANDING_WIDTHS = Constant(4.0, "bankfull widths", "own", "own", "Water wider than this stands...")
STANDING_LENGTH_WIDTHS = Constant(2.0, "bankfull widths", "own", "own", "...where it goes on for this length.")
SLOPE_ERROR_SHARE = Constant(0.2, "share of the slope", "own", "own", "Error a slope window is lengthened to reach.")
SLOPE_WIDTHS = Constant(20.0, "bankfull widths", "common practice, no source", "own", "Shortest slope window.")

UNIT_PLOT_LENGTH = Constant(22.13, "m", "wischmeier_smith1978", "verified", "Slope length at which L is 1.")
STEEPNESS_BREAK = Constant(0.09, "m/m", "mccool1987", "verified", "From this slope on the steeper branch of S holds.")
STEEPNESS_CAP = Constant(0.5, "m/m", "panagos2015_ls", "verified", "S and m rise no further: data end near 50 %.")
LENGTH_CAP = Constant(122.0, "m", "common practice, no source", "memory", "Slopes count as no longer: 400 ft.")
CONNECTED_SLOPE_LEAST = Constant(0.005, "m/m", "cavalli2013", "verified", "Least slope in the index of connectivity.")
CONNECTED_SLOPE_MOST = Constant(1.0, "m/m", "cavalli2013", "verified", "Largest slope in it.")
CONNECTED_WEIGHT_LEAST = Constant(0.001, "C factor", "borselli2008", "verified", "Least weight of cover in it.")
SDR_MOST = Constant(0.8, "share", "vigiak2012", "verified", "Largest share of lost soil that reaches a stream.")
SDR_IC0 = Constant(0.5, "index of connectivity", "vigiak2012", "verified", "Index at which half of that reaches it.")
SDR_K = Constant(2.0, "index of connectivity", "vigiak2012", "verified", "How slowly that share rises with the index.")
C_WOOD = Constant(0.0013, "C factor", "panagos2015", "verified", "Broadleaved wood.")
C_GRASS = Constant(0.0435, "C factor", "panagos2015", "verified", "Natural grassland.")
C_PASTURE = Constant(0.0903, "C factor", "panagos2015", "verified", "Pasture.")
C_ARABLE = Constant(0.233, "C factor", "panagos2015", "verified", "Arable land.")
C_SPARSE = Constant(0.2652, "C factor", "panagos2015", "verified", "Sparse vegetation.")
C_MEAN = Constant(0.1043, "C factor", "panagos2015", "verified", "Mean of the European Union.")
K_US_TO_SI = Constant(0.1317, "t ha h / (ha MJ mm)", "renard1997", "verified", "K in SI units for 1 in US units.")

TRAPPED_MOST = Constant(90.9, "%", "zhang2010", "verified", "Sediment that the widest strips trap: K of the equation.")
TRAPPED_RATE = Constant(0.446, "1/m", "zhang2010", "verified", "How soon with width: b of the equation.")
WIDTH_EXPLAINS = Constant(37.0, "%", "zhang2010", "memory", "Variance of trapped sediment that width alone explains.")
REVIEW_WIDTH_NARROW = Constant(10.0, "m", "sweeney_newbold2014", "verified", "Narrower width that the review names.")
REVIEW_WIDTH_WIDE = Constant(30.0, "m", "sweeney_newbold2014", "verified", "Wider width that it names.")
REVIEW_SEDIMENT_NARROW = Constant(65.0, "%", "sweeney_newbold2014", "verified", "Sediment trapped at the narrower.")
REVIEW_SEDIMENT_WIDE = Constant(85.0, "%", "sweeney_newbold2014", "verified", "Sediment trapped at the wider.")
COOL_WIDTH = Constant(20.0, "m", "sweeney_newbold2014", "verified", "Width that keeps a stream within 2 C of forest.")
COOLEST_WIDTH = Constant(30.0, "m", "sweeney_newbold2014", "verified", "Width that protects its temperature in full.")
NITRATE_WIDTH = Constant(40.0, "m", "sweeney_newbold2014", "verified", "Width that parts the two classes of nitrate.")
NITRATE_NARROW_LEAST = Constant(26.0, "%", "sweeney_newbold2014", "verified", "Least nitrate removed in the narrower.")
NITRATE_NARROW_MOST = Constant(64.0, "%", "sweeney_newbold2014", "verified", "Most of it; the median is 55.")
NITRATE_WIDE_LEAST = Constant(27.0, "%", "sweeney_newbold2014", "verified", "Least nitrate removed in the wider.")
NITRATE_WIDE_MOST = Constant(99.0, "%", "sweeney_newbold2014", "verified", "Most of it; the median is 89.")
WOOD_WIDTH = Constant(30.0, "m", "sweeney_newbold2014", "verified", "Height of grown trees: wood falls in from so far.")
SHADE_RATIO_LEAST = Constant(1.0, "tree height / stream width", "shade2021", "verified", "Least for 70 % shade.")
SHADE_RATIO_MOST = Constant(2.6, "tree height / stream width", "shade2021", "verified", "Most for 70 % shade.")
AMPHIBIANS_LEAST = Constant(159.0, "m", "semlitsch_bodie2003", "verified", "Core habitat of amphibians, least.")
AMPHIBIANS_MOST = Constant(290.0, "m", "semlitsch_bodie2003", "verified", "Core habitat of amphibians, most.")
REPTILES_LEAST = Constant(127.0, "m", "semlitsch_bodie2003", "verified", "Core habitat of reptiles, least.")
REPTILES_MOST = Constant(289.0, "m", "semlitsch_bodie2003", "verified", "Core habitat of reptiles, most.")

CUBIC_YARD_M3 = Constant(0.764554857984, "m3", "exact", "verified", "One cubic yard, by definition.")
SHORT_TON_T = Constant(0.90718474, "t", "exact", "verified", "One US ton, by definition.")
POUND_KG = Constant(0.45359237, "kg", "exact", "verified", "One pound, by definition.")
STABLE_SLOPE = Constant(2.0, "horizontal to vertical", "nchrp544", "verified", "Most soils are stable at this slope.")
LIFT_LEAST = Constant(0.23, "m", "common practice, no source", "verified", "Least wrapped lift; a maker's guide: 9 in.")
LIFT_MOST = Constant(0.46, "m", "common practice, no source", "verified", "Highest of them; the same guide: 18 in.")
LIFT_EMBEDMENT = Constant(0.91, "m", "common practice, no source", "verified", "Mat held in the soil; the same: 3 ft.")
LIFT_STAKES = Constant(0.91, "m", "common practice, no source", "verified", "Stakes of a lift apart; the same: 3 ft.")
LIVE_STAKES_NEAR = Constant(0.6096, "m", "mde2000", "verified", "Live stakes apart, nearest: 2 ft.")
LIVE_STAKES_FAR = Constant(0.9144, "m", "mde2000", "verified", "Live stakes apart, farthest: 3 ft.")
TOE_ROCK_LEAST = Constant(2.9763, "t/m", "biedenharn1997", "verified", "Rock along a toe, at least: 1 US ton a foot.")
TOE_ROCK_MOST = Constant(5.9527, "t/m", "biedenharn1997", "verified", "Rock along a toe, at most: 2 US tons a foot.")
ROCK_DENSITY = Constant(2.65, "t/m3", "common practice, no source", "memory", "Density of rock.")
ROCK_VOIDS = Constant(0.375, "share", "common practice, no source", "memory", "Voids of dumped rock: 0.35 to 0.4.")
HEAP_SLOPE = Constant(1.5, "horizontal to vertical", "common practice, no source", "memory", "Sides of a heap of rock.")
BULKING = Constant(1.25, "loose / in place", "common practice, no source", "memory", "Dug earth takes more room.")
KEY_LENGTH = Constant(3.0, "m", "common practice, no source", "memory", "Shortest key into the bank: 10 ft.")
KEY_HEIGHTS = Constant(2.0, "bank heights", "common practice, no source", "memory", "A key is as long as this.")
SEED_LEAST = Constant(67.0, "kg/ha", "ecology2014", "verified", "Seed on wet ground: 60 lb an acre.")
SEED_MOST = Constant(134.0, "kg/ha", "ecology2014", "verified", "Seed against erosion: 120 lb an acre.")
SURVIVAL_LEAST = Constant(0.5, "share", "common practice, no source", "memory", "Bare-root plants that live, at least.")
SURVIVAL_MOST = Constant(0.9, "share", "common practice, no source", "memory", "Bare-root plants that live, at most.")
PERMIT_LENGTH = Constant(152.4, "m", "nwp2012", "verified", "Bank works under nationwide permit 13: 500 ft.")
PERMIT_FILL = Constant(2.508, "m3/m", "nwp2012", "verified", "Fill below ordinary high water: 1 cubic yard a foot.")
SHEAR_BARE = Constant(12.0, "Pa", "fischenich2001", "verified", "Bare soil usually bears less: 0.25 lb/ft2.")
SHEAR_LEAST = Constant(24.0, "Pa", "fischenich2001", "verified", "Planted soil and mats, at least: 0.5 lb/ft2.")
SHEAR_PLANTED = Constant(192.0, "Pa", "fischenich2001", "verified", "Planted soil, at most: 4 lb/ft2.")
SHEAR_MAT = Constant(383.0, "Pa", "fischenich2001", "verified", "Mats and living works, at most: 8 lb/ft2.")
SHEAR_HARD = Constant(622.0, "Pa", "fischenich2001", "verified", "Hard armour bears less: 13 lb/ft2.")
HAND_DIG = Constant(0.61, "m", "common practice, no source", "verified", "Dig by hand beside a located line: 24 in.")
