"""What a reader or a stage noticed and a person should know: the findings of a run."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import astuple, dataclass, fields, replace
from typing import Literal

import pandas as pd

Severity = Literal["error", "warning", "note"]
SEVERITIES: tuple[Severity, ...] = ("error", "warning", "note")


@dataclass(frozen=True, slots=True, order=True)
class Finding:
    """One finding. An ``error`` stops a run before it starts; the others travel with the results."""

    severity: Severity
    layer: str
    check: str
    feature_id: str
    says: str
    do: str


def findings_table(findings: Iterable[Finding]) -> pd.DataFrame:
    """Give findings as a table: errors first, then by layer, check and feature; equal ones once."""
    names = [field.name for field in fields(Finding)]
    told = {
        replace(finding, says=_sentence(finding.says.removeprefix(f"{finding.layer}: ")), do=_sentence(finding.do))
        for finding in findings
    }
    rows = sorted(told, key=lambda f: (SEVERITIES.index(f.severity), *astuple(f)[1:]))
    return pd.DataFrame([astuple(row) for row in rows], columns=names).astype("str")


def _sentence(text: str) -> str:
    """Begin with a capital, but for a file name."""
    return text if "." in text.split(" ", 1)[0].rstrip(".") else text[:1].upper() + text[1:]


def findings_from(table: pd.DataFrame) -> list[Finding]:
    """Give the findings of a table back."""
    return [Finding(*row) for row in table.itertuples(index=False, name=None)]


def listed(ids: Iterable[object], most: int = 5) -> str:
    """Name a few ids in a sentence: ``a, b, c and 12 more``."""
    names = [str(i) for i in ids]
    if len(names) <= most:
        return ", ".join(names)
    return ", ".join(names[:most]) + f" and {len(names) - most} more"
