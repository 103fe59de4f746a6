"""The desk check in the browser and on paper: nothing is fetched, clips are seen, two places to a page."""

from __future__ import annotations

import io
import os
import re
from pathlib import Path

import numpy as np
from PIL import Image

from unit.products.test_clips import ALL
from unit.products.test_clips import page as desk_page


def test_clips_are_seen_and_nothing_is_fetched_and_two_places_fill_a_page(
    page, page_requests, console_errors, tmp_path
):
    path = tmp_path / "desk.html"
    why = "Erodes and short of riparian cover: the outer bank of a bend, and as long a sentence as there is. " * 2
    path.write_text(desk_page(ALL, count=4, why=why), encoding="utf-8")
    page.set_viewport_size({"width": 1100, "height": 900})
    page.goto(path.as_uri())
    assert (page_requests, console_errors) == ([path.as_uri()], [])
    picture = page.locator(".clips").first.screenshot()
    seen = np.asarray(Image.open(io.BytesIO(picture)).convert("RGB")).astype(int)
    colours = ((0x2F, 0x7D, 0x46), (0xD8, 0xA2, 0x3F), (0x0A, 0x4F, 0xD0), (0xC2, 0x00, 0x6B), (0xFA, 0x00, 0x00))
    shares = [float((np.abs(seen - colour).sum(axis=2) < 40).mean()) for colour in colours]
    assert shares[0] > 0.15  # the wood of the land cover, under its gap and lines
    assert min(shares) > 1e-4  # the maize, the stream, the ring, the red of the image
    place = os.environ.get("GISPRIO_PICTURES")
    if place:
        page.screenshot(path=Path(place) / "desk.png", full_page=True)
    for paper in ("A4", "Letter"):
        pages = re.findall(rb"/Type\s*/Page\b(?!s)", page.pdf(format=paper))
        assert len(pages) == 3
    page.set_viewport_size({"width": 390, "height": 844})
    assert page.evaluate("document.documentElement.scrollWidth") == 390
