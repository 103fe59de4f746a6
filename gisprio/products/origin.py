"""What a file of a run says of where it comes from: the digest of what the run was made of."""

from __future__ import annotations

import json
from collections.abc import Mapping
from hashlib import sha256
from typing import Any

_MADE_OF = ("gisprio", "settings", "inputs", "crs")


def origin_digest(record: Mapping[str, Any]) -> str:
    """Digest what a run was made of: version, settings, layers and system, without times and results.

    Parameters
    ----------
    record
        Content of run.json, during the run or after it: both give the same.
    """
    parts = {name: record.get(name) for name in _MADE_OF}
    return sha256(json.dumps(parts, sort_keys=True).encode("utf-8")).hexdigest()


def told_origin(record: Mapping[str, Any]) -> str:
    """Say it in a line.

    >>> told_origin({"gisprio": "0.1", "started": "2026-03-04T09:30:00"})[:52]
    'gisprio 0.1, run of 2026-03-04, made of 95ca9a7e5a3a'
    """
    day = str(record.get("started", ""))[:10] or "an unknown day"
    return f"gisprio {record.get('gisprio', '')}, run of {day}, made of {origin_digest(record)[:12]}"
