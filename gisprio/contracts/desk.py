"""The desk check: what is asked of a place on maps and images, and the columns of its table."""

from __future__ import annotations

from gisprio.contracts.visits import VERDICTS

FILLED_IN = ("verdict", "date", "notes")
"""Columns a person fills in; without a verdict a row changes nothing."""
READ_BACK = ("visit_id", "bank_id", "side", "latitude", "longitude", "verdict", "date")
"""Columns that are read back; of these the table must have side, latitude, longitude and verdict."""
NEEDED = ("side", "latitude", "longitude", "verdict")
QUESTION = "Is this the place the map says?"
VERDICT_SAYS = dict(
    zip(
        VERDICTS,
        (
            "line, bank and cover are as drawn.",
            "the stream runs elsewhere, or there is none.",
            "what grows or stands along the bank is not what the land cover says.",
            "the strip is planted, or the bank is secured.",
            "a ditch, a canal, a lined or piped stream, or a pond.",
        ),
        strict=True,
    )
)
"""What each verdict means on a picture."""
