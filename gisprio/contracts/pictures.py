"""Pictures of the ground that lie at the foot of a map."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from gisprio.contracts.grids import Bounds

Pixels = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture on an even grid of EPSG:3857.

    Parameters
    ----------
    pixels
        (rows, columns, 2) grey and opacity, or (rows, columns, 4) red, green, blue and opacity; 0 to 255, opacity 0 or
        255.
    bounds
        West, south, east, north [m of EPSG:3857].
    exaggeration
        What heights were multiplied by where it is a hillshade; None where it is an image alone.
    has_image
        Whether an image of the user's is in it.
    """

    pixels: Pixels
    bounds: Bounds
    exaggeration: float | None
    has_image: bool = False


class ImageSource(Protocol):
    """An image of the ground that can be drawn on a grid of EPSG:3857."""

    def drawn(self, bounds: Bounds, rows: int, columns: int) -> Pixels:
        """Draw it.

        Parameters
        ----------
        bounds
            West, south, east, north [m of EPSG:3857].
        rows, columns
            Size of the picture.

        Returns
        -------
        array
            (rows, columns, 4) red, green, blue and opacity; opacity 0 where the image has no data.
        """
        ...
