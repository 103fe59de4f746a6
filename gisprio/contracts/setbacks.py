"""``[setback]``: one frozen model a rule form. Every default stands here; widths of laws stand in configs/setbacks.

Widths are metres on the map, from the bank line outward, unless a rule says otherwise. A limit says whether its value
belongs to it: ``from = 5`` holds at 5, ``above = 5`` does not.
"""

from __future__ import annotations

from pathlib import PurePath
from typing import Annotated, Any, Literal, get_args

from pydantic import Discriminator, Field, Tag, TypeAdapter, model_validator
from pydantic_core import PydanticCustomError

from gisprio.contracts.sections import Cover, IsoDate, NotNegative, Positive, Section, Share, StreamKind, Text

ReferenceLine = Literal["top_of_bank", "bankfull", "water_edge", "centre_line"]
"""Line a width is measured from. ``water_edge`` stands for edge of the bed, normal and high water lines too."""
StreamClass = Literal["class", "kind", "bankfull_width_m", "drainage_area_km2"]
"""What classes may go by: the column ``streams.class``, the kind of stream, or a measure of the reach."""
CLASSES: tuple[str, ...] = get_args(StreamClass)


class Limit(Section):
    """Where a step begins: at a value (``from``), or just beyond it (``above``)."""

    from_: Annotated[NotNegative | None, Field(alias="from")] = None
    above: NotNegative | None = None

    @model_validator(mode="after")
    def _one_limit(self) -> Limit:
        if (self.from_ is None) == (self.above is None):
            raise PydanticCustomError("one_limit", "one of from, above")
        return self

    @property
    def place(self) -> tuple[float, bool]:
        """The value, and whether the step begins beyond it; steps rise by it."""
        return (self.from_, False) if self.from_ is not None else (self.above or 0.0, True)

    @property
    def begins(self) -> str:
        """Where it begins, in words."""
        value, beyond = self.place
        return f"{'above' if beyond else 'from'} {value:g}"


class Step(Limit):
    """A width that holds from a value on, or above it, up to the next step."""

    width_m: NotNegative


class SlopeStep(Limit):
    """Metres added where the ground behind the bank is so steep [%], up to the next step."""

    add_m: NotNegative


_MEASURES = {"bankfull_width_m": ("width", " m"), "drainage_area_km2": ("area", " km2")}
"""Measures that classes go by, in words, and their unit."""


def _steps_told(what: str, unit: str, steps: tuple[Step, ...]) -> str:
    return ", ".join(f"{what} {step.begins}{unit} {step.width_m:g} m" for step in steps)


class Exempt(Section):
    """``[setback.exempt]``: where the rule asks for nothing. A property at the limit of ``property_ha`` is exempt."""

    slope_below_percent: NotNegative | None = None
    slope_over_percent: NotNegative | None = None
    width_below_m: NotNegative | None = None
    """Streams whose bankfull width is less."""
    area_below_km2: NotNegative | None = None
    property_ha: NotNegative | None = None
    """Properties of at most this size."""
    land_use: tuple[Text, ...] = ()
    """Classes of properties (``[columns] properties.class``), compared without regard to case."""
    kinds: tuple[StreamKind, ...] = ()

    def given(self) -> bool:
        """Say whether it exempts anything."""
        return self != Exempt()


class About(Section):
    """``[setback.about]``: where a rule comes from. It is printed, never used in arithmetic."""

    title: str = ""
    place: str = ""
    country: str = ""
    source: str = ""
    section: str = ""
    as_of: IsoDate | None = None
    status: Literal["in force", "repealed", "unknown"] = "unknown"
    verified: Literal["verified", "secondary", "memory"] = "memory"
    verified_by: str = ""
    asks: str = ""
    """What the rule asks for, in own words."""
    leaves_out: str = ""
    """What of the rule these keys cannot hold."""


class Rule(Section):
    """Keys that every rule form has."""

    kind: Literal["statute", "standard", "guidance", "own target"] = "own target"
    counts: tuple[Cover, ...] = ("woody", "wetland")
    natural: tuple[Cover, ...] = ()
    canopy_m: Positive = 3.0
    """Ground under canopy of at least this height is woody [own]; of use with ``[layers] canopy``."""
    opening_m: NotNegative = 3.0
    shortest_gap_m: Positive = 20.0
    measure: Literal["horizontal", "along_slope"] = "horizontal"
    reference_line: ReferenceLine | None = None
    """Line that the rule names; when absent it is whichever bank line there is."""
    slope_within_m: Positive = 30.0
    """Distance from the bank line over which the slope of the ground is read [own]."""
    exempt: Exempt = Exempt()
    about: About = About()
    rule_file: str = ""
    """The rule file these keys came from."""
    also: dict[str, AnyRule] = {}
    """Further rules that are judged in the same run."""
    zones: str = ""
    """Path of polygons that say which zone, and so which rule, holds where; ``[columns] setback_zones.name``."""
    zone: dict[str, AnyRule] = {}

    @property
    def most_m(self) -> float:
        """The widest strip that this rule may look at [m]."""
        raise NotImplementedError

    @property
    def name(self) -> str:
        """What the results call it: the rule file without its ending, else the form."""
        return PurePath(self.rule_file).stem or getattr(self, "rule", "")

    @property
    def asks_slope(self) -> bool:
        """Whether the slope of the ground behind the bank decides anything."""
        limits = (self.exempt.slope_below_percent, self.exempt.slope_over_percent)
        return self.measure == "along_slope" or any(limit is not None for limit in limits)

    @property
    def asks_property(self) -> bool:
        """Whether the property that the bank lies on decides anything."""
        return bool(self.exempt.land_use) or self.exempt.property_ha is not None

    @property
    def told(self) -> str:
        """The widths it asks for, in words."""
        raise NotImplementedError

    @property
    def widest_m(self) -> float:
        """The widest strip that this rule, one of its zones, or a further rule may look at [m]."""
        return max([self.most_m, *(rule.most_m for rule in (*self.zone.values(), *self.also.values()))])

    @property
    def widest_opening_m(self) -> float:
        """The longest opening that any of them tolerates [m]."""
        return max(rule.opening_m for rule in (self, *self.zone.values(), *self.also.values()))


class FixedWidth(Rule):
    """One width for every bank."""

    rule: Literal["fixed_width"] = "fixed_width"
    width_m: Positive = 30.0

    @property
    def told(self) -> str:
        """The width."""
        return f"{self.width_m:g} m"

    @property
    def most_m(self) -> float:
        """The width."""
        return self.width_m


class ByStreamOrder(Rule):
    """A width for each Strahler order."""

    rule: Literal["by_stream_order"]
    steps: tuple[Step, ...]

    @property
    def told(self) -> str:
        """A width for each order."""
        return _steps_told("order", "", self.steps)

    @property
    def most_m(self) -> float:
        """The widest step."""
        return max((step.width_m for step in self.steps), default=0.0)


class Classed(Rule):
    """A width by class of stream; ``width_m`` where no class is told or none of them fits."""

    by: StreamClass | None = None
    widths_m: dict[str, NotNegative] = {}
    """Widths by word, for ``class`` and ``kind``."""
    steps: tuple[Step, ...] = ()
    """Widths by number, for the measures."""
    width_m: NotNegative = 0.0

    @property
    def base_told(self) -> str:
        """The widths by class, in words."""
        words = [f"{word} {width:g} m" for word, width in self.widths_m.items()]
        words += [_steps_told(*_MEASURES[self.by], self.steps)] if self.by in _MEASURES else []
        return ", ".join([*words, f"else {self.width_m:g} m"]) if words else f"{self.width_m:g} m"

    @property
    def most_base_m(self) -> float:
        """The widest of them [m]."""
        return max([self.width_m, *self.widths_m.values(), *(step.width_m for step in self.steps)])


class ByClass(Classed):
    """A width by class of stream."""

    rule: Literal["by_class"]
    by: StreamClass

    @property
    def told(self) -> str:
        """A width for each class."""
        return self.base_told

    @property
    def most_m(self) -> float:
        """The widest."""
        return self.most_base_m


class BySlope(Classed):
    """A width that grows with the slope of the ground behind the bank, by steps or steadily."""

    rule: Literal["by_slope"]
    slope_steps: tuple[SlopeStep, ...] = ()
    add_per_percent_m: NotNegative = 0.0
    """Metres added for each percent above ``above_percent``, up to ``most_percent``."""
    above_percent: NotNegative = 0.0
    most_percent: Positive = 100.0
    """Slope beyond which nothing more is added [own]."""
    bank_over_m: NotNegative | None = None
    """Steps count only where the bank is higher than this."""

    @property
    def told(self) -> str:
        """The base, and what slope adds."""
        words = [self.base_told]
        if self.slope_steps:
            words.append("and more " + ", ".join(f"{one.begins} %: {one.add_m:g} m" for one in self.slope_steps))
        if self.bank_over_m is not None:
            words.append(f"where the bank is over {self.bank_over_m:g} m high")
        if self.add_per_percent_m:
            words.append(f"and {self.add_per_percent_m:g} m for each percent of slope above {self.above_percent:g}")
        return ", ".join(words)

    @property
    def asks_slope(self) -> bool:
        """It does."""
        return True

    @property
    def most_m(self) -> float:
        """The base and the most that slope may add."""
        steady = self.add_per_percent_m * max(0.0, self.most_percent - self.above_percent)
        return self.most_base_m + max([steady, *(step.add_m for step in self.slope_steps)])


class TwoZone(Rule):
    """An inner and an outer strip, with other cover that counts in the outer one."""

    rule: Literal["two_zone"]
    inner_m: Positive
    outer_m: Positive
    outer_counts: tuple[Cover, ...]

    @property
    def told(self) -> str:
        """Both widths."""
        return f"{self.inner_m:g} m and beyond them {self.outer_m:g} m where {', '.join(self.outer_counts)} count too"

    @property
    def most_m(self) -> float:
        """Both strips."""
        return self.inner_m + self.outer_m


class Average(Classed):
    """An average width along a bank side, and a least width everywhere; sides never pool."""

    rule: Literal["average"]
    least_m: NotNegative
    counted_m: Positive | None = None
    """Width beyond which cover adds nothing to the average; when absent twice the average [own]."""

    @property
    def told(self) -> str:
        """Average and least."""
        return f"{self.base_told} on average, nowhere under {self.least_m:g} m"

    @property
    def most_m(self) -> float:
        """How far out cover is looked for."""
        return max(self.most_base_m, self.counted_m or 2.0 * self.most_base_m)


class CoverShare(Rule):
    """A width in which a share of the ground must have counting cover."""

    rule: Literal["cover_share"]
    width_m: Positive
    least_share: Share

    @property
    def told(self) -> str:
        """Width and share."""
        return f"{self.width_m:g} m, of which {self.least_share:.0%} must be covered"

    @property
    def most_m(self) -> float:
        """The width."""
        return self.width_m


def rule_of(data: dict[str, Any]) -> Rule:
    """Give a rule back from what run.json holds of it; an older run may lack keys."""
    rule: Rule = TypeAdapter(AnyRule).validate_python(data)
    return rule


def rule_form(data: Any) -> str:
    """Give the form of a rule by its key ``rule``."""
    name = data.get("rule", "fixed_width") if isinstance(data, dict) else getattr(data, "rule", "fixed_width")
    return name if isinstance(name, str) else ""


AnyRule = Annotated[
    Annotated[FixedWidth, Tag("fixed_width")]
    | Annotated[ByStreamOrder, Tag("by_stream_order")]
    | Annotated[ByClass, Tag("by_class")]
    | Annotated[BySlope, Tag("by_slope")]
    | Annotated[TwoZone, Tag("two_zone")]
    | Annotated[Average, Tag("average")]
    | Annotated[CoverShare, Tag("cover_share")],
    Discriminator(rule_form),
]
FORMS: dict[str, type[Rule]] = {
    "fixed_width": FixedWidth,
    "by_stream_order": ByStreamOrder,
    "by_class": ByClass,
    "by_slope": BySlope,
    "two_zone": TwoZone,
    "average": Average,
    "cover_share": CoverShare,
}
Rule.model_rebuild()
for _form in FORMS.values():
    _form.model_rebuild()
