"""The window of a printed map: which ground it shows at which round scale, and where a place lies on the page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from gisprio.products.sheets.marks import Points

SCALES = (500, 750, 1000, 1250, 1500, 2000, 2500, 3000, 4000, 5000, 6000, 7500, 10_000, 12_500, 15_000, 20_000, 25_000)
"""Scales a sheet may have; beyond them it is the next whole 5,000 [own]."""
WHOLE_UP_TO = 7500
"""A property that would need a smaller scale is not shown whole: its strips would be too thin to see [own]."""
PART_FROM = 5000.0
"""Where only a part of a property is shown, the scale is no larger, so that one sees where the part lies [own]."""
AROUND_MM = 6.0
"""What is left free around what must be seen [own]."""

Bounds = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Frame:
    """A window on the ground, north up.

    Parameters
    ----------
    box
        Left, lower, right and upper edge on the page [mm].
    centre
        The place in its middle, in the working system [m].
    scale
        Metres on the ground that a metre on the page shows.
    """

    box: Bounds
    centre: tuple[float, float]
    scale: float

    @property
    def ground(self) -> Bounds:
        """The ground it shows: least x and y, greatest x and y [m]."""
        left, low, right, high = self.box
        half_x, half_y = (self.metres(side) / 2 for side in (right - left, high - low))
        x, y = self.centre
        return x - half_x, y - half_y, x + half_x, y + half_y

    def metres(self, mm: float) -> float:
        """Give the metres on the ground of millimetres on the page."""
        return mm * self.scale / 1000

    def places(self, ground: np.ndarray) -> Points:
        """Give places on the page [mm] of places on the ground [m], (n, 2)."""
        left, low, right, high = self.box
        middle = np.array([(left + right) / 2, (low + high) / 2])
        return middle + (np.asarray(ground) - self.centre) * (1000 / self.scale)

    def cut(self, shape: shapely.Geometry) -> shapely.Geometry:
        """Cut a shape on the ground to the window, and lay it on the page [mm]."""
        kept = shapely.intersection(shape, shapely.box(*self.ground))
        return shapely.transform(kept, self.places)


def frame_for(box: Bounds, must: Sequence[shapely.Geometry], whole: shapely.Geometry) -> Frame:
    """Choose the window: the whole property where its strips can still be seen then, else they and the nearest edge.

    Parameters
    ----------
    box
        Left, lower, right and upper edge on the page [mm].
    must
        What must be seen: the strips.
    whole
        The property.
    """
    everything = scale_for(box, shapely.total_bounds([whole, *must]))
    if everything <= WHOLE_UP_TO:
        return _on(box, shapely.total_bounds([whole, *must]), everything)
    edge = shapely.shortest_line(shapely.union_all(list(must)), shapely.boundary(whole))
    bounds = shapely.total_bounds([edge, *must])
    return _on(box, bounds, max(scale_for(box, bounds), PART_FROM))


def scale_for(box: Bounds, bounds: np.ndarray) -> float:
    """Give the largest round scale at which bounds [m] fit into a box [mm], with some room around."""
    wide, high = box[2] - box[0] - 2 * AROUND_MM, box[3] - box[1] - 2 * AROUND_MM
    need = 1000 * max((bounds[2] - bounds[0]) / wide, (bounds[3] - bounds[1]) / high)
    fitting = [scale for scale in SCALES if scale >= need]
    return float(fitting[0] if fitting else 5000 * np.ceil(need / 5000))


def _on(box: Bounds, bounds: np.ndarray, scale: float) -> Frame:
    return Frame(box, (float(bounds[0] + bounds[2]) / 2, float(bounds[1] + bounds[3]) / 2), scale)


def bar_length(frame: Frame, most_mm: float, unit_m: float) -> int:
    """Give the longest round length, in units of ``unit_m`` metres, whose bar is at most ``most_mm`` long.

    >>> bar_length(Frame((0, 0, 100, 100), (0, 0), 5000), 45, 1.0)
    200
    """
    most = frame.metres(most_mm) / unit_m
    power = 10 ** np.floor(np.log10(most))
    return max(1, int(max(step * power for step in (1, 2, 5) if step * power <= most)))
