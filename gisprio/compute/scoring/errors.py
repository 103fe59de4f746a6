"""How far each bank's factor scores may be off: the model of errors that the draws take.

Each draw gives every factor of every bank a new score:

    v' = v exp(sum of errors of the logarithm) + sum of errors of the value
    score' = score + s (f(v') - f(v)) + errors of the score, held to 0..1000 and rounded half up

v is the bank's value over its worst stretch, f the factor's value function, s what scales the score (freedom to
move). Taking the difference of f keeps the score of the stretch, and a value beyond the last node stays there until
its error brings it back. A factor's card names its errors. Each is normal with mean 0; who shares one draw of it is
decided by its cause:

- ``curve``: bias of the regional curve, one draw for the whole run, in the logarithm of power and of width [own sizes];
- ``slope``: heights along a profile are wrong together, one draw for a segment; size: standard error of the reach's
  slope over the slope, at most .5 [own];
- ``legend``: a patch of cover is taken for another, one draw for the banks on one side of a segment that lie beside the
  same cover (that is the patch: it hangs on nothing but the bank itself) [own size];
- ``line``: the stream line lies beside the channel, one draw for a reach, the two banks with opposite sign; size: the
  bank's line offset over the setback, at most .5, and 0 where the bank line is not made from the line [own];
- ``single``: the rest, a draw for each bank [own sizes].

A score without a value under it (basis default) may be anything: it is drawn evenly over 0..1000. What is not drawn:
lengths of gaps, the cut of reaches, which stretch is the worst, and the value functions, which are absolute choices.

A draw is a hash of (seed, draw, cause or factor, position), where position is text made from where the bank is. It
hangs on nothing else, so that a bank keeps its draws whatever other banks are in the run.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gisprio.compute.factors import FACTORS
from gisprio.compute.scoring.chance import levels_of
from gisprio.compute.scoring.values import FULL, nodes_of
from gisprio.contracts.cards import ERROR_NOT_KNOWN, Error
from gisprio.contracts.settings import Priority

Floats = NDArray[np.float64]
Keys = NDArray[np.uint64]
OF = ("ratio", "value", "score")
"""What an error is added to, in the order of the numbers the kernels know."""
LARGEST_SHARE = 0.5
"""An error of slope over slope, or of the line over the setback, is at most this [own]."""
_CARDS = {registered.card.key: registered.card for registered in FACTORS}


@dataclass(frozen=True, slots=True)
class ErrorModel:
    """Arrays the kernels draw from: F factors, C errors, n banks.

    Parameters
    ----------
    keys
        (F,) keys of the factors.
    score, value, level, scale
        (F, n) whole score, value (NaN: none), the value scored 0..1, and what scales it.
    unknown
        (F, n) whether the score has no value under it, and is drawn over its whole range.
    unknown_key
        (F, n) hash of factor and bank.
    nodes
        (F, 2, most) values and scores 0..1 of the value functions, the last node repeated.
    logarithmic
        (F,) whether the value function is linear in the logarithm.
    cause
        (C,) cause of each error.
    factor, of
        (C,) row of the factor it belongs to, and what it is added to, as in :data:`OF`.
    sd
        (C, n) standard deviation, with a sign where banks that share a draw move against each other.
    key
        (C, n) hash of cause (of factor too, for single errors) and of who shares the draw.
    """

    keys: tuple[str, ...]
    score: NDArray[np.int64]
    value: Floats
    level: Floats
    scale: Floats
    unknown: NDArray[np.bool_]
    unknown_key: Keys
    nodes: Floats
    logarithmic: NDArray[np.bool_]
    cause: tuple[str, ...]
    factor: NDArray[np.int64]
    of: NDArray[np.int64]
    sd: Floats
    key: Keys

    def scaled(self, by: float) -> ErrorModel:
        """Give the model with every standard deviation multiplied."""
        return replace(self, sd=self.sd * by)


def model_errors(banks: pd.DataFrame, factors: pd.DataFrame, slopes: pd.DataFrame, priority: Priority) -> ErrorModel:
    """Give the arrays of the model for ranked banks and the factors ranked on.

    Parameters
    ----------
    banks
        Ranked rows of layer ``banks``.
    factors
        Rows of the table of factors that are ranked on.
    slopes
        ``reach_id``, ``slope_m_m``, ``slope_se_m_m``.
    priority
        Section of the settings, for value functions.
    """
    rows = factors.to_dict("records")
    count = len(banks)
    score = np.stack([np.rint(banks[row["score_column"]].to_numpy(float) * FULL / 100) for row in rows])
    value = np.stack([_values(banks, row, of) for row, of in zip(rows, score, strict=True)])
    scale = np.stack(
        [banks[row["scaled_by"]].fillna(0.0).to_numpy(float) if row["scaled_by"] else np.ones(count) for row in rows]
    )
    unknown = np.stack([(banks[row["basis_column"]] == "default").to_numpy() for row in rows])
    nodes = _node_arrays([row["key"] for row in rows], priority)
    logarithmic = np.array([row["key"] in _CARDS and _CARDS[row["key"]].logarithmic for row in rows])
    errors = [(n, error) for n, row in enumerate(rows) for error in errors_of(row["key"])]
    own_sd = _own_sd(banks, slopes)
    sharers = _sharers(banks)
    return ErrorModel(
        keys=tuple(row["key"] for row in rows),
        score=score.astype(np.int64),
        value=value,
        level=np.stack([levels_of(*of) for of in zip(value, nodes, logarithmic, strict=True)]),
        scale=scale,
        unknown=unknown,
        unknown_key=np.stack([_hashes(f"default {row['key']}", sharers["single"]) for row in rows]),
        nodes=nodes,
        logarithmic=logarithmic,
        cause=tuple(error.cause for _, error in errors),
        factor=np.array([n for n, _ in errors], np.int64),
        of=np.array([OF.index(error.of) for _, error in errors], np.int64),
        sd=np.array([error.sd * own_sd[error.cause] for _, error in errors]).reshape(len(errors), count),
        key=_error_keys([(rows[n]["key"], error.cause) for n, error in errors], sharers),
    )


def errors_of(key: str) -> tuple[Error, ...]:
    """Give the errors of a factor: those of its card, or of a factor without one."""
    return _CARDS[key].errors if key in _CARDS else ERROR_NOT_KNOWN


def _values(banks: pd.DataFrame, row: dict[str, object], score: Floats) -> Floats:
    """Give values; a known score without a value stands beyond the last node (a straight bank, radius infinite)."""
    value = banks[str(row["value_column"])].to_numpy(float)
    beyond = np.isnan(value) & ~np.isnan(score)
    return np.where(beyond, np.inf, value)


def _node_arrays(keys: Sequence[str], priority: Priority) -> Floats:
    """Give the nodes of each value function; a factor without a card scores its value flat: only its score errs."""
    nodes = [nodes_of(_CARDS[key], priority) if key in _CARDS else ((0.0, 0.0),) for key in keys]
    most = max(len(of) for of in nodes)
    padded = [[*of, *[of[-1]] * (most - len(of))] for of in nodes]
    return np.array(padded, float).transpose(0, 2, 1).copy()


def _own_sd(banks: pd.DataFrame, slopes: pd.DataFrame) -> dict[str, Floats]:
    """Give the size that a cause has at each bank of itself; 1 where the card says it all."""
    ones = np.ones(len(banks))
    reaches = slopes.set_index("reach_id").reindex(banks["reach_id"])
    slope = (reaches["slope_se_m_m"] / reaches["slope_m_m"]).to_numpy(float)
    offset = (banks["line_offset_m"] / banks["setback_m"].where(banks["setback_m"] > 0)).to_numpy(float)
    from_line = (banks["bank_line_basis"] == "half_width").to_numpy()
    line = np.where(from_line, np.nan_to_num(offset, nan=LARGEST_SHARE), 0.0)
    signs = np.where(banks["side"] == "left", 1.0, -1.0)
    return {
        "curve": ones,
        "slope": np.clip(np.nan_to_num(slope, nan=0.0, posinf=LARGEST_SHARE), 0.0, LARGEST_SHARE),
        "legend": ones,
        "line": signs * np.clip(line, 0.0, LARGEST_SHARE),
        "single": ones,
    }


def _sharers(banks: pd.DataFrame) -> dict[str, pd.Series]:
    """Name, for each cause, who shares one draw of it with each bank."""
    segment = banks["reach_id"].str.rsplit("-", n=1).str[0]
    cover = banks["adjacent_cover"].astype(object).where(banks["adjacent_cover"].notna(), "")
    return {
        "curve": pd.Series("", index=banks.index),
        "slope": segment,
        "legend": segment + " " + banks["side"].astype(object) + " " + cover,
        "line": banks["reach_id"],
        "single": banks["bank_id"],
    }


def _error_keys(errors: Sequence[tuple[str, str]], sharers: dict[str, pd.Series]) -> Keys:
    """Give the hashes of each error: by cause, and for single errors by factor too."""
    rows = [_hashes(f"{cause} {factor}" if cause == "single" else cause, sharers[cause]) for factor, cause in errors]
    return np.array(rows, np.uint64).reshape(len(errors), len(sharers["single"]))


def _hashes(name: str, places: pd.Series) -> Keys:
    """Hash texts of places under a name to 64 bits, each text once."""
    codes, texts = pd.factorize(places.astype(object))
    hashed = [hashlib.blake2b(f"{name}|{text}".encode(), digest_size=8).digest() for text in texts]
    return np.frombuffer(b"".join(hashed), "<u8").astype(np.uint64)[codes]
