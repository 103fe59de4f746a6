"""Findings as the command line prints them."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict

from gisprio import __version__
from gisprio.contracts.findings import SEVERITIES, Finding


def findings_as_json(findings: Sequence[Finding]) -> str:
    """Give findings for machines: version, counts by severity, the findings."""
    content = {
        "gisprio": __version__,
        "counts": counts(findings),
        "findings": [asdict(finding) for finding in findings],
    }
    return json.dumps(content, ensure_ascii=False, indent=1)


def findings_as_text(findings: Sequence[Finding]) -> str:
    """Give findings for people, grouped by severity, what to do under each."""
    lines: list[str] = []
    for severity in SEVERITIES:
        some = [finding for finding in findings if finding.severity == severity]
        if some:
            lines += [f"{severity.capitalize()}s", *(line for finding in some for line in finding_lines(finding)), ""]
    return "\n".join([*lines, counted(counts(findings)) + "."])


def finding_lines(finding: Finding) -> list[str]:
    """Give the two or three lines of a finding, without control characters."""
    feature = f" ({_plain(finding.feature_id)})" if finding.feature_id else ""
    lines = [f"  {finding.layer}: {_plain(finding.says)}{feature}"]
    return [*lines, f"    Do: {_plain(finding.do)}"] if finding.do else lines


def counts(findings: Sequence[Finding]) -> dict[str, int]:
    """Count findings by severity."""
    return {severity: sum(finding.severity == severity for finding in findings) for severity in SEVERITIES}


def counted(numbers: dict[str, int]) -> str:
    """Say counts by severity: ``1 error, 2 warnings, 0 notes``."""
    return ", ".join(f"{number} {name}{'' if number == 1 else 's'}" for name, number in numbers.items())


def plain_lines(text: str) -> str:
    """Give a text of several lines, without what could steer a terminal; the breaks between lines stay."""
    return "\n".join(_plain(line) for line in text.split("\n"))


def _plain(text: str) -> str:
    """Leave out what could steer a terminal."""
    return "".join(letter if letter.isprintable() else " " for letter in text)
