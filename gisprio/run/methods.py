"""The methods of a run, or of everything: how it was done, by stage, with formulae, sources and their status."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from gisprio import __version__
from gisprio.compute.land.measures import MEASURE_TABLE
from gisprio.compute.network.curves import Curve, Power, curve_names, read_curve
from gisprio.compute.setbacks import form_of
from gisprio.compute.setbacks.findings import LINE_WORDS
from gisprio.compute.visits.field_index import SOURCE as INDEX_SOURCE
from gisprio.compute.visits.field_index import STATUS as INDEX_STATUS
from gisprio.contracts.cards import ERROR_NOT_KNOWN, Error, Stage
from gisprio.contracts.constants import Constant
from gisprio.contracts.decisions import Decision
from gisprio.contracts.references import NO_SOURCE, Reference, cited, in_order, keys_in
from gisprio.contracts.setbacks import Rule, rule_of
from gisprio.contracts.words import CAUTION
from gisprio.run.lines import unwrapped, wrapped
from gisprio.run.ran import CARDS, Ran, constant, everything, of_run, written
from gisprio.run.results import open_results

_CAUSES = {
    "curve": "the regional curve",
    "slope": "heights along the stream, times the error of the slope",
    "legend": "the class of cover",
    "line": "the place of the line, times its offset over the setback",
    "single": "each bank by itself",
}
_OF = {"ratio": "of its logarithm", "value": "of the value", "score": "of the score 0 to 1"}


def methods_text(folder: str | Path | None = None) -> str:
    """Tell the methods: what ran in a result folder, or everything that may run.

    Parameters
    ----------
    folder
        A result folder; None for everything.

    Raises
    ------
    InputError
        It is not a result folder.
    """
    return text_of(everything() if folder is None else of_run(open_results(folder).record))


def items_of_run(record: Mapping[str, Any]) -> list[str]:
    """Tell the methods of a run as items, one line each, for a page that breaks its lines itself.

    Parameters
    ----------
    record
        Content of run.json.
    """
    return unwrapped(lines_of(of_run(record)))


def text_of(ran: Ran) -> str:
    """Put the whole text together, broken into lines for a terminal."""
    return "\n".join(lines_of(ran))


def lines_of(ran: Ran) -> list[str]:
    """Give the lines of the text: heading, stages in order, sources, caution."""
    lines = list(_heading(ran))
    for number, stage in enumerate(ran.stages(), 1):
        lines += ["", f"{number}. {_title(stage.name)}", *_stage(ran, stage)]
    lines += ["", "Sources", *(line for source in sources(ran) for line in _source(source))]
    return [*lines, "", CAUTION]


def sources(ran: Ran) -> list[Reference]:
    """Give the published sources of what ran, by authors: of stages, decisions, numbers, factors and curve."""
    found: list[str] = []
    for stage in ran.stages():
        found += stage.references
        for one in ran.decided(stage.name):
            found += [key for text in (one.status, *_constant_sources(one)) for key in keys_in(text)]
    if any(stage.name == "side_scores" for stage in ran.stages()):
        found += [key for row in ran.factors for key in keys_in(row["source"])]
    if any(stage.name == "reaches" for stage in ran.stages()):
        found += [key for curve in _curves(ran) for key in keys_in(curve.source)]
    return in_order(found)


def _heading(ran: Ran) -> Iterator[str]:
    if ran.record is None:
        yield f"Methods of gisprio {__version__}: everything that may run, with the default settings"
        yield from wrapped("For one run: gisprio methods FOLDER, which lists what ran in it, with its settings.")
    else:
        yield f"Methods of {ran.record['name']}, run with gisprio {ran.record['gisprio']}"
        yield from wrapped(f"Started {ran.record['started']}. Only what ran is listed.")
    yield from wrapped(
        "In brackets: the published source, with its status where a number was taken (verified: a text showing it was "
        "seen; memory: nobody had the text open); own: our choice, without a source."
    )


def _title(name: str) -> str:
    return name.replace("_", " ").capitalize()


def _stage(ran: Ran, stage: Stage) -> Iterator[str]:
    by = f" [{cited(', '.join(stage.references))}]" if stage.references else ""
    yield from wrapped(stage.says + by, 3)
    taken = ran.decided(stage.name)
    for one in taken:
        yield from wrapped(f"- {one.sentence(ran.number)} [{_behind(ran, one)}]", 3, 5)
    yield from {
        "reaches": _curve_lines,
        "cover": _setback_lines,
        "side_scores": _factor_lines,
        "ranks": _priority_lines,
        "sites": _measure_lines,
        "visits": _visit_lines,
        "draws": _draw_lines,
    }.get(stage.name, _nothing)(ran)
    yield from _numbers(taken)


def _nothing(ran: Ran) -> Iterator[str]:
    yield from ()


def _behind(ran: Ran, decision: Decision) -> str:
    """Say what stands behind a sentence; where everything is told, also when it holds."""
    if ran.record is not None:
        return cited(decision.status)
    terms = []
    if decision.layer:
        terms.append("without" + decision.layer[3:] if decision.layer.startswith("not ") else f"with {decision.layer}")
    terms += [f"with {decision.factor}"] if decision.factor else []
    terms += [f"if {decision.when}"] if decision.when else []
    return "; ".join([cited(decision.status), *terms])


def _numbers(taken: list[Decision]) -> Iterator[str]:
    """List the published numbers of a stage once each: value, unit, what it is, source and status."""
    names = list(dict.fromkeys(name for one in taken for name in one.constants))
    if names:
        yield "   Numbers"
    for number in map(constant, names):
        yield from wrapped(_number(number), 5, 7)


def _number(number: Constant) -> str:
    unit = f" {number.unit}" if number.unit else ""
    behind = cited(number.source)
    status = "" if number.source in NO_SOURCE else f", {number.status}"
    return f"{written(number.value)}{unit}: {number.says} [{behind}{status}]"


def _constant_sources(decision: Decision) -> list[str]:
    return [constant(name).source for name in decision.constants]


def _curves(ran: Ran) -> list[Curve]:
    return [read_curve(name) for name in curve_names()] if ran.record is None else [ran.curve]


def _curve_lines(ran: Ran) -> Iterator[str]:
    curves = _curves(ran)
    yield f"   Regional curve{'s' if len(curves) > 1 else ''}: A drainage area in km2, width and depth in m"
    for curve in curves:
        yield from wrapped(_curve(curve), 5, 7)


def _curve(curve: Curve) -> str:
    """Tell a regional curve: formulae, range, land, status, source, and what to beware of."""
    parts = [f"width {_power(curve.width)}, depth {_power(curve.depth)}"]
    parts[0] += f", discharge {_power(curve.discharge)} m3/s" if curve.discharge else ", no discharge"
    if curve.return_period_y:
        parts.append(f"discharge of once in {curve.return_period_y:g} years")
    low, high = curve.range_km2 or (0.0, 0.0)
    parts.append(f"fitted from {low:.3g} to {high:.4g} km2" if curve.range_km2 else "range not known")
    parts.append(f"setting {curve.setting}")
    parts += [text.rstrip(".") for text in (curve.closure_exception, curve.caution) if text]
    return f"{curve.name} ({curve.title}): {'; '.join(parts)} [{cited(curve.source)}, {curve.table}: {curve.status}]"


def _power(power: Power) -> str:
    return f"{power.a:.3g} A^{power.b:.3g}"


def _setback_lines(ran: Ran) -> Iterator[str]:
    rule = rule_of(ran.settings["setback"])
    yield from wrapped(f"Setback: {_rule_told(rule)}", 3, 5)
    for zone, one in rule.zone.items():
        yield from wrapped(f"In zone {zone}: {_rule_told(one)}", 5, 7)
    for name, one in rule.also.items():
        yield from wrapped(f"Judged beside it, {name}: {_rule_told(one)}", 5, 7)


def _rule_told(rule: Rule) -> str:
    """Tell a rule: form, widths, what counts, where it asks for nothing, where it comes from."""
    form, about = form_of(getattr(rule, "rule", "")), rule.about
    words = [
        f"rule {rule.name}, {rule.told}, kind: {rule.kind}. {form.says} Counts as cover: {written(rule.counts)}; "
        f"natural without trees: {written(rule.natural)}."
    ]
    if rule.reference_line is not None:
        words.append(f"Measured from {LINE_WORDS[rule.reference_line]}, {rule.measure.replace('_', ' ')}.")
    if rule.exempt.given():
        given = rule.exempt.model_dump(exclude_defaults=True).items()
        words.append(f"Asks for nothing where: {'; '.join(f'{key} {written(value)}' for key, value in given)}.")
    if rule.rule_file:
        source = ", ".join(part for part in (about.source, about.section) if part) or "source not named"
        standing = f"status {about.status}, as of {about.as_of or 'a day not named'}, numbers {about.verified}"
        words.append(f"{about.title} ({about.place}): {source}; {standing}. Check with the local authority.")
    return " ".join(words)


def _factor_lines(ran: Ran) -> Iterator[str]:
    yield "   Factors: value, and its score of 0 to 1 at nodes of the value function, linear between them"
    for row in ran.factors:
        yield from _factor(ran, row)


def _factor(ran: Ran, row: Mapping[str, Any]) -> Iterator[str]:
    unit = f", {row['unit']}" if row["unit"] else ""
    yield from wrapped(f"{row['title']} ({row['value_column']}{unit}): {_weight(ran, row)}", 5, 7)
    yield from wrapped(row["says"], 7)
    card = CARDS.get(row["key"])
    logarithmic = " (in the logarithm of the value)" if card and card.logarithmic else ""
    scaled = f" In the score: times {row['scaled_says']}." if row.get("scaled_says") else ""
    missing = f" Where missing: {row['neutral']:g}, and any score in the draws." if row["used"] else ""
    yield from wrapped(f"Score{logarithmic}: {row['nodes']}.{scaled}{missing}", 7)
    if row["used"]:
        yield from wrapped(_errors(card.errors if card else ERROR_NOT_KNOWN), 7)
    source = "" if row["source"] == "own" else f"Source: {cited(row['source'])}. "
    yield from wrapped(f"{source}Status: {row['status']}.", 7)


def _weight(ran: Ran, row: Mapping[str, Any]) -> str:
    group = f"the {row['group']} score"
    if row["used"]:
        told = f"{row['weight'] / 10:g} % of {group}"
        return told + (" by default" if ran.record is None else f", {_known(row)}")
    if row.get("floors"):
        return f"no weight; {group} is never below it"
    if ran.record is None:
        return f"no weight in {group} by default"
    asked = f"weight {row['given_weight']:g} asked for, but " if row["given_weight"] > 0 else ""
    return f"{asked}not in {group}, shown only: {_known(row)}"


def _known(row: Mapping[str, Any]) -> str:
    return f"known on {100 * row['known_share']:.1f} % of ranked banks"


def _errors(errors: tuple[Error, ...]) -> str:
    told = (f"{one.sd:g} {_OF[one.of]} by {_CAUSES[one.cause]}" for one in errors)
    return f"Off in the draws, standard deviations [own]: {'; '.join(told)}."


def _priority_lines(ran: Ran) -> Iterator[str]:
    priority = ran.settings["priority"]
    combine = {"geometric": "geometric mean", "weighted_sum": "weighted sum"}[priority["combine"]]
    weights = priority["weights"]
    total = max(weights["erosion"] + weights["gap"], 1e-9)
    shares = " and ".join(f"{name} {100 * weights[name] / total:g} %" for name in ("erosion", "gap"))
    yield from wrapped(
        f"Priority: {combine} of {shares}. Ranked: {written(priority['ranked_kinds'])} streams. Need from a score of "
        f"{priority['need_at']:g}.",
        3,
        5,
    )


def _measure_lines(ran: Ran) -> Iterator[str]:
    yield "   Measures: the first row that holds [own]"
    for number, row in enumerate(MEASURE_TABLE, 1):
        yield from wrapped(f"{number}. {row.measure}: {row.when}", 5, 8)
    windows = ran.settings["sites"].get("windows") or ()
    told = "; ".join(f"{row.get('stream') or 'other streams'} {row['opens']} to {row['closes']}" for row in windows)
    yield from wrapped(f"Windows for work in the water, the user's own: {told or 'none given'}.", 5, 7)


def _visit_lines(ran: Ran) -> Iterator[str]:
    yield from wrapped(f"Field index: {INDEX_STATUS} [{cited(INDEX_SOURCE)}].", 3, 5)
    if ran.record is not None and ran.record.get("agreement"):
        yield from wrapped(f"Agreement: {ran.record['agreement']['says']}", 3, 5)


def _draw_lines(ran: Ran) -> Iterator[str]:
    robustness = ran.settings["robustness"]
    yield from wrapped(
        f"Draws: {robustness['draws']:,}, seed {robustness['seed']}, spread of weights "
        f"{100 * robustness['weight_spread']:g} % of each, errors times {robustness['error_scale']:g}, top "
        f"{robustness['top_n']}.",
        3,
        5,
    )
    if ran.record is not None and ran.record.get("robustness"):
        yield from wrapped(f"Verdict: {ran.record['robustness']['verdict']}", 3, 5)


def _source(source: Reference) -> Iterator[str]:
    doi = f" doi:{source.doi}" if source.doi else ""
    yield from wrapped(f"{source.authors} ({source.year}{source.letter}). {source.title}. {source.venue}.{doi}", 3, 5)
    yield from wrapped(f"Taken: {source.taken}. Seen: {source.seen}.", 5, 7)
