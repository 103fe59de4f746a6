"""Long profiles as a table, and as a picture that needs nothing but a browser."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gisprio.contracts.cards import Results
from gisprio.contracts.constants import FOOT_M
from gisprio.contracts.words import CAUTION
from gisprio.products import svg
from gisprio.products.tables import write_table
from gisprio.products.units import shown_units

LEAST_M = 1000.0
"""Shorter streams have no panel [own]..."""
MOST_PANELS = 12
"""...and only this many of the longest ones have [own]; the table has all."""
POWER_BREAKS = (10.0, 35.0, 100.0)
POWER_SAYS = ("under 10", "10 to 35", "35 to 100", "100 and more")
"""Classes of unit stream power [W/m2]: those of its value function, and 100 [own]."""
WIDTH, LEFT, RIGHT = 1000.0, 64.0, 24.0
PLOT_HEIGHT, STRIP_HEIGHT, PANEL_HEIGHT, HEAD_HEIGHT = 170.0, 14.0, 286.0, 118.0
MOST_POINTS = 900
LETTER = 5.7
"""Width of a small letter, for keeping labels apart."""

STYLE = """
text{font:12px system-ui,'Segoe UI',Helvetica,Arial,sans-serif;fill:#222}
.title{font-size:20px;font-weight:600}.name{font-size:15px;font-weight:600}.small{font-size:11px;fill:#444}
.grid{stroke:#e3e3e3;stroke-width:1}.axis{stroke:#555;stroke-width:1}
.raw{fill:none;stroke:#9a9a9a;stroke-width:1}.fall{fill:none;stroke:#12395b;stroke-width:2.2;stroke-linejoin:round}
.lake_path{fill:#c5dff0}.piped{fill:#dedede}
.crossing{fill:#fff;stroke:#111;stroke-width:1.4}.step{fill:#b3006b;stroke:#fff;stroke-width:.8}
.steptext{font-size:12px;font-weight:600;fill:#8c0053}.joins{stroke:#777;stroke-width:1;stroke-dasharray:2 2}
.p0{fill:#fff1bf}.p1{fill:#fdb84c}.p2{fill:#d95f0e}.p3{fill:#6b2003}.pnone{fill:#fff;stroke:#bbb;stroke-width:.6}
.frame{fill:none;stroke:#888;stroke-width:.8}
""".replace("\n", "")

Floats = NDArray[np.float64]


def write_profiles_table(path: Path, results: Results) -> None:
    """Write the layer ``long_profiles`` as CSV."""
    write_table(path, results.tables["long_profiles"])


def write_profiles_picture(path: Path, results: Results) -> None:
    """Draw the long profiles of the longest streams, a panel each, as SVG.

    Parameters
    ----------
    path
        File to write.
    results
        ``long_profiles``; units of the settings.

    Notes
    -----
    No clock, no random names, letters as text: the same results give the same bytes.
    """
    table = results.tables["long_profiles"]
    chosen, left_out = chosen_streams(table)
    scale = Scale.of(results.settings.report.units)
    marks = list(_head(results.settings.run.name, scale))
    top = HEAD_HEIGHT
    for stream in chosen:
        marks += Panel(table, stream, scale, top).marks()
        top += PANEL_HEIGHT
    if not chosen:
        marks.append(svg.words((LEFT, top + 20), "There is no stream."))
        top += 40
    cell = float(results.elevation.lattice.cell_m)
    caption = [line for part in _caption(cell, left_out, scale) for line in textwrap.wrap(part, 165)]
    marks += [svg.words((LEFT, top + 12 + 15 * n), line, kind="small") for n, line in enumerate(caption)]
    title = f"Long profiles of {results.settings.run.name}"
    picture = svg.page(WIDTH, top + 24 + 15 * len(caption), STYLE, title, marks)
    path.write_text(picture, encoding="utf-8", newline="\n")


def chosen_streams(table: pd.DataFrame) -> tuple[list[str], int]:
    """Give the ids of the streams that get a panel, the longest first, and how many get none.

    The longest stream always has one, however short.
    """
    length = table.groupby("stream_id")["from_mouth_m"].max()
    order = sorted(length.index, key=lambda stream: (-length[stream], stream))
    chosen = [stream for n, stream in enumerate(order) if n == 0 or length[stream] >= LEAST_M][:MOST_PANELS]
    return chosen, len(order) - len(chosen)


@dataclass(frozen=True)
class Scale:
    """Units that people read: factor and name of heights and of distances."""

    height: tuple[float, str]
    far: tuple[float, str]

    @classmethod
    def of(cls, system: Literal["si", "us"]) -> Scale:
        """Give the units of a system."""
        far = (1 / 1000, "km") if system == "si" else (1 / (5280 * FOOT_M.value), "miles")
        return cls(shown_units(system)["m"], far)

    def tall(self, metres: float, digits: int = 1) -> str:
        """Write a height with its unit."""
        return f"{metres * self.height[0]:.{digits}f} {self.height[1]}"

    def long(self, metres: float) -> str:
        """Write a distance with its unit."""
        return f"{metres * self.far[0]:.1f} {self.far[1]}"


class Panel:
    """One stream: heights above, unit stream power as a strip below, the mouth on the left.

    Parameters
    ----------
    table
        Layer ``long_profiles``.
    stream
        Its id.
    scale
        Units.
    top
        Upper edge on the page.
    """

    def __init__(self, table: pd.DataFrame, stream: str, scale: Scale, top: float) -> None:
        own = table[table["stream_id"] == stream].sort_values("from_mouth_m")
        self.own, self.table, self.scale, self.top = own, table, scale, top + 46
        self.at = own["from_mouth_m"].to_numpy(float)
        self.falling = own["falling_elevation_m"].to_numpy(float)
        self.raw = own["low_elevation_m"].to_numpy(float)
        self.cell = float(np.median(np.diff(self.at))) if len(self.at) > 1 else 2 * float(self.at[0])
        self.length = float(self.at[-1]) + self.cell / 2
        known = self.falling[~np.isnan(self.falling)]
        known = known if len(known) else self.raw[~np.isnan(self.raw)]
        low, high = (float(known[0]), float(known[-1])) if len(known) else (0.0, 1.0)
        self.fall = high - low
        margin = 0.06 * max(self.fall, 1.0)
        self.low, self.high = low - margin, high + 3 * margin

    def x(self, at: float) -> float:
        """Give the place of a distance on the page."""
        return LEFT + at / self.length * (WIDTH - LEFT - RIGHT)

    def y(self, height: float) -> float:
        """Give the place of a height on the page, kept inside the plot."""
        share = (height - self.low) / (self.high - self.low)
        return self.top + PLOT_HEIGHT * (1 - min(max(share, 0.0), 1.0))

    def level(self, at: float) -> float:
        """Give the height of the stream at a place, also between known ones."""
        known = ~np.isnan(self.falling)
        return float(np.interp(at, self.at[known], self.falling[known])) if known.any() else self.low

    def marks(self) -> Iterator[str]:
        """Give everything that is drawn, from back to front."""
        yield from self._title()
        yield from self._barriers()
        yield from self._axes()
        yield from self._lines()
        yield from self._joins()
        yield from self._crossings()
        yield from self._steps()
        yield from self._strip()

    def _title(self) -> Iterator[str]:
        first = self.own.iloc[0]
        name = first["stream_name"] if pd.notna(first["stream_name"]) else f"Unnamed stream {first['stream_id']}"
        plot = WIDTH - LEFT - RIGHT
        ratio = (self.length / plot) / ((self.high - self.low) / PLOT_HEIGHT)
        into = self.table.loc[self.table["stream_id"] == first["joins_stream_id"], "stream_name"].dropna()
        joins = ""
        if pd.notna(first["joins_stream_id"]):
            other = str(into.iloc[0])[:40] if len(into) else f"stream {first['joins_stream_id']}"
            joins = (
                f", joins {other} {self.scale.long(first['from_outlet_m'] - first['from_mouth_m'])} above the outlet"
            )
        says = (
            f"{self.scale.long(self.length)} long, falls {self.scale.tall(self.fall, 0)}{joins}; "
            f"heights drawn {ratio:.2g} times too tall"
        )
        yield svg.words((LEFT, self.top - 26), name, kind="name", most=60)
        yield svg.words((LEFT, self.top - 10), says, kind="small")

    def _axes(self) -> Iterator[str]:
        factor, unit = self.scale.height
        right, bottom = WIDTH - RIGHT, self.top + PLOT_HEIGHT
        for value in svg.ticks(self.low * factor, self.high * factor, 4):
            y = self.y(value / factor)
            yield svg.line((LEFT, y), (right, y), "grid")
            yield svg.words((LEFT - 8, y + 4), f"{value:g}", anchor="end")
        yield svg.words((LEFT - 8, self.top - 8), unit, kind="small", anchor="end")
        yield svg.line((LEFT, bottom), (right, bottom), "axis")
        below = bottom + 6 + STRIP_HEIGHT
        far, unit = self.scale.far
        for value in svg.ticks(0.0, self.length * far, 9):
            x = self.x(value / far)
            yield svg.line((x, below), (x, below + 4), "axis")
            if x < right - 150 or value == 0:
                yield svg.words((x, below + 17), f"{value:g}", anchor="middle")
        yield svg.words((right, below + 17), f"{unit} above its mouth →", kind="small", anchor="end")

    def _barriers(self) -> Iterator[str]:
        barrier = self.own["barrier"].fillna("").to_numpy(object)
        for start, end in _runs(barrier != ""):
            for kind in ("lake_path", "piped"):
                for a, b in _runs(barrier[start:end] == kind):
                    x0, x1 = self.x(self._edge(start + a)), self.x(self._edge(start + b))
                    yield svg.box((x0, self.top), max(x1 - x0, 1.5), PLOT_HEIGHT, kind)

    def _edge(self, place: int) -> float:
        """Give where a point's cell begins; after the last, where the stream ends."""
        return float(self.at[place]) - self.cell / 2 if place < len(self.at) else self.length

    def _lines(self) -> Iterator[str]:
        for values, kind in ((self.raw, "raw"), (self.falling, "fall")):
            known = np.flatnonzero(~np.isnan(values))
            known = known[np.unique(np.linspace(0, len(known) - 1, min(len(known), MOST_POINTS)).astype(int))]
            if len(known):
                yield svg.path(((self.x(self.at[n]), self.y(values[n])) for n in known.tolist()), kind)

    def _joins(self) -> Iterator[str]:
        """Name the named streams that join it, the longest first, where there is room."""
        mine = float(self.own["from_outlet_m"].iloc[0] - self.own["from_mouth_m"].iloc[0])
        others = self.table[(self.table["joins_stream_id"] == self.own["stream_id"].iloc[0])].dropna(
            subset="stream_name"
        )
        taken: list[tuple[float, float]] = []
        length = others.groupby("stream_id")["from_mouth_m"].max()
        for stream in sorted(length.index, key=lambda one: (-length[one], one)):
            row = others[others["stream_id"] == stream].iloc[0]
            at = float(row["from_outlet_m"] - row["from_mouth_m"]) - mine
            name = str(row["stream_name"])[:24]
            x, half = self.x(at), LETTER * len(name) / 2 + 4
            middle = min(max(x, LEFT + half), WIDTH - RIGHT - half)
            if all(middle + half < a or middle - half > b for a, b in taken):
                taken.append((middle - half, middle + half))
                y = self.y(self.level(at))
                yield svg.line((x, y), (x, self.top + 13), "joins")
                yield svg.words((middle, self.top + 10), name, kind="small", anchor="middle")

    def _crossings(self) -> Iterator[str]:
        for start, end in _runs(self.own["crossing"].to_numpy(bool)):
            at = float(self.at[start:end].mean())
            yield svg.box((self.x(at) - 3.5, self.y(self.level(at)) - 3.5), 7, 7, "crossing", "crossing")

    def _steps(self) -> Iterator[str]:
        drop = self.own["knickpoint_drop_m"].to_numpy(float)
        for n in np.flatnonzero(~np.isnan(drop)).tolist():
            x, y = self.x(self.at[n]), self.y(self.level(self.at[n])) - 6
            yield svg.shape(((x, y), (x - 6, y - 11), (x + 6, y - 11)), "step")
            anchor, side = ("end", -9) if x > LEFT + 80 else ("start", 9)  # left of it the stream lies lower
            yield svg.words((x + side, y - 2), self.scale.tall(drop[n]), kind="steptext", anchor=anchor)

    def _strip(self) -> Iterator[str]:
        power = self.own["unit_stream_power_w_m2"].to_numpy(float)
        group = np.where(np.isnan(power), -1, np.digitize(power, POWER_BREAKS))
        top = self.top + PLOT_HEIGHT + 5
        for start, end in _same(group):
            x0, x1 = self.x(self._edge(start)), self.x(self._edge(end))
            kind = "pnone" if group[start] < 0 else f"p{group[start]}"
            worst = power[start:end].max()
            says = "no stream power" if group[start] < 0 else f"up to {worst:.0f} W/m²"
            yield svg.box((x0, top), x1 - x0, STRIP_HEIGHT, kind, says)
        yield svg.box((LEFT, top), WIDTH - LEFT - RIGHT, STRIP_HEIGHT, "frame")
        yield svg.words((LEFT - 8, top + 11), "W/m²", kind="small", anchor="end")


def _runs(on: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Give start and end of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], on, [False]]).astype(int)))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def _same(group: NDArray[np.int64]) -> list[tuple[int, int]]:
    """Give start and end of each run of equal numbers."""
    cuts = [0, *(np.flatnonzero(np.diff(group)) + 1).tolist(), len(group)]
    return list(pairwise(cuts))


def _head(name: str, scale: Scale) -> Iterator[str]:
    """Give title and legend."""
    yield svg.words((LEFT, 34), f"Long profiles: {name}", kind="title", most=80)
    yield svg.words((LEFT, 56), "Each panel shows one stream from its mouth (left) up to its source (right).")
    items: tuple[tuple[str, Callable[[float], str]], ...] = (
        ("stream, made to fall", lambda x: svg.line((x, 76), (x + 22, 76), "fall")),
        ("lowest DEM cell", lambda x: svg.line((x, 76), (x + 22, 76), "raw")),
        ("step", lambda x: svg.shape(((x + 11, 82), (x + 5, 71), (x + 17, 71)), "step")),
        ("road or rail crossing", lambda x: svg.box((x + 7, 72.5), 7, 7, "crossing")),
        ("pond or lake", lambda x: svg.box((x, 70), 22, 12, "lake_path")),
        ("pipe", lambda x: svg.box((x, 70), 22, 12, "piped")),
    )
    x = LEFT
    for says, mark in items:
        yield mark(x)
        yield svg.words((x + 28, 80), says)
        x += 48 + 6.4 * len(says)
    yield svg.words((LEFT, 102), "Unit stream power at bankfull, W/m²:")
    x = LEFT + 252
    for kind, says in (*((f"p{n}", says) for n, says in enumerate(POWER_SAYS)), ("pnone", "not known")):
        yield svg.box((x, 92), 22, 12, kind)
        yield svg.box((x, 92), 22, 12, "frame")
        yield svg.words((x + 28, 102), says)
        x += 48 + 6.4 * len(says)


def _caption(cell_m: float, left_out: int, scale: Scale) -> Iterator[str]:
    """Say what the picture rests on, and what it is not."""
    yield (
        f"Heights: the lowest within one cell of the line on a grid of {scale.tall(cell_m, 0)}; the blue line makes "
        "them fall downstream by least squares, and leaves out crossings, ponds and pipes. Steps stand out from the "
        "stream above and below by more than the scatter of the heights explains; small ones are not seen, and a dam, "
        "a culvert or a fault of the DEM makes one too. Scales differ between panels."
    )
    yield (
        "Unit stream power is modelled, a value a reach: bankfull discharge and width from a regional curve or "
        "Manning's equation, slope fitted along the stream. It says how hard the flow can work, not that a bank erodes."
    )
    if left_out:
        many = "1 more stream is" if left_out == 1 else f"{left_out} more streams are"
        yield (
            f"Shown are streams of at least {scale.long(LEAST_M)}, the longest {MOST_PANELS} at most; {many} "
            "in profiles.csv."
        )
    yield CAUTION
