"""Settings of a run: one frozen model per section of the config; every default stands here and only here.

Defaults marked [own] are our own choice, without a published source.
"""

from __future__ import annotations

import re
from pathlib import Path
from types import SimpleNamespace
from typing import Annotated, Any, Literal, cast

from pydantic import Field, field_validator, model_validator
from pydantic_core import PydanticCustomError

from gisprio.contracts.constants import (
    BULKING,
    JARRETT_FACTOR,
    JARRETT_RADIUS_POWER,
    JARRETT_SLOPE_POWER,
    KEY_HEIGHTS,
    KEY_LENGTH,
    LIFT_EMBEDMENT,
    LIFT_STAKES,
    LIVE_STAKES_FAR,
    LIVE_STAKES_NEAR,
    SEED_LEAST,
    SEED_MOST,
    STABLE_SLOPE,
    SURVIVAL_LEAST,
    SURVIVAL_MOST,
    TOE_ROCK_LEAST,
    TOE_ROCK_MOST,
)
from gisprio.contracts.sections import (
    Cover,
    DayOfYear,
    Finite,
    FromNone,
    IsoDate,
    Living,
    NotNegative,
    Paths,
    Positive,
    Range,
    Section,
    Share,
    StreamKind,
    Weight,
)
from gisprio.contracts.setbacks import AnyRule, FixedWidth


class Run(Section):
    """``[run]``: name, place of the results, working system."""

    name: Annotated[str, Field(min_length=1)]
    output: Annotated[str, Field(min_length=1)]
    crs: str | None = None
    as_of: IsoDate | None = None
    """Day the run looks back from; when absent the newest date of the layer, never the clock."""
    tile_m: Positive = 4000.0
    store_limit_gb: Positive = 5.0
    """Most that is kept for later runs, of this run and earlier ones [own]."""


class Layers(Section):
    """``[layers]``: where the layers are; one path, a glob or a list each."""

    dem: Paths
    land_cover: Paths
    streams: Paths = ()
    inflows: Paths = ()
    properties: Paths = ()
    water: Paths = ()
    bank_lines: Paths = ()
    soils: Paths = ()
    canopy: Paths = ()
    roads: Paths = ()
    constraints: Paths = ()
    wetlands: Paths = ()
    watershed: Paths = ()
    sub_watersheds: Paths = ()
    done: Paths = ()
    eroding: Paths = ()
    visits: Paths = ()
    image: Paths = ()

    @model_validator(mode="before")
    @classmethod
    def _one_path_is_a_list(cls, data: object) -> object:
        if isinstance(data, dict):
            return {key: (value,) if isinstance(value, str) else value for key, value in data.items()}
        return data

    def given(self) -> dict[str, Paths]:
        """Give the layers that are named in the config, in the order above."""
        return {name: getattr(self, name) for name in type(self).model_fields if getattr(self, name)}


class StreamColumns(Section):
    """``[columns] streams.*``."""

    id: str | None = None
    name: str | None = None
    kind: str | None = None
    class_: Annotated[str | None, Field(alias="class")] = None
    area_km2: str | None = None
    divergence: str | None = None


class InflowColumns(Section):
    """``[columns] inflows.*``."""

    area_km2: str | None = None


class PropertyColumns(Section):
    """``[columns] properties.*``."""

    id: str | None = None
    class_: Annotated[str | None, Field(alias="class")] = None


class ClassColumn(Section):
    """``[columns] roads.*``."""

    class_: Annotated[str | None, Field(alias="class")] = None


class KindColumn(Section):
    """``[columns] water.*`` and ``constraints.*``."""

    kind: str | None = None


class DoneColumns(Section):
    """``[columns] done.*``."""

    kind: str | None = None
    date: str | None = None
    status: str | None = None


class BankLineColumns(Section):
    """``[columns] bank_lines.*``."""

    date: str | None = None
    error_m: str | None = None


class ErodingColumns(Section):
    """``[columns] eroding.*``."""

    date: str | None = None
    height_m: str | None = None


class SoilColumns(Section):
    """``[columns] soils.*``."""

    k: str | None = None
    silt_clay: str | None = None


class NameColumn(Section):
    """``[columns] sub_watersheds.*`` and ``setback_zones.*``."""

    name: str | None = None


class CoverColumn(Section):
    """``[columns] land_cover.*``, for land cover given as polygons."""

    code: str | None = None


class Columns(Section):
    """``[columns]``: which attribute of a layer holds what."""

    streams: StreamColumns = StreamColumns()
    inflows: InflowColumns = InflowColumns()
    properties: PropertyColumns = PropertyColumns()
    roads: ClassColumn = ClassColumn()
    water: KindColumn = KindColumn()
    constraints: KindColumn = KindColumn()
    bank_lines: BankLineColumns = BankLineColumns()
    done: DoneColumns = DoneColumns()
    eroding: ErodingColumns = ErodingColumns()
    soils: SoilColumns = SoilColumns()
    sub_watersheds: NameColumn = NameColumn()
    setback_zones: NameColumn = NameColumn()
    land_cover: CoverColumn = CoverColumn()


class Dem(Section):
    """``[dem]``: heights."""

    vertical_unit: Literal["m", "ft", "us-ft", "cm"] = "m"
    vertical_error_m: Positive | None = None
    """Standard error of one height; when absent it is read off the scatter along each long profile."""
    routing_cell_m: Positive = 10.0
    """Flow is routed on cells of at most this side [own]; larger ones need less memory and time."""
    bank_cell_m: Positive = 2.0
    """Banks are measured where the heights have cells of at most this [own]."""
    lidar_error_m: Positive = 0.1
    """Standard error of one height on such cells: quality level 2 of the US lidar specification."""
    least_bank_m: Positive = 0.3
    """Lower banks cannot be told from the error of the heights: two standard errors of a difference of two."""
    most_bank_m: Positive = 6.0
    """A face higher than this is a hillslope, not a bank [own]."""

    def routing_block(self, cell_m: float) -> int:
        """Give how many cells of a DEM lie along the side of a routing cell: at least one."""
        return max(1, int(self.routing_cell_m / cell_m + 1e-6))


class LandCover(Section):
    """``[land_cover]``: the legend, by the name of a shipped one or as the path of a CSV."""

    legend: Annotated[str, Field(min_length=1)]
    year: Annotated[int, Field(ge=1900, le=2100)] | None = None
    """Year the map shows; when absent the one at the end of the legend's name, if there is one."""


class Streams(Section):
    """``[streams]``: how lines are joined, cut and smoothed."""

    reach_length_m: Positive = 200.0
    station_spacing_m: Positive = 5.0
    start_area_km2: Positive = 0.25
    """Drainage area at which streams begin that are drawn from the DEM, where no lines are given [own]."""
    snap_m: Positive = 1.0
    """Ends of lines nearer than this are one node [own]."""
    inflow_snap_m: Positive = 50.0
    """An inflow so near to a stream belongs to it [own]."""
    line_error_m: Positive = 5.0
    """Standard error of the stream lines' place [own]; 1:24 000 maps: about 12."""
    bank_line_error_m: Positive = 1.0
    """Standard error of a bank line's place, where ``bank_lines.error_m`` tells none [own]."""
    water_edge_error_m: Positive = 2.0
    """Standard error of the edge of a water polygon, as a bank line [own]."""
    burn_m: Positive = 10.0
    """Depth by which lines are lowered in the working copy that routes the flow [own]."""
    sub_watershed_km2: Positive = 25.0
    tidal_below_m: Finite | None = None
    """Streams below this height of the DEM, from an outlet upward, are tidal; when absent only the kind tells."""


class SteepRoughness(Section):
    """``[hydraulics] steep_roughness``: n = factor S^slope_power R^radius_power; published, from memory."""

    factor: Positive = JARRETT_FACTOR.value
    slope_power: Finite = JARRETT_SLOPE_POWER.value
    radius_power: Finite = JARRETT_RADIUS_POWER.value


class Hydraulics(Section):
    """``[hydraulics]``: bankfull width, depth and discharge from drainage area."""

    curve: str = "usa"
    """Name of a shipped regional curve, or the path of a TOML of the user's own."""
    own_curve: dict[str, Any] = {}
    """Content of that TOML. Not a key of the file."""
    manning_low: Positive = 0.035
    """Manning's n never below this [own]; above it the steep-channel form, which rises with slope."""
    steep_roughness: SteepRoughness = SteepRoughness()
    slope_cap: Positive = 0.03
    """Slope above which stream power rises no further [own]."""


class Delivery(Section):
    """``[delivery]``: what the hillslope sends towards the strip."""

    concentrated_ha: Positive = 1.0
    """Hillslope from which flow through a bank is a point of concentrated flow [own]."""
    soil_k_us: Positive = 0.3
    """Erodibility K in US units where no soil gives one [own]: near the middle of textures."""
    c_factor: dict[Cover, Annotated[float, Field(ge=0, le=1)]] = {}
    """Cover factor C of a class, in place of the legend's."""


class Works(Section):
    """``[works]``: works already done, and what keeps ground from being planted."""

    planting: tuple[str, ...] = ("plant", "buffer", "tree", "shrub", "hedge", "veget", "willow")
    """Words in ``done.kind`` that mean planting [own]; without a kind all works are planting."""
    not_done: tuple[str, ...] = ("planned", "proposed", "design", "failed", "cancelled", "abandoned", "not")
    """What ``done.status`` begins with where nothing stands on the ground [own]."""
    cover_after_y: Positive = 10.0
    """Age from which planting counts as cover, whatever the land cover shows [own]."""
    clear_m: Annotated[float, Field(ge=0, allow_inf_nan=False)] = 5.0
    """No planting nearer than this to a point or line of ``constraints`` [own]."""


class SizingCosts(Section):
    """``[sizing.costs]``: what is added to prices; a price itself comes from the user's table only."""

    table: str = ""
    """The user's table of prices; without it works have quantities only."""
    price_year: Annotated[int | None, Field(ge=1950, le=2100)] = None
    """Year that prices are brought to by the index of the table; when absent the newest of the index."""
    contingency: FromNone = (0.20, 0.30)
    """Share of the works for what nobody foresaw, from and to; common practice, no source."""
    design_and_permits: FromNone = (0.15, 0.25)
    """Share of the works for design and permits, from and to; common practice, no source."""
    concept_below: Share = 0.30
    concept_above: NotNegative = 0.50
    """How far works sized from maps may cost less and more than the middle; common practice, no source."""


class Weights(Section):
    """``[priority] weights``."""

    erosion: Weight = 50.0
    gap: Weight = 50.0


Judgement = tuple[str, str, Annotated[float, Field(ge=1 / 9 - 1e-9, le=9)]]


class Pairwise(Section):
    """``[priority.pairwise]``: judgements of factors in pairs: (first, second, how many times as important)."""

    erosion: tuple[Judgement, ...] = ()
    gap: tuple[Judgement, ...] = ()
    accept_inconsistent: bool = False
    """Take weights whose consistency ratio is above 0.10 all the same."""

    def given(self) -> dict[str, tuple[Judgement, ...]]:
        """Give the judgements of each group that has some."""
        groups = {"erosion": self.erosion, "gap": self.gap}
        return {group: judgements for group, judgements in groups.items() if judgements}


class Priority(Section):
    """``[priority]``: how the two scores are put together."""

    combine: Literal["geometric", "weighted_sum"] = "geometric"
    weights: Weights = Weights()
    erosion: dict[str, Weight] = {
        "unit_stream_power": 50.0,
        "outer_bend": 50.0,
        "bank_height_ratio": 0.0,
        "bank_angle": 0.0,
        "near_bank_cover": 0.0,
        "subsoil_fines": 0.0,
        "observed_erosion": 0.0,
        "retreat": 0.0,
    }
    """Height and angle of banks have no weight of their own accord: most watersheds have no heights that show them."""
    gap: dict[str, Weight] = {"missing_strip": 70.0, "adjacent_use": 15.0, "delivery": 15.0}
    pairwise: Pairwise = Pairwise()
    """Where it holds judgements of a group, they make the weights of that group."""
    factor_coverage: Annotated[float, Field(ge=0, le=1)] = 0.8
    """A factor known on a smaller share of the ranked banks is shown but not ranked on [own]."""
    worst_m: Positive = 50.0
    """A bank's score is that of its worst contiguous stretch of this length [own]."""
    need_at: Annotated[float, Field(ge=0, le=100)] = 50.0
    """Score from which a bank counts as in need [own]."""
    ranked_kinds: tuple[StreamKind, ...] = ("natural",)
    nodes: dict[str, tuple[tuple[Finite, Finite], ...]] = {}
    """Value functions that replace those of the factor cards: [[value, score 0..1], ...]."""
    forms: dict[str, str] = {}
    """Which of its published value functions a factor takes, where it has several."""
    adjacent_use: dict[Cover, Annotated[float, Field(ge=0, le=1)]] = {}
    """Weight of a use beside the bank, 0 to 1, in place of the one that comes with gisprio."""

    @model_validator(mode="before")
    @classmethod
    def _equal_weights(cls, data: object) -> object:
        """Take ``weights = "equal"``: both scores alike, and alike all factors of a group that have a weight."""
        if not isinstance(data, dict) or data.get("weights") != "equal":
            return data
        groups = {group: data.get(group, cls.model_fields[group].default) for group in ("erosion", "gap")}
        equal = {
            group: {key: 1.0 if weight else 0.0 for key, weight in weights.items()}
            for group, weights in groups.items()
            if isinstance(weights, dict)
        }
        return {**data, "weights": Weights(), **equal}


class OwnFactor(Section):
    """``[factor.NAME]``: a factor of the user's own: a layer, how it is measured, how its values score."""

    layer: Annotated[str, Field(min_length=1)]
    measure: Literal["mean", "share", "distance", "column"]
    column: Annotated[str, Field(min_length=1)] | None = None
    within_m: Positive | None = None
    """Length of the transect outward of the bank line; when absent it is the setback."""
    nodes: tuple[Any, ...]
    """[low, high], or pairs [value, score 0..1]."""
    direction: Literal["more", "less"] | None = None
    """Which values are worse: with [low, high] more when absent; pairs are held to it."""
    group: Literal["erosion", "gap"]
    title: str = ""
    unit: str = ""

    def value_function(self) -> tuple[tuple[float, float], ...]:
        """Give the nodes as pairs (value, score 0..1)."""
        if any(isinstance(node, (int, float)) for node in self.nodes):
            low, high = self.nodes
            scores = (1.0, 0.0) if self.direction == "less" else (0.0, 1.0)
            return (float(low), scores[0]), (float(high), scores[1])
        return tuple((float(value), float(score)) for value, score in self.nodes)


class WorkWindow(Section):
    """A row of ``[sites] windows``: when work in the water may be done there, as the user was told; none is shipped."""

    stream: str = ""
    """Name of the stream; empty for every stream that no other row names."""
    opens: DayOfYear
    closes: DayOfYear
    """First and last day, month and day; a window may run over the end of the year."""
    says: str = ""
    """Species, and who said so."""


class Sites(Section):
    """``[sites]``: stretches of bank that could be one piece of work."""

    score_at: Annotated[float, Field(ge=0, le=100)] = 50.0
    """Erosion or gap score of a station from which it belongs to a site [own]."""
    merge_m: NotNegative = 20.0
    """An interruption up to this does not part a site [own]; a crossing always does."""
    site_min_length_m: Positive = 20.0
    """Shorter sites are dropped [own]."""
    site_max_length_m: Positive = 200.0
    """Longer ones are split in equal parts [own]."""
    protect_from_m: Positive | None = None
    """Length from which a stretch with its strip there and low erosion is a site, to protect; when absent none is."""
    length_limit_m: Positive = 150.0
    """Longer rows of sites get the prompt to ask for a limit [own]: many permits end near some such length."""
    design_bank_m: Positive = 3.0
    """A bank higher than this asks for a qualified design; common practice, no source."""
    windows: tuple[WorkWindow, ...] = ()
    """When work in the water may be done: the user's own table; in the config rows, or the path of a CSV."""


class DesignLimits(Section):
    """``[sizing.design]``: from where a qualified designer is called for; common practice, no source.

    Two more limits are prompts of sites: ``[sites] design_bank_m``, and bends of less than 2.5 widths.
    """

    finished_slope: Positive = STABLE_SLOPE.value
    """A steeper finished slope, horizontal to vertical."""
    structure_heights: Positive = 1.5
    """A building, road or main within so many bank heights."""
    crossing_widths: Positive = 10.0
    """A bridge, culvert or dam within so many bankfull widths."""
    drainage_area_km2: Positive | None = None
    """Limit of the user's own programme; none is shipped."""
    velocity_m_s: Positive | None = None
    """Bankfull velocity; likewise."""


class Sizing(Section):
    """``[sizing]``: concept sizing of works. Pairs are lowest and highest; slopes are horizontal to vertical."""

    finished_slope: Positive = STABLE_SLOPE.value
    start_slopes: FromNone = (0.0, 1.0)
    """Slope of a bank now, steepest and flattest, where nobody measured it [own]."""
    height_error_m: NotNegative = 0.1
    """Error of a height that one person measured at one place [own]."""
    water_depth_m: NotNegative = 0.3
    """Heights from flights end at the water: the toe lies at most so much lower [own]."""
    known_share: Share = 0.5
    """No earth is sized where heights are known on less of a site [own]."""
    balanced: bool = False
    """Cut the upper half and fill the lower one: moves the toe into the channel."""
    bulking: Positive = BULKING.value
    woods_trees_ha: FromNone = (200.0, 800.0)
    """Trees on a hectare of wood, for those that regrading takes [own]."""
    face: Literal["mat", "lifts"] = "mat"
    """Mat on the new face, or wrapped lifts."""
    lift_height_m: Positive = 0.3
    lift_slope_most: Positive = 1.5
    """Wrapped lifts on a flatter slope warn [own]."""
    mat_width_m: Positive = 2.0
    anchor_m: NotNegative = LIFT_EMBEDMENT.value
    """Part of the mat's width that is held in the soil behind a lift."""
    course_lap_m: NotNegative = 0.15
    """Lap of a course of mat on the one below [own]."""
    roll_m: Positive = 50.0
    roll_lap_m: NotNegative = 0.5
    """Lap of one roll on the next [own]."""
    key_return_m: NotNegative = 1.5
    """Mat turned into the key at each end [own]."""
    stake_spacing_m: Positive = LIFT_STAKES.value
    toe: Literal["rock", "none"] = "rock"
    toe_rock_t_m: Range = (TOE_ROCK_LEAST.value, TOE_ROCK_MOST.value)
    key_length_m: Positive = KEY_LENGTH.value
    key_heights: NotNegative = KEY_HEIGHTS.value
    """A key is so many bank heights long, at least ``key_length_m``."""
    live_stake_spacing_m: Range = (LIVE_STAKES_NEAR.value, LIVE_STAKES_FAR.value)
    live_stake_pattern: Literal["square", "triangular"] = "triangular"
    seed_kg_ha: Range = (SEED_LEAST.value, SEED_MOST.value)
    tree_share: Share = 0.7
    """Share of the ground to plant that gets trees; the rest gets shrubs [own]."""
    tree_spacing_m: Positive = 3.0
    """Trees apart [own]."""
    shrub_spacing_m: Positive = 1.5
    """Shrubs apart [own]."""
    pattern: Literal["square", "triangular"] = "square"
    survival: Living = (SURVIVAL_LEAST.value, SURVIVAL_MOST.value)
    """Share of plants that live: more are ordered for those that will not."""
    guards: bool = True
    """A guard for each tree."""
    doubtful_share: Share = 0.5
    """Least share of the ground to plant that stays where the map shows it uncertainly or too coarsely [own]."""
    design: DesignLimits = DesignLimits()
    costs: SizingCosts = SizingCosts()

    @model_validator(mode="after")
    def _something_is_left(self) -> Sizing:
        if max(self.course_lap_m, self.anchor_m) >= self.mat_width_m or self.roll_lap_m >= self.roll_m:
            raise PydanticCustomError("nothing_left", "nothing is left of the mat")
        return self


class Robustness(Section):
    """``[robustness]``: draws of the ranking."""

    draws: Annotated[int, Field(ge=1)] = 2000
    seed: int = 1
    top_n: Annotated[int, Field(ge=1)] = 20
    weight_spread: Annotated[float, Field(ge=0, lt=1, allow_inf_nan=False)] = 0.33
    """Standard deviation of the weights in the draws, as a share of each [own]; 0 holds them still."""
    error_scale: Annotated[float, Field(ge=0, allow_inf_nan=False)] = 1.0
    """Multiplies every error of the factors in the draws; 0 leaves only what is missing open."""


class Report(Section):
    """``[report]``: units, contact line, and online tiles for the map where somebody wants them."""

    units: Literal["si", "us"] = "si"
    contact: str = ""
    tiles: str = ""
    tiles_credit: str = ""

    @field_validator("tiles")
    @classmethod
    def _address_of_tiles(cls, value: str) -> str:
        if value and not re.fullmatch(
            r"(?=.*\{z\})(?=.*\{x\})(?=.*\{y\})https://[A-Za-z0-9.-]+(:\d+)?/[^\s\"'<>;]*", value
        ):
            raise PydanticCustomError("not_tiles", "not an address of tiles")
        return value


class Sheets(Section):
    """``[sheets]``: landowner sheets."""

    paper: Literal["a4", "letter"] = "a4"
    language: Annotated[str, Field(pattern="^[a-z]{2,3}(-[A-Za-z0-9]+)*$")] = "en"
    """Language of the sentences: one that comes with gisprio, or one of ``texts``."""
    second_language: Annotated[str, Field(pattern="^([a-z]{2,3}(-[A-Za-z0-9]+)*)?$")] = ""
    """Each sheet is written in this language too, as a file of its own."""
    texts: str = ""
    """TOML file with sentences of the user's own, a table for each language."""
    logo: str = ""
    """Picture for the upper right corner."""
    tagged: bool = False
    """Sheets and letters can be read aloud, in order and with their figures told in words (PDF/UA)."""


class Shortlist(Section):
    """``[shortlist]``: what a choice of sites goes by, for ``gisprio shortlist``."""

    effect: Literal["priority_gap_m", "priority_length_m", "sediment"] = "priority_gap_m"
    """What a site does: priority times metres of gap, or of bank; or what its strip would hold back, as modelled."""
    cost: Literal["low", "mid", "high"] = "mid"
    """Which of the three costs of a site is taken."""
    per_property: NotNegative | None = None
    """Cost of starting on a property, in the currency of the costs; when absent that of ``gisprio works``, or none."""
    per_cluster: NotNegative = 0.0
    """Cost of starting in a cluster of joining properties; 0 leaves it out."""
    max_properties: Annotated[int, Field(ge=1)] | None = None
    max_km: Positive | None = None
    max_share_per_sub_watershed: Annotated[float, Field(gt=0, le=1)] | None = None
    """Share of the budget that sites of one sub-watershed may cost."""
    must: tuple[str, ...] = ()
    never: tuple[str, ...] = ()
    """Ids of sites; those of an earlier shortlist are found again by place."""
    measures: tuple[Literal["look first", "bank works and plant", "fence and plant", "plant", "protect"], ...] = (
        "bank works and plant",
        "fence and plant",
        "plant",
    )
    """Measures whose sites are candidates [own]: what is to be looked at first is no work yet."""
    relative_gap: Annotated[float, Field(ge=0, lt=1)] = 0.0001
    """The search ends when the choice is proven to be within this share of the best one [own]."""
    draws: Annotated[int, Field(ge=0)] = 100
    """So many of the rank draws are chosen in again, to see how firm each choice is [own]."""


class Settings(Section):
    """All settings of a run."""

    run: Run
    layers: Layers
    columns: Columns = Columns()
    stream_kinds: dict[str, StreamKind] = {}
    dem: Dem = Dem()
    land_cover: LandCover
    streams: Streams = Streams()
    hydraulics: Hydraulics = Hydraulics()
    setback: AnyRule = FixedWidth()
    delivery: Delivery = Delivery()
    works: Works = Works()
    priority: Priority = Priority()
    factor: dict[str, OwnFactor] = {}
    sites: Sites = Sites()
    sizing: Sizing = Sizing()
    robustness: Robustness = Robustness()
    report: Report = Report()
    sheets: Sheets = Sheets()
    shortlist: Shortlist = Shortlist()
    folder: Path = Path()
    """Folder of the config file: relative paths start here. Not a key of the file."""

    def output(self) -> Path:
        """Give the results folder as a path."""
        return (self.folder / self.run.output).resolve()

    def part(self, sections: tuple[str, ...]) -> Settings:
        """Give only the named sections: a stage that reads another one fails."""
        return cast(Settings, SimpleNamespace(**{name: getattr(self, name) for name in sections}))
