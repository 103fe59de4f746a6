"""What a reader of the results must know of the rule that ranks."""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from gisprio.contracts.findings import Finding
from gisprio.contracts.setbacks import ByStreamOrder, Rule

LINE_WORDS = {
    "top_of_bank": "the top of the bank",
    "bankfull": "the line of bankfull flow",
    "water_edge": "the edge of the water",
    "centre_line": "the centre line",
}


def rule_findings(banks: pd.DataFrame, rule: Rule) -> Iterator[Finding]:
    """Say where the rule could not be asked as it is meant.

    Parameters
    ----------
    banks
        Layer ``bank_measures`` with the columns of ``bank_asked``.
    rule
        ``[setback]``.
    """
    whole = banks["length_m"].sum() / 1000

    def km(column: str) -> float:
        return float(banks[column].sum()) / 1000

    if rule.reference_line is not None and km("other_line_length_m"):
        line = LINE_WORDS[rule.reference_line]
        says = (
            f"The rule measures from {line}; on {km('other_line_length_m'):.1f} of {whole:.1f} km the bank line is of "
            "another kind (bank_line_basis), so that the strip may lie some metres off."
        )
        yield Finding("warning", "banks", "reference_line", "", says, "Give bank lines or water polygons of that line.")
    if rule.reference_line == "centre_line" and not km("untold_length_m"):
        says = "The rule measures from the centre line: half the bankfull width was taken off its widths."
        yield Finding("note", "banks", "centre_line", "", says, "Nothing to do.")
    if km("untold_length_m"):
        says = (
            f"On {km('untold_length_m'):.1f} of {whole:.1f} km something that the rule goes by is not known (class, "
            "slope, height of the bank or width): there the least width stands that the rule may ask."
        )
        yield Finding("warning", "banks", "rule_not_told", "", says, "Complete the layers or columns it goes by.")
    if km("unzoned_length_m"):
        says = (
            f"{km('unzoned_length_m'):.1f} of {whole:.1f} km of bank lie in no zone that has a rule; the rule of "
            "[setback] itself is asked there."
        )
        yield Finding("warning", "banks", "unzoned", "", says, "Complete the zones, or the rules of [setback.zone].")
    if km("exempt_length_m"):
        says = f"On {km('exempt_length_m'):.1f} of {whole:.1f} km the rule asks for nothing (column exempt)."
        yield Finding("note", "banks", "exempt", "", says, "Nothing, if that is right.")
    if isinstance(rule, ByStreamOrder):
        says = "The rule goes by stream order; the orders are those of the lines of this run."
        do = "Give the lines of the map that the rule names: on other lines orders are others."
        yield Finding("note", "banks", "stream_order", "", says, do)
    yield from _standing(rule)


def _standing(rule: Rule) -> Iterator[Finding]:
    """Say what stands behind a rule file."""
    if not rule.rule_file:
        return
    about = rule.about
    says = f"Rule {rule.name}: {about.title or 'without a title'}, {about.place or 'place not named'}; "
    says += f"{rule.kind}, status {about.status}, as of {about.as_of or 'a day not named'}."
    if about.leaves_out:
        says += f" Left out: {about.leaves_out}"
    sound = about.status == "in force" and about.verified != "memory"
    do = "Check with the local authority before you use it."
    yield Finding("note" if sound else "warning", "banks", "rule_file", "", says, do)
