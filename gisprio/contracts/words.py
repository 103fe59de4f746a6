"""Closed word lists that several floors share."""

from __future__ import annotations

COVERS = ("woody", "herbaceous", "pasture", "crop", "bare", "developed", "wetland", "water", "other")
"""Cover classes every legend is translated to."""

STREAM_KINDS = ("natural", "ditch", "piped", "lake_path", "tidal", "canal", "unconfirmed")
"""What a stream line is; only ``natural`` is ranked by default."""

SIDES = ("left", "right")
"""Banks, named looking downstream. As a number in station tables: 0 left, 1 right."""

BASES = ("measured", "modelled", "default", "missing")
"""How a value was got."""

BANK_LINE_BASES = ("given", "water_edge", "half_width")
"""Where the bank line came from: the user's line, the water polygon's edge, half the bankfull width."""

HEIGHT_CODES = ("top", "low", "coarse", "no_heights", "no_break", "high", "falls_again", "road", "visit")
"""What was seen of a bank's height: its top; one lower than the error of the heights; why it has none; or that a visit
measured it."""

CROSSING_KINDS = ("road", "railway", "track", "path")
"""What crosses a stream."""

GAP_DOUBTS = ("line_off", "within_error", "in_water", "mirrored")
"""Why a gap is uncertain: bank lines off the channel, less lacking than the error, the bank line in water, the other
bank's strip fuller as beside a shifted line."""

NEEDS = ("both", "erosion_only", "gap_only", "none")
"""Which of the two scores reaches the threshold of need."""

MEASURES = ("look first", "bank works and plant", "fence and plant", "plant", "protect")
"""What a site asks for, by a short table: compute/land/measures.py."""

SITE_KINDS = ("gap", "erosion", "strip")
"""What the stations of a site were taken for: a gap to plant, an eroding bank with its strip, a strip to protect."""

SETBACK_KINDS = ("statute", "standard", "guidance", "own target")
"""What stands behind a setback."""

CAUTION = (
    "Screening level, from maps. Not a survey, a design, a permit or a legal opinion. Lines and classes may be wrong: "
    "verify in the field, have utilities located before digging, ask the local authority about permits, setbacks and "
    "in-water timing windows, and use a qualified designer for any work on a bank."
)
"""The caution every output carries."""
