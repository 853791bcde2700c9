"""Readings of single points to one frame per exchanger; stamps that come twice are settled here."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.vocabulary.gaps import GAP_COLUMNS
from ingest.dialects.readings import Reading
from ingest.findings import KEPT_PER_REASON, Findings


def join_readings(readings: list[Reading], findings: Findings) -> dict[str, pd.DataFrame]:
    """Return a trend frame for each exchanger.

    The same stamp twice with equal values counts once; with different values neither is kept,
    since nothing tells which is right.
    """
    columns: dict[str, dict[str, pd.Series]] = {}
    # the readings of a wide file share their stamps; so does one point that serves several
    said: set[tuple[int, str]] = set()
    counted: set[int] = set()
    for reading in readings:
        # a wide file's readings hold the very same array of stamps
        shared = id(reading.time_utc)
        key = (shared, reading.heading)
        series = _settle(
            reading,
            None if key in said else findings,
            count_equal=shared not in counted,
        )
        said.add(key)
        counted.add(shared)
        columns.setdefault(reading.tag, {})[reading.role] = series
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


def _frame(roles: dict[str, pd.Series]) -> pd.DataFrame:
    frame = pd.concat(roles, axis=1, sort=True).sort_index()
    frame = frame.dropna(how="all")
    frame.columns = frame.columns.astype(object)
    frame.index.name = "time_utc"
    return frame


def _settle(reading: Reading, findings: Findings | None, *, count_equal: bool) -> pd.Series:
    """Return the series with each stamp once, rising."""
    order = np.argsort(reading.time_utc, kind="stable")
    times, values, lines = reading.time_utc[order], reading.values[order], reading.line[order]
    same = np.zeros(len(times), dtype=bool)
    same[1:] = times[1:] == times[:-1]
    if same.any():
        times, values = _settle_twice(
            times, values, lines, same, reading.heading, findings, count_equal
        )
    index = pd.DatetimeIndex(times, name="time_utc").tz_localize("UTC")
    return pd.Series(values, index=index, name=reading.role)


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
