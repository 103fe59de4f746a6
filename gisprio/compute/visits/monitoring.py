"""What visits of several dates saw at one place, in order of time: survival, cover, pins, photo points."""

from __future__ import annotations

from collections.abc import Iterator

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.contracts.findings import Finding, listed
from gisprio.contracts.layers import MONITORING
from gisprio.contracts.schema import check, empty
from gisprio.contracts.visits import MONITORED

Floats = NDArray[np.float64]
PLACE_M = 15.0
"""Visits of one side no farther from the first of them were made at one place [own]: two fixes of a phone apart."""
DAYS_OF_YEAR = 365.0
TURNED_DEG = 10.0
"""A photograph whose bearing is off the first by more shows another picture [own]."""
COVERS = {
    "woody cover": "woody_cover_pct",
    "herb cover": "herb_cover_pct",
    "invasive cover": "invasive_cover_pct",
    "bare ground": "bare_pct",
    "plant cover": "cover_pct",
}
"""Measure and the column it is read from."""
COUNTS = ["plants_alive", "plants_dead", "plants_missing"]
NOT_COUNTED = "dead or missing plants were not counted: write 0 where there are none"
BUILT_UP = "the face built up: the pin stands out less than at first"
GONE = "gone: at least what was in the bank of its length"
GONE_NO_LENGTH = "gone; its length is not told, so at least what was seen before"
GONE_UNREAD = "gone before it was read"
_SERIES = ["place_id", "measure", "mark"]


def monitoring_series(visits: pd.DataFrame) -> pd.DataFrame:
    """Put what visits saw in order of time, place by place.

    Parameters
    ----------
    visits
        Layer ``visits`` of the results: points with bank, side, ``date_y`` and what was seen. Results of before these
        were read lack the columns, and give no row.

    Returns
    -------
    DataFrame
        Layer ``monitoring``: a row a place, measure, mark and day.

    Notes
    -----
    survival = alive / (alive + dead + missing); where plants were not counted, what was judged by eye.
    retreat of a pin = exposed - exposed at first; per year, times 365 / days. A pin that is gone: at least its length
    less what stood out at first, which is its whole length where it was driven flush. A new pin of the same mark goes
    on from there.
    eroded volume = length x bank height x mean retreat of the pins of the place.
    Readings of one day at one place are averaged. Without a date a row stands in no order.
    """
    if not len(visits) or not {*COUNTS, *COVERS.values()} <= set(visits):
        return empty(MONITORING)
    seen = _placed(visits)
    readings = _by_day(pd.concat([_survival(seen), *_covers(seen), _photos(seen)], ignore_index=True))
    pins = _pins(seen)
    rows = pd.concat([_since_first(readings), pins, _volumes(seen, pins)], ignore_index=True)
    of_place = seen.drop_duplicates("place_id").set_index("place_id")[["bank_id", "reach_id", "side"]]
    rows = rows.join(of_place, on="place_id").assign(
        unit=rows["measure"].map(MONITORED), date=_iso(rows["day"]), order=rows["measure"].map(list(MONITORED).index)
    )
    rows = rows.sort_values(["place_no", "order", "mark", "day", "row"], kind="stable", na_position="last")
    return check(MONITORING, rows[MONITORING.names()].reset_index(drop=True))


def survival_pct(alive: Floats, dead: Floats, missing: Floats) -> Floats:
    """Give the share of plants that live (n,) [%]; NaN where one of the counts is not told, or no plant is.

    >>> survival_pct(np.array([42.0, 0.0, 5.0]), np.array([10.0, 0.0, np.nan]), np.array([8.0, 0.0, 0.0])).tolist()
    [70.0, nan, nan]
    """
    total = alive + dead + missing
    return np.where(total > 0, 100.0 * alive / np.where(total > 0, total, 1.0), np.nan)


def pin_rate_mm_y(retreat_m: Floats, days: Floats) -> Floats:
    """Give the retreat of a face a year of 365 days (n,) [mm/y]; NaN on the day of the first reading.

    >>> round(float(pin_rate_mm_y(np.array([0.16 - 0.10]), np.array([365.0]))[0]), 6)
    60.0
    """
    return np.where(days > 0, 1000.0 * retreat_m * DAYS_OF_YEAR / np.where(days > 0, days, 1.0), np.nan)


def eroded_m3(length_m: Floats, bank_height_m: Floats, retreat_m: Floats) -> Floats:
    """Give the volume that a retreat took (n,) [m3].

    >>> round(float(eroded_m3(np.array([100.0]), np.array([1.5]), np.array([0.15]))[0]), 6)
    22.5
    """
    return length_m * bank_height_m * retreat_m


def day_numbers(date_y: pd.Series) -> pd.Series:
    """Give dates in years with decimals as days since 1970-01-01; NaN stays.

    >>> day_numbers(pd.Series([1970.0, 1972.0 + 366 / 366, float("nan")])).tolist()
    [0.0, 1096.0, nan]
    """
    year = np.floor(date_y)
    first = _first_day(year)
    return (first + np.round((date_y - year) * (_first_day(year + 1) - first))).rename("day")


def _first_day(year: pd.Series) -> pd.Series:
    """Give the first day of years, as days since 1970-01-01."""
    known = year.fillna(1970).to_numpy(np.int64)
    days = (known - 1970).astype("datetime64[Y]").astype("datetime64[D]").astype(float)
    return pd.Series(days, year.index).where(year.notna())


def _iso(day: pd.Series) -> list[str | None]:
    text = day.fillna(0).to_numpy().astype(np.int64).astype("datetime64[D]").astype(str)
    return [date if known else None for date, known in zip(text.tolist(), day.notna(), strict=True)]


# ---------------------------------------------------------------- places


def _placed(visits: pd.DataFrame) -> pd.DataFrame:
    """Give the visits with day and row, by date and then by position; those made at one place share its id."""
    assert isinstance(visits, gpd.GeoDataFrame)
    x, y = shapely.get_coordinates(np.asarray(visits.geometry.array)).T
    plain = pd.DataFrame(visits.drop(columns=visits.geometry.name)).assign(x=x, y=y)
    plain = plain.assign(day=day_numbers(plain["date_y"]).to_numpy())
    plain = plain.sort_values(["day", "x", "y"], kind="stable", na_position="last", ignore_index=True)
    first = places_of(plain[["x", "y"]].to_numpy(float), plain["side"].to_numpy(object))
    heads, of_head = np.unique(first, return_inverse=True)
    names = _place_names(plain.iloc[heads])
    return plain.assign(row=range(len(plain)), place_no=of_head, place_id=names[of_head])


def places_of(at: Floats, side: NDArray[np.object_]) -> NDArray[np.int64]:
    """Give for each visit the first visit of its place (n,): the nearest one of its side within reach, else itself.

    Parameters
    ----------
    at
        (n, 2) positions in order of time [m].
    side
        (n,) left or right.
    """
    first = np.arange(len(at))
    for row in range(1, len(at)):
        heads = np.flatnonzero((first[:row] == np.arange(row)) & (side[:row] == side[row]))
        away = np.hypot(*(at[heads] - at[row]).T)
        if len(heads) and away.min() <= PLACE_M:
            first[row] = heads[away.argmin()]
    return first


def _place_names(heads: pd.DataFrame) -> NDArray[np.object_]:
    """Give ids from position: the bank and the metres up it, or coordinates where no bank is there."""
    on_bank = heads["bank_id"].notna() & heads["from_m"].notna()
    up, x, y = (heads[name].fillna(0).round().astype(int).astype(str) for name in ("from_m", "x", "y"))
    names = (heads["bank_id"] + "@" + up).where(on_bank, heads["side"] + " " + x + " " + y)
    twice = names.groupby(names).cumcount()
    return np.where(twice > 0, names + "." + (twice + 1).astype(str), names).astype(object)


# ---------------------------------------------------------------- readings


def _reading(seen: pd.DataFrame, measure: str, value: Floats, **more: object) -> pd.DataFrame:
    """Give one measure of all visits as rows; what was not told is NaN and no row."""
    columns = ["place_no", "place_id", "visit_id", "day", "row"]
    rows = seen[columns].assign(**{"measure": measure, "mark": None, "value": value, "says": None, **more})
    return rows[rows["value"].notna() | rows["says"].notna()]


def _survival(seen: pd.DataFrame) -> pd.DataFrame:
    """Give survival: counted, else judged by eye; plants counted in part give none and say so."""
    counts = seen[COUNTS]
    counted = survival_pct(*counts.to_numpy(float).T)
    by_eye = seen["survival_pct"].to_numpy(float)
    known, begun = ~np.isnan(counted), counts.notna().any(axis=1).to_numpy()
    numbers = counts.fillna(0).astype(int).astype(str)
    words = numbers["plants_alive"] + " alive, " + numbers["plants_dead"] + " dead, " + numbers["plants_missing"]
    guessed = pd.Series("judged by eye", seen.index).where(~np.isnan(by_eye), None)
    says = (words + " missing").where(known, guessed.where(~begun, NOT_COUNTED))
    return _reading(seen, "survival", np.where(known, counted, by_eye), says=says)


def _covers(seen: pd.DataFrame) -> Iterator[pd.DataFrame]:
    for measure, column in COVERS.items():
        yield _reading(seen, measure, seen[column].to_numpy(float))


def _photos(seen: pd.DataFrame) -> pd.DataFrame:
    """Give photo points with the bearing of their photograph."""
    there = seen[seen["photo_point"].notna() | seen["photo_bearing_deg"].notna()]
    bearing = there["photo_bearing_deg"].to_numpy(float)
    says = ["its bearing is not told" if unknown else None for unknown in np.isnan(bearing)]
    return _reading(there, "photo point", bearing, mark=there["photo_point"], says=says)


def _by_day(readings: pd.DataFrame) -> pd.DataFrame:
    """Average readings of one measure and mark of one day at one place; those without a date stay as they are."""
    one = readings["day"].where(readings["day"].notna(), -1e9 - readings["row"])
    parts = readings.assign(one=one).groupby(["place_no", *_SERIES, "one"], dropna=False, sort=False)
    made = parts.agg(
        visit_id=("visit_id", _all_told), day=("day", "first"), row=("row", "first"), value=("value", "mean"),
        says=("says", _all_told), count=("value", "count"),
    ).reset_index()  # fmt: skip
    many = made["count"] > 1
    mean = "mean of " + made["count"].astype(str) + " on that day"
    made["says"] = made["says"].where(~many, mean + ("; " + made["says"]).fillna(""))
    return made.drop(columns=["one", "count"])


def _all_told(texts: pd.Series) -> str | None:
    return ", ".join(dict.fromkeys(texts.dropna().astype(str))) or None


def _since_first(readings: pd.DataFrame) -> pd.DataFrame:
    """Give days and change since the first value of each series; of bearings only whether they turned."""
    rows = readings.sort_values(["day", "row"], kind="stable", na_position="last", ignore_index=True)
    told = rows[rows["value"].notna() & rows["day"].notna()].drop_duplicates(_SERIES)
    first = told[[*_SERIES, "day", "value"]].rename(columns={"day": "first_day", "value": "first_value"})
    rows = rows.merge(first, how="left", on=_SERIES)  # marks that are missing are one mark
    is_photo = rows["measure"] == "photo point"
    since = rows["value"] - rows["first_value"].where(rows["day"].notna())
    turned = ((since + 180.0) % 360.0 - 180.0).abs() > TURNED_DEG
    says = "turned: the first was taken at " + rows["first_value"].round().astype("Int64").astype(str) + " degrees"
    return rows.assign(
        days=(rows["day"] - rows["first_day"]).where(rows["value"].notna()),
        since_first=since.where(~is_photo),
        per_year=np.nan,
        at_least=False,
        says=rows["says"].where(~(is_photo & turned), says),
    )


# ---------------------------------------------------------------- pins


def _pins(seen: pd.DataFrame) -> pd.DataFrame:
    """Give the pins: how far they stand out, the retreat since the first reading and its rate."""
    lost = seen["pin_lost"].eq(1)
    there = seen[seen["pin_m"].notna() | lost]
    rows = _reading(there, "pin", 1000.0 * there["pin_m"].to_numpy(float), mark=there["pin_id"], says="")
    rows = rows.assign(lost=lost[there.index], length=there["pin_length_m"])
    one = rows["day"].where(rows["day"].notna(), -1e9 - rows["row"])
    parts = rows.assign(one=one).groupby(["place_no", *_SERIES, "one"], dropna=False, sort=False)
    days = parts.agg(
        visit_id=("visit_id", _all_told), day=("day", "first"), row=("row", "first"), value=("value", "mean"),
        lost=("lost", "any"), length=("length", "max"), count=("value", "count"),
    ).reset_index().drop(columns="one")  # fmt: skip
    days = days.sort_values(["place_no", "mark", "day", "row"], kind="stable", na_position="last")
    made = [_one_pin(pin) for _, pin in days.groupby(_SERIES, dropna=False, sort=False)]
    return pd.concat([_no_pins(days), *made], ignore_index=True)


def _no_pins(days: pd.DataFrame) -> pd.DataFrame:
    none = days.iloc[:0].drop(columns=["lost", "length", "count"])
    return none.assign(days=0.0, since_first=0.0, per_year=0.0, at_least=False, says="")


def _one_pin(pin: pd.DataFrame) -> pd.DataFrame:
    """Give the retreat of one pin: readings in order of time; those without a date come last and tell none."""
    dated = pin["day"].notna().to_numpy()
    length = pin["length"].ffill().bfill().to_numpy(float)
    retreat, least, says = _retreat(pin["value"].to_numpy(float) / 1000.0, pin["lost"].to_numpy(bool), length)
    known = np.flatnonzero(dated & ~np.isnan(retreat))
    began = pin["day"].iloc[known[0]] if len(known) else np.nan
    retreat = np.where(dated, retreat, np.nan)
    many = pin["count"].to_numpy() > 1
    says = [f"mean of {count} on that day; {word}".rstrip("; ") if more else word
            for count, more, word in zip(pin["count"], many, says, strict=True)]  # fmt: skip
    days = np.where(np.isnan(retreat), np.nan, pin["day"].to_numpy(float) - began)
    return pin.drop(columns=["lost", "length", "count"]).assign(
        days=days,
        since_first=1000.0 * retreat,
        per_year=pin_rate_mm_y(retreat, np.nan_to_num(days)),
        at_least=least & dated & ~np.isnan(retreat),
        says=[word if word and told else None for word, told in zip(says, dated, strict=True)],
    )


def _retreat(exposed: Floats, lost: NDArray[np.bool_], length: Floats) -> tuple[Floats, NDArray[np.bool_], list[str]]:
    """Give the retreat of a face since the first reading of its pin (n,) [m], whether it is at least that, and words.

    Parameters
    ----------
    exposed
        (n,) how far the pin stands out [m], in order of time; of the new pin where one was lost.
    lost
        (n,) whether it was found gone.
    length
        (n,) length of the whole pin [m]; NaN where not told.
    """
    retreat, least, says = np.full(len(exposed), np.nan), np.zeros(len(exposed), bool), []
    base = last = np.nan
    before, gone = 0.0, False
    for row, (now, is_lost, whole) in enumerate(zip(exposed, lost, length, strict=True)):
        word = ""
        if is_lost:
            gone = True
            if np.isnan(base):
                word = GONE_UNREAD
            else:
                word = GONE if whole > base else GONE_NO_LENGTH
                before += max(whole - base, last - base) if whole > base else last - base
                retreat[row] = before
            base = last = now
        elif np.isnan(base):
            base = last = now
            retreat[row] = before
        else:
            last = now
            retreat[row] = before + now - base
            word = BUILT_UP if retreat[row] < 0 else ""
        least[row] = gone
        says.append(word)
    return retreat, least, says


def _volumes(seen: pd.DataFrame, pins: pd.DataFrame) -> pd.DataFrame:
    """Give the volume eroded at each place since its first day: length x bank height x mean retreat of its pins."""
    moved = pins[(pins["days"] > 0) & pins["since_first"].notna()]
    parts = moved.groupby(["place_no", "place_id", "day"], sort=False)
    rows = parts.agg(
        visit_id=("visit_id", _all_told), row=("row", "first"), retreat=("since_first", "mean"),
        rate=("per_year", "mean"), days=("days", "max"), at_least=("at_least", "any"), count=("row", "count"),
    ).reset_index()  # fmt: skip
    told = seen[seen["day"].notna()].groupby(["place_no", "day"])[["bank_height_m", "eroding_length_m"]].last()
    told = told.groupby("place_no").ffill()
    rows = rows.join(told, on=["place_no", "day"])
    length, height = (rows[name].to_numpy(float) for name in ("eroding_length_m", "bank_height_m"))
    volume = eroded_m3(length, height, rows["retreat"].to_numpy(float) / 1000.0)
    pinned = rows["count"].map(lambda n: f"{n} pins" if n > 1 else "one pin")
    taken = zip(length, height, pinned, strict=True)
    used = [f"{reach:g} m of bank {tall:g} m high, {pin}" for reach, tall, pin in taken]
    lacking = np.select(
        [np.isnan(length) & np.isnan(height), np.isnan(length), np.isnan(height)],
        ["bank height and length that erodes are not told", "the length that erodes is not told",
         "bank height is not told"], "",
    )  # fmt: skip
    return rows.assign(
        measure="eroded volume",
        mark=None,
        value=volume,
        since_first=volume,
        per_year=eroded_m3(length, height, rows["rate"].to_numpy(float) / 1000.0),
        says=np.where(lacking == "", used, lacking),
    )[pins.columns]


# ---------------------------------------------------------------- findings


def monitoring_findings(series: pd.DataFrame) -> list[Finding]:
    """Tell what keeps readings out of the series, or makes them doubtful.

    Parameters
    ----------
    series
        Of :func:`monitoring_series`.
    """
    if not len(series):
        return []
    undated = series[series["date"].isna()]
    says = series["says"].fillna("")
    doubts = (
        (undated, "rows have no date and stand in no order of time", "write the date of the visit on the form."),
        (series[says.str.startswith("mean of ")], "values are means of several visits of one day",
         "nothing, or give each pin and photo point a mark of its own."),
        (series[says.str.contains(NOT_COUNTED, regex=False)],
         "counts of plants tell no dead or no missing ones, so no survival", "write 0 where there are none."),
        (series[says.str.contains(GONE_NO_LENGTH, regex=False)], "pins are gone whose length is not told",
         "write the length of the pin on any form of that pin."),
    )  # fmt: skip
    return [
        Finding("warning", "visits", "monitoring", "", f"{len(rows)} {what}: {_named(rows)}.", do)
        for rows, what, do in doubts
        if len(rows)
    ]


def _named(rows: pd.DataFrame) -> str:
    mark = (" " + rows["mark"]).fillna("")
    return listed(dict.fromkeys((rows["place_id"] + " (" + rows["measure"] + mark + ")").tolist()))
