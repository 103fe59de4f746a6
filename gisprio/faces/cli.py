"""The commands. Each imports what it needs when it runs, so that ``--help`` is quick."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from gisprio import __version__

_CONFIG = click.argument("config", type=click.Path(path_type=Path), metavar="CONFIG")
_FOLDER = click.argument("folder", type=click.Path(path_type=Path), metavar="FOLDER")


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="gisprio", message="%(prog)s %(version)s")
def cli() -> None:
    """Ranks the stream banks of a watershed: which are likely to erode, which lack their riparian setback.

    Start with "gisprio new FOLDER", fill in its config, then "gisprio check CONFIG" and "gisprio run CONFIG".
    """


@cli.command()
@_FOLDER
def new(folder: Path) -> None:
    """Start a project folder with a commented config."""
    from gisprio.inputs.config import write_template

    config = write_template(folder)
    click.echo(f"Wrote {config}.")
    click.echo(f"Name your layers in it, then run: gisprio check {_quoted(config)}")


@cli.command()
@_CONFIG
@click.option("--json", "as_json", is_flag=True, help="Findings as JSON.")
def check(config: Path, as_json: bool) -> int:
    """Read every layer and list the findings; write nothing.

    Exit code 2 when there are errors, which would stop a run.
    """
    from gisprio.faces.words import findings_as_json, findings_as_text
    from gisprio.run.check import check as check_layers
    from gisprio.run.known import read_settings

    findings = check_layers(read_settings(config))
    click.echo(findings_as_json(findings) if as_json else findings_as_text(findings))
    return 2 if any(finding.severity == "error" for finding in findings) else 0


@cli.command()
@_CONFIG
@click.option("--fresh", is_flag=True, help="Compute everything again, whatever an earlier run left.")
@click.option("--out", type=click.Path(path_type=Path), metavar="FOLDER", help="Results here, not in [run] output.")
@click.option(
    "--workers", type=click.IntRange(min=1), default=1, metavar="N", help="Processes that share the work (default 1)."
)
@click.option(
    "--scheduler", metavar="ADDRESS", help='A Dask scheduler that shares the work out, or "local" to start one here.'
)
@click.option("--quiet", is_flag=True, help="Print errors only.")
@click.option("--verbose", is_flag=True, help="Print every stage with its time, and every finding.")
def run(
    config: Path, fresh: bool, out: Path | None, workers: int, scheduler: str | None, quiet: bool, verbose: bool
) -> None:
    """Run the whole chain; reuse what is still valid of an earlier run."""
    if quiet and verbose:
        raise click.UsageError("--quiet and --verbose cannot both be given.")
    if scheduler is not None and workers > 1 and scheduler != "local":
        raise click.UsageError("--workers is for this machine; a scheduler elsewhere has workers of its own.")
    from gisprio.faces.closing import print_closing
    from gisprio.faces.watching import watching
    from gisprio.run.engine import run as run_chain
    from gisprio.run.known import read_settings

    settings = read_settings(config)
    with watching(quiet=quiet) as progress:
        record = run_chain(settings, out=out, fresh=fresh, workers=workers, scheduler=scheduler, progress=progress)
    if not quiet:
        print_closing(record, verbose=verbose)


@cli.command()
@_FOLDER
@click.argument("id", required=False, metavar="[ID]")
def explain(folder: Path, id: str | None) -> None:  # noqa: A002 - the word of the command line
    """Say what ran and why; or how the rank of a bank or property came about.

    ID is a bank_id or a property_id.
    """
    from gisprio.faces.words import plain_lines
    from gisprio.run.explain import explain_id, explain_run

    click.echo(plain_lines(explain_run(folder) if id is None else explain_id(folder, id)))


@cli.command("map")
@_FOLDER
@click.option(
    "--audience",
    type=click.Choice(["team", "board", "public"]),
    default="team",
    show_default=True,
    help="Who reads it: the team (map.html); a board, without ids of properties (map-board.html); the public, with "
    "totals of parts of the watershed alone (map-public.html).",
)
def write_map(folder: Path, audience: str) -> None:
    """Write a map from finished results, without a new run."""
    from gisprio.run.maps import write_map_again

    click.echo(f"Wrote {write_map_again(folder, audience)}.")


@cli.command()
@click.argument("folder", required=False, type=click.Path(path_type=Path), metavar="[FOLDER]")
def methods(folder: Path | None) -> None:
    """Tell formulae, sources and status of what ran; without FOLDER of everything that may run."""
    from gisprio.faces.words import plain_lines
    from gisprio.run.methods import methods_text

    click.echo(plain_lines(methods_text(folder)))


@cli.command()
@_FOLDER
@click.option("--top", type=click.IntRange(min=1), metavar="N", help="Only the N properties of the first ranks.")
@click.option("--property", "ids", multiple=True, metavar="ID", help="Only this property; may be given several times.")
@click.option("--paper", type=click.Choice(["a4", "letter"]), help="Paper, in place of [sheets] paper.")
@click.option(
    "--contacts", type=click.Path(path_type=Path), metavar="FILE", help="Your private table: who declined gets none."
)
@click.option("--tagged", is_flag=True, help="Can be read aloud, figures told in words; needs gisprio[accessible].")
@click.option(
    "--config", type=click.Path(path_type=Path), metavar="CONFIG", help="Take its [sheets] and [report], not the run's."
)
def sheets(
    folder: Path,
    top: int | None,
    ids: tuple[str, ...],
    paper: str | None,
    contacts: Path | None,
    tagged: bool,
    config: Path | None,
) -> None:
    """Write a page for each landowner whose bank clearly lacks its strip, as PDF.

    The pages go to FOLDER/sheets. They hold no rank, no score and nothing of a neighbour.
    """
    from gisprio.faces.words import plain_lines
    from gisprio.run.known import read_settings
    from gisprio.run.sheets import write_sheets

    given = None if config is None else read_settings(config)
    written = write_sheets(
        folder, top=top, properties=ids, paper=paper, config=given, contacts=contacts, tagged=tagged
    )
    click.echo(plain_lines(written.told()))


@cli.command()
@_FOLDER
@click.option(
    "--contacts", type=click.Path(path_type=Path), metavar="FILE", required=True, help="Your private table of contacts."
)
@click.option("--top", type=click.IntRange(min=1), metavar="N", help="Only the N properties of the first ranks.")
@click.option("--property", "ids", multiple=True, metavar="ID", help="Only this property; may be given several times.")
@click.option("--paper", type=click.Choice(["a4", "letter"]), help="Paper, in place of [sheets] paper.")
@click.option("--texts", type=click.Path(path_type=Path), metavar="FILE", help="Sentences of your own, as TOML.")
@click.option("--tagged", is_flag=True, help="Can be read aloud, figures told in words; needs gisprio[accessible].")
@click.option(
    "--config", type=click.Path(path_type=Path), metavar="CONFIG", help="Take its [sheets] and [report], not the run's."
)
def letters(
    folder: Path,
    contacts: Path,
    top: int | None,
    ids: tuple[str, ...],
    paper: str | None,
    texts: Path | None,
    tagged: bool,
    config: Path | None,
) -> None:
    """Write to landowners: letter, sheet and access form in one PDF each, and a table for a mail merge.

    They go to FOLDER/private and nowhere else. Who declined or wants no contact gets none.
    """
    from gisprio.faces.words import plain_lines
    from gisprio.run.known import read_settings
    from gisprio.run.letters import write_letters

    given = None if config is None else read_settings(config)
    posted = write_letters(
        folder, contacts, top=top, properties=ids, paper=paper, texts=texts, config=given, tagged=tagged
    )
    click.echo(plain_lines(posted.told()))


@cli.command()
@_FOLDER
@click.option("--top", type=click.IntRange(min=1), metavar="N", help="Places of the first ranks; and a random part.")
@click.option("--seed", type=click.IntRange(min=0), default=1, metavar="N", help="Of the random part (default 1).")
@click.option(
    "--contacts", type=click.Path(path_type=Path), metavar="FILE", help="Your private table: only where people may go."
)
@click.option("--roadside", is_flag=True, help="All banks all the same: to be seen from roads and from the water.")
def visits(folder: Path, top: int | None, seed: int, contacts: Path | None, roadside: bool) -> None:
    """Write the field form: where to go and look, and what to write down.

    One GeoPackage for GIS software and phones, and its points as KMZ and GPX. Filled in, it is given back as layer
    visits of the next run.
    """
    from gisprio.faces.words import plain_lines
    from gisprio.run.visits import write_visits

    click.echo(plain_lines(write_visits(folder, top=top, seed=seed, contacts=contacts, roadside=roadside).told()))


@cli.command()
@click.argument("before", type=click.Path(path_type=Path), metavar="BEFORE")
@click.argument("after", nargs=-1, metavar="[AFTER]")
@click.option("--planted", multiple=True, metavar="SITE...", help="In place of AFTER: as if these sites were done.")
@click.option("--out", type=click.Path(path_type=Path), metavar="FOLDER", help="Files here; else in AFTER/compare.")
@click.option(
    "--config", type=click.Path(path_type=Path), metavar="CONFIG", help="For --planted, after clean: to find layers."
)
def compare(
    before: Path, after: tuple[str, ...], planted: tuple[str, ...], out: Path | None, config: Path | None
) -> None:
    """Tell what changed between two result folders, or what would if sites were planted.

    First what differs in layers and settings, and what that makes incomparable; then gaps that closed and opened,
    ranks that moved and why, works done, totals: a page, tables, layers and a map.
    """
    from gisprio.faces.words import plain_lines
    from gisprio.run.compare import write_comparison

    if planted:
        told = write_comparison(before, planted=(*planted, *after), out=out, config=config)
    elif len(after) == 1:
        told = write_comparison(before, after[0], out=out)
    else:
        raise click.UsageError("give two result folders, or one and --planted SITE...")
    click.echo(plain_lines(told.told()))


@cli.command()
@_FOLDER
@click.option("--top", type=click.IntRange(min=1), metavar="N", help="Banks of the first ranks.")
@click.option(
    "--config", type=click.Path(path_type=Path), metavar="CONFIG", help="Where the layers are, if not where they were."
)
def desk(folder: Path, top: int | None, config: Path | None) -> None:
    """Write the desk check: the first banks on heights, land cover and image, and a table for verdicts.

    Filled in, desk.csv is given back as layer visits of the next run.
    """
    from gisprio.faces.words import plain_lines
    from gisprio.run.desk import write_desk
    from gisprio.run.known import read_settings

    given = None if config is None else read_settings(config)
    click.echo(plain_lines(write_desk(folder, top=top, config=given).told()))


@cli.command()
@_FOLDER
@click.option(
    "--budget", type=float, required=True, metavar="AMOUNT", help="Money at hand, in the currency of the costs."
)
@click.option(
    "--costs",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="CSV of what each site would cost: site_id, cost_low, cost_mid, cost_high, currency, year.",
)
@click.option(
    "--effect",
    type=click.Choice(["priority_gap_m", "priority_length_m", "sediment"]),
    help="What a site does: priority x metres of gap, or of bank; or what its strip would hold back.",
)
@click.option("--cost", type=click.Choice(["low", "mid", "high"]), help="Which of the three costs is taken.")
@click.option("--per-property", type=float, metavar="AMOUNT", help="Cost of starting on a property.")
@click.option(
    "--per-cluster", type=float, metavar="AMOUNT", help="Cost of starting in a cluster of joining properties."
)
@click.option("--max-properties", type=int, metavar="N", help="At most so many properties.")
@click.option("--max-km", type=float, metavar="KM", help="At most so much bank.")
@click.option("--max-share", type=float, metavar="SHARE", help="Of the budget, for sites of one sub-watershed; 0 to 1.")
@click.option("--must", multiple=True, metavar="SITE", help="Chosen whatever it does; may be given several times.")
@click.option("--never", multiple=True, metavar="SITE", help="Not chosen; may be given several times.")
@click.option(
    "--contacts", type=click.Path(path_type=Path), metavar="FILE", help="Your private table: who declined is left out."
)
@click.option(
    "--earlier",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="The shortlist of another run: its sites are found again by place.",
)
@click.option(
    "--config", type=click.Path(path_type=Path), metavar="CONFIG", help="Take its [shortlist], not the run's."
)
def shortlist(
    folder: Path,
    budget: float,
    costs: Path | None,
    contacts: Path | None,
    earlier: Path | None,
    config: Path | None,
    **asked: object,
) -> None:
    """Choose the sites that do most within a budget.

    Options left out are as [shortlist] says. Layer, table and a page with the curve of budgets go to FOLDER.
    """
    from gisprio.faces.words import plain_lines
    from gisprio.run.known import read_settings
    from gisprio.run.shortlist import write_shortlist

    asked["max_share_per_sub_watershed"] = asked.pop("max_share")
    given = None if config is None else read_settings(config)
    listed = write_shortlist(folder, budget, costs=costs, contacts=contacts, earlier=earlier, config=given, asked=asked)
    click.echo(plain_lines(listed.told()))


@cli.command()
@_FOLDER
@click.option("--site", "ids", multiple=True, metavar="ID", help="Only this site; may be given several times.")
@click.option("--top", type=click.IntRange(min=1), metavar="N", help="Sites of the first ranks on the page in full.")
@click.option(
    "--given", type=click.Path(path_type=Path), metavar="FILE", help="CSV of what was measured on site: heights, "
    "slopes."
)
@click.option(
    "--config", type=click.Path(path_type=Path), metavar="CONFIG", help="Take its [sizing] and [sites], not the run's."
)
@click.option("--costs", metavar="TABLE", help="Your table of prices; without one there are quantities only.")
def works(
    folder: Path, ids: tuple[str, ...], top: int | None, given: Path | None, config: Path | None, costs: str | None
) -> None:
    """Size the works of the sites at concept level, as ranges with formulas; with a table of prices, their costs.

    FILE has a column site_id, and what was measured: length_m, height_low_m, height_high_m, start_slope, ...
    TABLE is a CSV: item, unit, low, high, currency, year, note.
    """
    from gisprio.faces.words import plain_lines
    from gisprio.run.known import read_settings
    from gisprio.run.works import write_works

    own = None if config is None else read_settings(config)
    click.echo(plain_lines(write_works(folder, sites=ids, given=given, config=own, top=top, costs=costs).told()))


@cli.command()
@_FOLDER
def report(folder: Path) -> None:
    """Write the report of finished results again, with the shortlist that was made of them.

    Every run writes report.html; this command adds what gisprio shortlist has chosen since.
    """
    from gisprio.faces.words import plain_lines
    from gisprio.run.report import write_report_again

    click.echo(plain_lines("\n".join(write_report_again(folder))))


@cli.command()
@_FOLDER
def clean(folder: Path) -> None:
    """Remove what a result folder keeps for later runs; keep the results."""
    from gisprio.run.clean import clean as remove_store

    click.echo(f"Removed the store of {folder}: {remove_store(folder) / 1e6:.1f} MB. The results are as they were.")


@cli.command()
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
def fields(as_json: bool) -> None:
    """List the fields of every layer of the results."""
    from gisprio.faces.fields import fields_as_json, fields_as_text

    click.echo(fields_as_json() if as_json else fields_as_text())


def _quoted(path: Path) -> str:
    import shlex

    return f'"{path}"' if sys.platform == "win32" else shlex.quote(str(path))
