"""What a run prints when it is done: the most urgent banks and properties, and where the results are."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import Any

import click
import pandas as pd
from rich.table import Table
from rich.text import Text

from gisprio.contracts.findings import Finding, findings_from
from gisprio.contracts.words import CAUTION, MEASURES
from gisprio.faces.watching import PipeConsole
from gisprio.faces.words import counted, finding_lines
from gisprio.products.rules import rules_side_by_side
from gisprio.run.record import RunRecord, stage_line
from gisprio.run.results import open_results

MOST = 10
_WHY_LETTERS = 60
_FILE_WIDTH = 150
_NEED = {"both": "both", "erosion_only": "erosion", "gap_only": "gap", "none": "none"}


def print_closing(record: RunRecord, *, verbose: bool) -> None:
    """Print the closing tables to standard output, findings to standard error.

    Parameters
    ----------
    record
        Of the finished run.
    verbose
        Also print every stage, and notes among the findings.
    """
    results = open_results(record.folder)
    findings = findings_from(results.findings.fillna(""))
    told = [finding for finding in findings if verbose or finding.severity == "warning"]
    for line in [*(stage_line(stage) for stage in record.stages if verbose), *_told(told)]:
        click.echo(line, err=True)
    console = PipeConsole(file=sys.stdout)
    if not console.is_terminal:
        console.width = max(console.width, _FILE_WIDTH)
    console.print(banks_table(results.banks), banks_line(record))
    if results.properties["rank"].notna().any():
        console.print(properties_table(results.properties))
    elif len(results.properties):
        console.print(Text(f"{len(results.properties)} properties, none of them ranked: the findings say why."))
    console.print(Text(sites_line(results.sites)))
    if results.bank_setbacks["rule"].nunique() > 1:
        console.print(rules_table(results.bank_setbacks, results.banks["setback_rule"].iloc[0]))
    sys.stdout.flush()
    click.echo(f"Results: {record.folder}")
    click.echo(f"Findings: {counted(record.findings)}; all of them in run.log and layer findings.")
    click.echo(CAUTION)


def banks_table(banks: pd.DataFrame) -> Table:
    """Make the table of the most urgent banks."""
    table = Table(title="Most urgent banks", title_justify="left")
    for name in ("rank", "bank", "stream", "side", "length m", "erosion", "gap", "need", "why"):
        right = name in ("rank", "length m", "erosion", "gap")
        table.add_column(name, justify="right" if right else "left", no_wrap=name in ("bank", "rank"))
    for bank in first_rows(banks, "bank_id"):
        table.add_row(
            *_cells(
                _whole(bank["rank"]),
                bank["bank_id"],
                bank["name"] or "",
                bank["side"],
                _whole(bank["length_m"]),
                _whole(bank["erosion_score"]),
                _whole(bank["gap_score"]),
                _NEED.get(bank["need"], ""),
                shortened(reasons(bank["why"])),
            )
        )
    return table


def banks_line(record: RunRecord) -> Text:
    """Say how many banks are ranked, and how sure the ranking is."""
    counts = record.counts
    says = f"{counts.get('ranked_banks', 0)} of {counts.get('banks', 0)} banks are ranked."
    verdict = record.robustness.get("verdict") if counts.get("ranked_banks") else None
    return Text(f"{says}\n{verdict}" if verdict else says)


def properties_table(properties: pd.DataFrame) -> Table:
    """Make the table of the most urgent properties."""
    table = Table(title="Most urgent properties", title_justify="left")
    for name in ("rank", "property", "frontage m", "gap m", "priority"):
        table.add_column(name, justify="left" if name == "property" else "right")
    for row in first_rows(properties, "property_id"):
        numbers = (_whole(row["frontage_m"]), _whole(row["gap_length_m"]), _decimals(row["priority"]))
        table.add_row(*_cells(_whole(row["rank"]), row["property_id"], *numbers))
    return table


def sites_line(sites: pd.DataFrame) -> str:
    """Say how many sites there are, how long, and what they ask for."""
    if not len(sites):
        return "No sites: nowhere does a station reach [sites] score_at for long enough."
    counts = sites["measure"].value_counts()
    asked = ", ".join(f"{counts[measure]} {measure}" for measure in MEASURES if measure in counts)
    return f"{len(sites)} sites, {sites['length_m'].sum() / 1000:.1f} km of bank: {asked}. See sites.csv."


def rules_table(bank_setbacks: pd.DataFrame, ranks: str) -> Table:
    """Make the table of the rules that were judged, side by side."""
    table = Table(title="Setback rules side by side; the first one ranks", title_justify="left")
    for name in ("rule", "setback m", "banks asked", "with a gap", "gap km", "gap ha", "not known"):
        table.add_column(name, justify="left" if name == "rule" else "right")
    for row in rules_side_by_side(bank_setbacks, ranks).to_dict("records"):
        low, high = (f"{row[name]:.1f}" for name in ("setback_least_m", "setback_most_m"))
        width = "" if not row["banks"] else low if low == high else f"{low} to {high}"
        counts = (str(row[name]) for name in ("banks", "banks_with_gap"))
        sums = (f"{row['gap_km']:.1f}", f"{row['gap_ha']:.1f}", str(row["not_known"]))
        table.add_row(*_cells(row["rule"], width, *counts, *sums))
    return table


def first_rows(frame: pd.DataFrame, by_id: str) -> list[dict[str, Any]]:
    """Give the first rows by rank, equal ranks by id; rows without a rank are left out."""
    ranked = pd.DataFrame(frame[frame["rank"].notna()]).sort_values(["rank", by_id])[:MOST]
    rows = ranked.drop(columns="geometry", errors="ignore").to_dict("records")
    return [{str(k): None if pd.isna(v) else v for k, v in row.items()} for row in rows]


def reasons(why: str | None) -> str:
    """Give the reasons of a sentence ``why``, without what the column ``need`` says already.

    >>> reasons("Likely to erode: a bankfull flow of 40 W/m2.")
    'a bankfull flow of 40 W/m2.'
    """
    why = why or ""
    need, _, rest = why.partition(": ")
    return rest if rest and ";" not in need else why


def shortened(why: str, most: int = _WHY_LETTERS) -> str:
    """Cut a sentence at a word, with an ellipsis.

    >>> shortened("Likely to erode: a bankfull flow of 40 W/m2", 20)
    'Likely to erode: a…'
    """
    if len(why) <= most:
        return why
    head = why[: most - 1] if why[most - 1] == " " else why[: most - 1].rpartition(" ")[0]
    return head.rstrip(" ,;:") + "…"


def _told(findings: Sequence[Finding]) -> list[str]:
    return [
        line
        for finding in findings
        for line in (f"{finding.severity}: " + finding_lines(finding)[0].strip(), *finding_lines(finding)[1:])
    ]


def _cells(*texts: str) -> list[Text]:
    """Make cells of plain text: what stands in the data is never markup, and steers no terminal."""
    return [Text("".join(letter if letter.isprintable() else " " for letter in text)) for text in texts]


def _whole(value: Any) -> str:
    return "" if value is None else f"{float(value):.0f}"


def _decimals(value: Any) -> str:
    return "" if value is None else f"{float(value):.2f}"
