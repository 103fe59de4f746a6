"""Colours that must be told apart are, also by eyes that lack one kind of cone.

Distance is that of CIECAM02-UCS (Luo, Cui & Li 2006); dichromacy is simulated after Machado, Oliveira & Fernandes
(2009) at severity 100; both as the library colorspacious computes them. Issue 7 asks for 10.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from colorspacious import cspace_convert, deltaE

from gisprio.products.classes import GAP, NEED_CLASSES, NOT_RANKED, VIRIDIS_5

LEAST = 10.0
EYES = ("normal", "deuteranomaly", "protanomaly", "tritanomaly")
RANKED = (*VIRIDIS_5, NOT_RANKED, GAP)
NEEDS = (*(one.colour for one in NEED_CLASSES), NOT_RANKED)


def seen(colours, eye):
    """Give colours as an eye sees them, (n, 3) sRGB 0 to 1."""
    plain = np.array([[int(colour[i : i + 2], 16) for i in (1, 3, 5)] for colour in colours]) / 255
    if eye == "normal":
        return plain
    space = {"name": "sRGB1+CVD", "cvd_type": eye, "severity": 100}
    return np.clip(cspace_convert(plain, space, "sRGB1"), 0, 1)


def too_near(colours, eye):
    """Give the pairs that are nearer than asked, with their distance."""
    shown = seen(colours, eye)
    apart = {
        (colours[i], colours[j]): float(deltaE(shown[i], shown[j], input_space="sRGB1", uniform_space="CAM02-UCS"))
        for i, j in combinations(range(len(colours)), 2)
    }
    return {pair: round(distance, 1) for pair, distance in apart.items() if distance < LEAST}


@pytest.mark.parametrize("eye", EYES)
@pytest.mark.parametrize("colours", [RANKED, NEEDS], ids=["classes, not ranked and gap", "needs and not ranked"])
def test_colours_stay_apart_for_every_eye(colours, eye):
    assert too_near(colours, eye) == {}


def test_red_and_green_of_equal_lightness_are_found_too_near():
    ramp = ("#d7191c", "#fdae61", "#ffffbf", "#a6d96a", "#1a9641")
    assert too_near(ramp, "normal") == {}
    assert too_near(ramp, "deuteranomaly")
