"""How the data of the map lie as bytes, and bytes as text: whole numbers in planes, texts that differ by their numbers
alone, ids that begin as the one before.

assets/unpack.js reads what is written here.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Whole = NDArray[np.int64]

LETTERS = "".join(chr(code) for code in range(33, 127) if chr(code) not in "<&{")
"""The 91 letters of text that bytes become: none that begins anything in HTML or in a template."""

MARK = "\x1f"
"""Stands in a text for a number, a digit behind it telling its decimals."""

_NUMBER = re.compile(r"(?<![\d.])(?:0|[1-9]\d{0,9})(?:\.\d{1,4})?(?![\d.]*\d)")
_TRIED = 16_384
_FEWEST = 200
_BITS = 13
_LONGEST = 64


def array_bytes(values: Whole) -> tuple[bytes, list[int]]:
    """Give the bytes of an array of whole numbers, masked where null.

    Parameters
    ----------
    values
        (n,) Whole numbers.

    Returns
    -------
    tuple
        The bytes, and how they are read: count, bytes a number, whether they are differences, whether 0 is null,
        what every number is to be multiplied by.

    Notes
    -----
    The array lies as it is or as its differences, whichever is smaller, divided by what all are whole times of. A
    sign goes into the lowest bit: 0, -1, 1, -2 become 0, 1, 2, 3; with nulls one more. First comes the lowest byte of
    every number, then the next, so that gzip finds bytes of one kind together.
    """
    missing = np.ma.getmaskarray(values)
    nulls = bool(missing.any())
    plain = np.ma.filled(values, 0).astype(np.int64)
    times = max(1, int(np.gcd.reduce(plain, initial=0)))
    plain = plain // times
    last_known = np.maximum.accumulate(np.where(missing, 0, np.arange(len(plain))))
    steps = np.diff(plain[last_known], prepend=0)
    ways = [(_planes(way, missing, nulls), number) for number, way in enumerate((plain, steps))]
    (data, width), differences = min(ways, key=lambda way: _zipped_size(*way[0]))
    return data, [len(plain), width, differences, int(nulls), times]


def array_list(data: bytes, count: int, width: int, differences: int, nulls: int, times: int) -> list[int | None]:
    """Undo :func:`array_bytes`."""
    planes = np.frombuffer(data, np.uint8, count * width).reshape(width, count)
    folded = (planes.astype(np.int64) << (8 * np.arange(width))[:, None]).sum(axis=0)
    missing = (folded == 0) & bool(nulls)
    folded = np.where(missing, 0, folded - nulls)
    values = (folded >> 1) ^ -(folded & 1)
    values = np.cumsum(values) if differences else values
    return list(np.ma.MaskedArray(times * values, missing).tolist())


def array_size(values: Whole) -> int:
    """Give about how many bytes an array takes once zipped."""
    data, (_, width, *_) = array_bytes(values)
    return _zipped_size(data, width)


def write_text(data: bytes) -> str:
    """Give bytes as text: their count, a blank, and two letters for every 13 bits; 8 % shorter than base64.

    >>> write_text(b"ab")
    '2 E88Q'
    """
    bits = np.unpackbits(np.frombuffer(data, np.uint8))
    groups = np.zeros((-(-len(bits) // _BITS), 16), np.uint8)
    groups[:, 16 - _BITS :] = np.pad(bits, (0, groups.shape[0] * _BITS - len(bits))).reshape(-1, _BITS)
    pairs = np.stack(np.divmod(np.packbits(groups).view(">u2"), len(LETTERS)), axis=1)
    letters = np.frombuffer(LETTERS.encode("ascii"), np.uint8)[pairs]
    return f"{len(data)} {letters.tobytes().decode('ascii')}"


def read_text(text: str) -> bytes:
    """Undo :func:`write_text`."""
    count, _, letters = text.strip().partition(" ")
    place = np.zeros(128, np.uint16)
    place[np.frombuffer(LETTERS.encode("ascii"), np.uint8)] = np.arange(len(LETTERS))
    pairs = place[np.frombuffer(letters.encode("ascii"), np.uint8)].reshape(-1, 2)
    groups = (pairs[:, 0] * len(LETTERS) + pairs[:, 1]).astype(">u2")
    bits = np.unpackbits(groups.view(np.uint8)).reshape(-1, 16)[:, 16 - _BITS :]
    return np.packbits(bits).tobytes()[: int(count)]


def row_order(values: Whole) -> Whole:
    """Give the rows from the least value to the largest, equal ones as they stand, null last."""
    return np.asarray(np.lexsort((np.ma.filled(values, 0), np.ma.getmaskarray(values))))


def split_texts(texts: Sequence[str]) -> tuple[list[str], Whole, Whole] | None:
    """Take the numbers out of texts, where few texts are left then.

    Parameters
    ----------
    texts
        Distinct ones.

    Returns
    -------
    tuple or None
        Texts with marks, the place of each given text among them, and the numbers: by text with marks, then by mark,
        then in the order given, without their decimal points. None where the texts are few, or stay many.
    """
    if len(texts) < _FEWEST or any(MARK in text for text in texts):
        return None
    marked = pd.Series([_NUMBER.sub(_mark, text) for text in texts])
    codes, forms = pd.factorize(marked, sort=True)
    if 4 * len(forms) > len(texts):
        return None
    numbers = []
    for form in range(len(forms)):
        rows = [_NUMBER.findall(texts[row]) for row in np.flatnonzero(codes == form).tolist()]
        numbers += [int(found.replace(".", "")) for column in zip(*rows, strict=True) for found in column]
    return [str(form) for form in forms], codes.astype(np.int64), np.array(numbers, np.int64)


def join_texts(forms: Sequence[str], codes: Sequence[int], numbers: Sequence[int]) -> list[str]:
    """Undo :func:`split_texts`."""
    place = np.asarray(codes)
    texts, start = [""] * len(place), 0
    for form, text in enumerate(forms):
        first, *rest = text.split(MARK)
        rows = np.flatnonzero(place == form)
        columns = np.reshape(numbers[start : start + len(rest) * len(rows)], (len(rest), len(rows)))
        start += columns.size
        for row, own in zip(rows.tolist(), columns.T.tolist(), strict=True):
            texts[row] = first + "".join(_told(n, part) for n, part in zip(own, rest, strict=True))
    return texts


def split_ids(ids: Sequence[str]) -> tuple[list[str], Whole, Whole] | None:
    """Cut off what each id has in common with the one before, where few ends are left then.

    Parameters
    ----------
    ids
        In the order of rows.

    Returns
    -------
    tuple or None
        The distinct ends, the place of each id's end among them, and how many letters stand before it. None where the
        ids are few or long, or their ends stay many.
    """
    if len(ids) < _FEWEST or max(map(len, ids)) > _LONGEST or not all(one.isascii() for one in ids):
        return None
    letters = np.array(ids, str)
    wide = letters.view(np.uint32).reshape(len(ids), -1)
    same = np.zeros(len(ids), np.int64)
    same[1:] = np.cumprod(wide[1:] == wide[:-1], axis=1).sum(axis=1)
    same = np.minimum(same, np.char.str_len(letters))
    codes, ends = pd.factorize(np.array([one[k:] for one, k in zip(ids, same.tolist(), strict=True)], object))
    return None if 4 * len(ends) > len(ids) else ([str(end) for end in ends], codes.astype(np.int64), same)


def join_ids(ends: Sequence[str], codes: Sequence[int], same: Sequence[int]) -> list[str]:
    """Undo :func:`split_ids`."""
    ids, before = [], ""
    for code, kept in zip(codes, same, strict=True):
        before = before[:kept] + ends[code]
        ids.append(before)
    return ids


def _mark(found: re.Match[str]) -> str:
    return f"{MARK}{len(found[0].partition('.')[2])}"


def _told(number: int, part: str) -> str:
    """Give a number with the decimals that the first character of a part tells, then the rest of the part."""
    digits = int(part[0])
    return f"{number / 10**digits:.{digits}f}{part[1:]}"


def _planes(values: Whole, missing: NDArray[np.bool_], nulls: bool) -> tuple[bytes, int]:
    folded = (values << 1) ^ (values >> 63)
    if nulls:
        folded = np.where(missing, 0, folded + 1)
    width = max(1, (int(folded.max(initial=0)).bit_length() + 7) // 8)
    each = folded.astype("<u8").view(np.uint8).reshape(-1, 8)[:, :width]
    return np.ascontiguousarray(each.T).tobytes(), width


def _zipped_size(data: bytes, width: int) -> int:
    """Give about how large the planes of some of the numbers get."""
    step = max(1, len(data) // width)
    return sum(len(zlib.compress(data[start : start + _TRIED], 1)) for start in range(0, len(data), step))
