"""Sites made by hand for tests of works: what is known of each is given, and changed by name."""

from __future__ import annotations

from dataclasses import replace

from gisprio.compute.works.heights import given_heights
from gisprio.compute.works.site_facts import SiteFacts
from gisprio.contracts.settings import Settings, Sizing
from gisprio.contracts.works import Given


def settings_with(**sizing: object) -> Settings:
    """Give settings of a run with some keys of ``[sizing]``."""
    return Settings.model_validate(
        {
            "run": {"name": "Made", "output": "out"},
            "layers": {"dem": "dem.tif", "land_cover": "cover.tif"},
            "land_cover": {"legend": "nlcd"},
            "sizing": sizing,
        }
    )


WORKED = {
    "finished_slope": 3.0,
    "face": "lifts",
    "lift_height_m": 0.30,
    "mat_width_m": 2.0,
    "anchor_m": 0.70,
    "stake_spacing_m": 0.90,
}
"""Choices of the worked bank of the issue: to 3:1, mat 2 m wide of which 0.70 m is anchored, lifts of 0.30 m."""


def site_facts(**changed: object) -> SiteFacts:
    """Give the worked bank: 55 m long, 1.40 to 2.05 m high, vertical; fields changed by name."""
    sizing = Sizing(**WORKED)
    facts = SiteFacts(
        site={
            "site_id": "AAAAAA-01-L-S1",
            "property_id": "P1",
            "length_m": 55.0,
            "setback_m": 30.0,
            "adjacent_cover": "crop",
            "certainty": "clear",
            "name": "Made Brook",
            "side": "left",
            "rank": 1,
        },
        given=Given(),
        measure="bank works and plant",
        length_m=55.0,
        length_basis="given",
        heights=given_heights(55.0, 1.40, 2.05, sizing),
        no_heights="",
        mapped=None,
        start=(0.0, 0.0, 0.0),
        start_basis="given",
        start_says="0:1, measured on site",
        finished=3.0,
        area=(1500.0, 1500.0, 1500.0),
        area_basis="measured",
        area_says="ground of the strip that lacks counting cover",
        woody=(0.1, 0.1, 0.1),
        woody_basis="modelled",
        near={},
        beside="",
        bend=8.0,
        width_m=6.0,
        drainage_km2=12.0,
        velocity_m_s=1.2,
        shear_pa=31.4,
    )
    return replace(facts, **changed)
