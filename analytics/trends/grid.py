"""Irregular samples to one time grid: time-weighted means in which gaps stay gaps.

Lives here: holding times, means, variances and coverage per grid interval. Not here: which sample
is good (``quality``), which interval carries evidence (``evidence``).

A sample holds until the next one, but no longer than its point's logging habit allows, so that an
interval never depends on what comes after it and no value is invented over a gap.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Seconds = NDArray[np.float64]
LONGEST_HOLD_s = (
    6 * 3600.0
)  # a point logged on change may rest this long before it counts as silent
REGULAR_HOLD = 1.6  # in logging intervals, for a point logged at fixed times
REGULAR_SHARE = 0.7  # share of spacings that equal the usual one in a regular log


@dataclass(frozen=True, slots=True, kw_only=True)
class GridColumn:
    """One role on the grid; every array has one entry per interval."""

    mean: NDArray[np.float64]
    variance: NDArray[np.float64]  # inside the interval
    coverage: NDArray[np.float64]  # 0 to 1
    on_change: NDArray[np.bool_]  # logged on change of value that day
    spacing_s: NDArray[np.float64]  # the usual spacing of samples that day; NaN without samples


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """Equal intervals from ``start``; roles that were never logged are absent."""

    start: pd.DatetimeIndex
    step_s: float
    columns: dict[str, GridColumn]

    def mean(self, role: str) -> NDArray[np.float64]:
        """Return the means of ``role``, NaN where covered by less than half or never logged."""
        column = self.columns.get(role)
        if column is None:
            return np.full(len(self.start), np.nan)
        return np.where(column.coverage >= 0.5, column.mean, np.nan)

    def deviation(self, role: str) -> NDArray[np.float64]:
        """Return the standard deviation of ``role`` inside each interval."""
        column = self.columns.get(role)
        if column is None:
            return np.full(len(self.start), np.nan)
        return np.sqrt(column.variance)


def epoch_seconds(index: pd.DatetimeIndex) -> Seconds:
    """Return the stamps as seconds since 1970, as floats."""
    return np.asarray(index.as_unit("ns").asi8, dtype=float) / 1e9


def holding_times(time_s: Seconds) -> tuple[Seconds, NDArray[np.bool_], Seconds]:
    """Say how long each sample of one point holds at the most.

    The logging habit is judged day by day from that day's samples alone: a fixed interval holds
    for 1.6 of it, a point logged on change for six hours. A day's last spacing belongs to the day on
    which it begins only if it also ends there, so that a later sample never alters an earlier day.

    Returns
    -------
    hold_s, on_change, spacing_s : arrays, one entry per sample
    """
    day = np.floor(time_s / 86400.0)
    spacing = np.diff(time_s, append=np.nan)
    spacing[np.flatnonzero(np.diff(day) != 0)] = np.nan
    frame = pd.DataFrame({"day": day, "spacing": spacing})
    usual = frame.groupby("day")["spacing"].transform("median").to_numpy()
    same = np.abs(spacing - usual) <= 0.1 * usual + 1.0
    share = (
        pd.DataFrame({"day": day, "same": np.where(np.isnan(spacing), np.nan, same)})
        .groupby("day")["same"]
        .transform("mean")
        .to_numpy()
    )
    on_change = share < REGULAR_SHARE
    single = np.isnan(usual)  # a day with one sample tells no habit: hold it for an hour
    hold = np.where(on_change, LONGEST_HOLD_s, REGULAR_HOLD * np.where(single, 3600.0, usual))
    return np.minimum(hold, LONGEST_HOLD_s), on_change, usual


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pieces:
    """Stretches of one held sample inside one interval."""

    sample: NDArray[np.intp]
    interval: NDArray[np.intp]
    length_s: Seconds


def _pieces(time_s: Seconds, hold_s: Seconds, edges_s: Seconds) -> _Pieces:
    """Cut the held signal at the samples and at the edges.

    Each interval is summed by itself: a running sum over the record would leave its rounding in every
    later interval, where a flow of nought must be nought.
    """
    begin = np.sort(np.concatenate([time_s, edges_s[:-1]]), kind="stable")
    end = np.append(begin[1:], edges_s[-1])
    sample = np.searchsorted(time_s, begin, side="right") - 1
    known = sample >= 0
    begin, end, sample = begin[known], end[known], sample[known]
    length = np.maximum(np.minimum(end, time_s[sample] + hold_s[sample]) - begin, 0.0)
    interval = np.searchsorted(edges_s, begin, side="right") - 1
    return _Pieces(sample=sample, interval=interval, length_s=length)


def grid_column(time_s: Seconds, values: NDArray[np.float64], edges_s: Seconds) -> GridColumn:
    """Put the samples of one point on the grid whose edges are given."""
    hold, on_change, spacing = holding_times(time_s)
    width = np.diff(edges_s)
    cut = _pieces(time_s, hold, edges_s)

    def total(weights: Seconds) -> Seconds:
        return np.asarray(
            np.bincount(cut.interval, weights * cut.length_s, minlength=len(width)), dtype=float
        )

    held = total(np.ones(len(cut.sample)))
    reading = values[cut.sample]
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = total(reading) / held
        variance = total((reading - mean[cut.interval]) ** 2) / held
    some = held > 1e-6 * width
    at = np.clip(np.searchsorted(time_s, edges_s[1:], side="left") - 1, 0, len(time_s) - 1)
    return GridColumn(
        mean=np.where(some, mean, np.nan),
        variance=np.where(some, variance, np.nan),
        coverage=held / width,
        on_change=on_change[at] & some,
        spacing_s=np.where(some, spacing[at], np.nan),
    )


def to_grid(trends: pd.DataFrame, step_s: float) -> Grid:
    """Put a trend frame on a grid of whole UTC days.

    Parameters
    ----------
    trends : DataFrame
        Trend frame; NaN: nothing logged, or refused by ``quality``.
    step_s : float
        Width of an interval; a divisor of 86,400 s.
    """
    first = trends.index[0].floor("D")
    end = trends.index[-1].floor("D") + pd.Timedelta(days=1)
    start = pd.date_range(first, end, freq=pd.Timedelta(seconds=step_s), inclusive="left")
    edges = np.append(epoch_seconds(start), end.timestamp())
    time_s = epoch_seconds(pd.DatetimeIndex(trends.index))
    columns = {}
    for role in trends.columns:
        values = trends[role].to_numpy(dtype=float)
        there = np.isfinite(values)
        if there.any():
            columns[str(role)] = grid_column(time_s[there], values[there], edges)
    return Grid(start=start, step_s=step_s, columns=columns)
