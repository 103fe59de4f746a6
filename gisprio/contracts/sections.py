"""What the sections of the config are made of: the frozen model, and kinds of value."""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field
from pydantic_core import PydanticCustomError

Finite = Annotated[float, Field(allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Weight = NotNegative
Share = Annotated[float, Field(ge=0, le=1)]
Text = Annotated[str, Field(min_length=1)]
Paths = tuple[str, ...]


def _iso_date(value: object) -> object:
    """Take a date of TOML, or a text that is one."""
    if isinstance(value, dt.date):
        return value.isoformat()[:10]
    try:
        return dt.date.fromisoformat(str(value)).isoformat()
    except ValueError:
        raise PydanticCustomError("not_a_date", "not a date") from None


def _day_of_year(value: object) -> object:
    """Take month and day, as in 07-15."""
    try:
        return f"{dt.datetime.strptime(f'2000-{value}', '%Y-%m-%d'):%m-%d}"
    except ValueError:
        raise PydanticCustomError("not_a_day", "not a day of the year") from None


IsoDate = Annotated[str, BeforeValidator(_iso_date)]
DayOfYear = Annotated[str, BeforeValidator(_day_of_year)]


def _in_order(pair: tuple[float, float]) -> tuple[float, float]:
    """Take a pair of which the first is not above the second."""
    if pair[0] > pair[1]:
        raise PydanticCustomError("not_in_order", "not lowest and highest in this order")
    return pair


_Living = Annotated[float, Field(gt=0, le=1)]
Range = Annotated[tuple[Positive, Positive], AfterValidator(_in_order)]
FromNone = Annotated[tuple[NotNegative, NotNegative], AfterValidator(_in_order)]
Living = Annotated[tuple[_Living, _Living], AfterValidator(_in_order)]
"""Lowest and highest; ``FromNone`` may begin at 0, ``Living`` holds shares that are not 0."""
Cover = Literal["woody", "herbaceous", "pasture", "crop", "bare", "developed", "wetland", "water", "other"]
StreamKind = Literal["natural", "ditch", "piped", "lake_path", "tidal", "canal", "unconfirmed"]


class Section(BaseModel):
    """A section of the config: frozen, and unknown keys are refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)
