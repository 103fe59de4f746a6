"""Fences against stock, and water for it away from the stream."""

from __future__ import annotations

from gisprio.compute.works.quantities import Quantity, quantity, told


def size_fencing(length: float, setback: float, length_basis: str) -> list[Quantity]:
    """Size a fence along a site, and a place to drink behind it.

    Parameters
    ----------
    length, length_basis
        Of the site along the bank [m], and how it was got.
    setback
        Width of the strip [m]: the fence may have to come down to the bank at one end, or at both.

    Notes
    -----
    At least the fence runs along the site alone, joined to others at both ends; at most it comes down to the bank at
    both. Water is wanted where stock drank from the stream: at least nowhere, when there is water already.
    """
    fence = (length, length + setback, length + 2 * setback)
    formula = (
        f"{told(length)} + {told(setback)} = {told(fence[1])} m; along the site and down to the bank at one end; "
        "at none or both at least and most"
    )
    return [
        quantity("fence", fence, formula, length_basis),
        quantity(
            "off_stream_water",
            (0.0, 1.0, 1.0),
            "1 = 1 places; none where there is water already; one may serve all sites of a property",
            "assumed",
        ),
    ]
