"""Readings of single points to one frame per exchanger; stamps that come twice are settled here."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.vocabulary.gaps import GAP_COLUMNS
from ingest.dialects.readings import Reading
from ingest.findings import KEPT_PER_REASON, Findings


@dataclass(frozen=True, slots=True)
class Span:
    """The stamps of one role in a part of a large file: all, and those no other part is shown."""

    tag: str
    role: str
    whole: tuple[np.datetime64, np.datetime64]
    core: tuple[np.datetime64, np.datetime64] | None


def join_readings(
    readings: list[Reading], findings: Findings, spans: list[Span] | None = None
) -> dict[str, pd.DataFrame]:
    """Return a trend frame for each exchanger.

    The same stamp twice with equal values counts once; with different values neither is kept,
    since nothing tells which is right. Of a part of a large file the frames hold what stands on its
    own lines; ``spans`` takes from when to when that is.
    """
    columns: dict[str, dict[str, _Column]] = {}
    # the readings of a wide file share their stamps; so does one point that serves several
    said: set[tuple[int, str]] = set()
    counted: set[int] = set()
    orders: dict[int, _Order] = {}
    for reading in readings:
        # a wide file's readings hold the very same array of stamps
        shared = id(reading.time_utc)
        key = (shared, reading.heading)
        if shared not in orders:
            orders[shared] = _order(reading, findings)
        settled = _settle(
            reading,
            orders[shared],
            None if key in said else findings,
            count_equal=shared not in counted,
        )
        said.add(key)
        counted.add(shared)
        columns.setdefault(reading.tag, {})[reading.role] = settled
        if spans is not None:
            spans += _spans(reading, findings)
    return {tag: _frame(roles) for tag, roles in columns.items()}


def join_gaps(readings: list[Reading]) -> dict[str, pd.DataFrame]:
    """Return a gap frame for each exchanger of which the source tells gaps."""
    told: dict[str, list[pd.DataFrame]] = {}
    for reading in readings:
        if reading.gaps is not None and len(reading.gaps):
            told.setdefault(reading.tag, []).append(reading.gaps.assign(role=reading.role))
    return {
        tag: pd.concat(frames, ignore_index=True)[list(GAP_COLUMNS)] for tag, frames in told.items()
    }


_Column = tuple[pd.DatetimeIndex, NDArray[np.float64]]  # rising, each stamp once; values


def _frame(roles: dict[str, _Column]) -> pd.DataFrame:
    first, *others = (index for index, _ in roles.values())
    if all(index is first for index in others):
        # a column each, as they are: one array of all columns would hold a large file twice
        columns = {role: values for role, (_, values) in roles.items()}
        frame = pd.DataFrame(columns, index=first, copy=False)
    else:
        series = {role: pd.Series(values, index=index) for role, (index, values) in roles.items()}
        frame = pd.concat(series, axis=1, sort=True).sort_index()
    if _some_rows_empty(roles):
        frame = frame.dropna(how="all")
    frame.columns = frame.columns.astype(object)
    frame.index.name = "time_utc"
    return frame


def _some_rows_empty(roles: dict[str, _Column]) -> bool:
    first, *others = (index for index, _ in roles.values())
    if any(index is not first for index in others):
        return True  # perhaps
    filled = np.zeros(len(first), dtype=bool)
    for _, values in roles.values():
        filled |= ~np.isnan(values)
        if filled.all():
            return False
    return True


@dataclass(frozen=True, slots=True)
class _Order:
    """Rising order of stamps; which of them, so ordered, is the same as the one before it."""

    places: NDArray[np.int64] | None  # None: they rise as they are
    times: NDArray[np.datetime64]
    same: NDArray[np.bool_]
    own: NDArray[np.bool_] | None  # on the lines of this part; None: all
    index: pd.DatetimeIndex | None  # None: some stamps come more than once


def _order(reading: Reading, findings: Findings) -> _Order:
    time_utc = reading.time_utc
    places = None
    if np.any(time_utc[1:] < time_utc[:-1]):
        places = np.argsort(time_utc, kind="stable")
    times = time_utc if places is None else time_utc[places]
    same = np.zeros(len(times), dtype=bool)
    same[1:] = times[1:] == times[:-1]
    own = None
    if findings.window is not None:
        own = findings.owns(reading.line if places is None else reading.line[places])
    index = None if same.any() else _index(times if own is None else times[own])
    return _Order(places, times, same, own, index)


def _index(times: NDArray[np.datetime64]) -> pd.DatetimeIndex:
    return pd.DatetimeIndex(times, name="time_utc").tz_localize("UTC")


def _settle(
    reading: Reading, order: _Order, findings: Findings | None, *, count_equal: bool
) -> _Column:
    """Return the values with each stamp once, rising."""
    values, lines = reading.values, reading.line
    if order.places is not None:
        values, lines = values[order.places], lines[order.places]
    if order.index is not None:
        if order.own is not None:
            values = values[order.own]
        return order.index, values
    times, values = _settle_twice(
        order.times, values, lines, order.same, reading.heading, findings, count_equal
    )
    if order.own is not None:
        # a stamp belongs to the line on which it comes first
        first = order.own[~order.same]
        times, values = times[first], values[first]
    return _index(times), values


def _spans(reading: Reading, findings: Findings) -> list[Span]:
    assert findings.window is not None
    own = findings.owns(reading.line)
    times, lines = reading.time_utc[own], reading.line[own]
    if not len(times):
        return []
    core = times[lines <= findings.window.core_last]
    inner = (core.min(), core.max()) if len(core) else None
    return [Span(reading.tag, reading.role, (times.min(), times.max()), inner)]


def _settle_twice(
    times: NDArray[np.datetime64],
    values: NDArray[np.float64],
    lines: NDArray[np.int64],
    same: NDArray[np.bool_],
    heading: str,
    findings: Findings | None,
    count_equal: bool,
) -> tuple[NDArray[np.datetime64], NDArray[np.float64]]:
    group = np.cumsum(~same) - 1
    first = np.flatnonzero(~same)
    # an empty cell contradicts nothing: the value of the other line stands
    low = np.fmin.reduceat(values, first)
    high = np.fmax.reduceat(values, first)
    contradicting = high > low
    settled = np.where(contradicting, np.nan, low)
    if findings is not None:
        odd = np.flatnonzero(contradicting[group])
        findings.add_lines(
            "different values",
            "the stamp {value} comes more than once, with different values; none is kept. "
            "Export the period again.",
            "refused",
            lines[odd],
            [f"{t.astype('datetime64[s]')}Z" for t in times[odd[:KEPT_PER_REASON]]],
            column=heading,
        )
        if count_equal:
            again = np.flatnonzero(same & ~contradicting[group])
            findings.add_lines(
                "same stamp",
                "the stamp {value} comes again and is kept once.",
                "note",
                lines[again],
                [f"{t.astype('datetime64[s]')}Z" for t in times[again[:KEPT_PER_REASON]]],
            )
    return times[first], settled
