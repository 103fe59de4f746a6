"""A straight valley whose line is 15 m beside the channel: re-centred where heights are fine, doubted elsewhere."""

from __future__ import annotations

import numpy as np
import pytest

import gisprio
from gisprio.run.engine import run as engine_run
from makers import LENGTH_M, PASTURE, WOODY, frame, straight_banks, straight_valley

FINE_M = 1000.0
"""The upper part of the stream has heights of 1 m."""


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    world = straight_valley()
    world.cover = lambda u, v: np.where(np.abs(v) < 18, WOODY, PASTURE)  # 15 m on both sides of 6 m of water
    world.layers = {"streams": frame([world.place.line((0, 15), (LENGTH_M, 15))])}
    world.finer["lidar.tif"] = ((-100.0, -105.0, FINE_M, 105.0), 1.0, straight_banks)
    settings = gisprio.read_settings(world.write(tmp_path_factory.mktemp("shifted")))
    engine_run(settings)
    return gisprio.open_results(settings.output())


def _says(results, check):
    return results.findings.loc[results.findings["check"] == check, "says"].tolist()


def test_where_fine_heights_show_the_channel_the_bank_lines_lie_beside_it(results):
    (says,) = _says(results, "recentred")
    assert says == (
        "Bank lines of half the bankfull width were re-centred on 1.0 of 3.0 km, by 15.0 m (median of reaches; 15.0 m "
        "at most): fine heights show the channel there."
    )
    fine = results.banks[results.banks["recentred_length_m"] > 199]
    np.testing.assert_allclose(fine["recentred_m"], -15.0, atol=0.5)  # the line lies to the left of its channel
    width = fine.groupby("side")["buffer_width_m"].median()
    assert abs(width["left"] - width["right"]) < 1.5
    assert (fine["line_offset_m"] < 1.0).all()


def test_elsewhere_the_gaps_mirror_each_other_and_are_uncertain(results):
    (says,) = _says(results, "mirrored_gaps")
    assert says.startswith("Along 2.0 km of ")
    assert says.endswith(
        "the strip is short on the left and full on the right, as it is beside a line that lies about 15 m too far "
        "left. The gaps there are uncertain."
    )
    coarse = results.banks.loc[results.banks["recentred_length_m"] == 0, "bank_id"]
    gaps = results.gaps.assign(coarse=results.gaps["bank_id"].isin(coarse))
    assert set(gaps.loc[gaps["coarse"], "certainty"]) == {"uncertain"}
    assert "clear" in set(gaps.loc[~gaps["coarse"], "certainty"])
