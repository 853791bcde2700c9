"""Irregular samples to one time grid: time-weighted means in which gaps stay gaps.

Lives here: holding times, means, variances and coverage per grid interval. Not here: which sample
is good (``quality``), which interval carries evidence (``evidence``).

A sample holds until the next one, but no longer than its point's logging habit allows, so that an
interval never depends on what comes after it and no value is invented over a gap. A gap of which the
logger told ends the hold at once; that it is told later than it began makes it no less a gap.
"""

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.trends.gaps import cut_at_gaps, gaps_of

Seconds = NDArray[np.float64]
LONGEST_HOLD_s = (
    6 * 3600.0
)  # a point logged on change may rest this long before it counts as silent
REGULAR_HOLD = 1.6  # in logging intervals, for a point logged at fixed times
REGULAR_SHARE = 0.7  # share of spacings that equal the usual one in a regular log
SILENCE = 2.5  # usual spacings, from which on a point is silent
SILENCES_LEAST, SILENCES_SHARE = 3, 0.03  # of a day's spacings; fewer are gaps
REPEATS_MOST = 0.02  # of a day's values; a point logged on change has none but its heartbeat's
TELLING_SPACINGS = 4  # a day with fewer tells no habit of its own ...
HABIT_DAYS = 7.0  # ... and keeps that of the last day that does, if it is not longer ago
NO_GAPS: Seconds = np.empty((0, 2))


@dataclass(frozen=True, slots=True, kw_only=True)
class GridColumn:
    """One role on the grid; every array has one entry per interval."""

    mean: NDArray[np.float64]
    variance: NDArray[np.float64]  # inside the interval
    slope: NDArray[np.float64]  # inside the interval, by least squares, per hour; 0 from one sample
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

    def slope(self, role: str) -> NDArray[np.float64]:
        """Return the slope of ``role`` inside each interval, per hour; 0 where it is not known."""
        column = self.columns.get(role)
        if column is None:
            return np.zeros(len(self.start))
        return np.where(column.coverage >= 0.5, column.slope, 0.0)

    def deviation(self, role: str) -> NDArray[np.float64]:
        """Return the standard deviation of ``role`` inside each interval."""
        column = self.columns.get(role)
        if column is None:
            return np.full(len(self.start), np.nan)
        return np.sqrt(column.variance)


def epoch_seconds(index: pd.DatetimeIndex) -> Seconds:
    """Return the stamps as seconds since 1970, as floats."""
    return np.asarray(index.as_unit("ns").asi8, dtype=float) / 1e9


def holding_times(
    time_s: Seconds, values: NDArray[np.float64] | None = None, *, declared: bool = False
) -> tuple[Seconds, NDArray[np.bool_], Seconds]:
    """Say how long each sample of one point holds at the most.

    The logging habit is judged day by day from the samples of that day and those before it: a fixed
    interval holds for 1.6 of it, a point logged on change for six hours. A day's last spacing belongs
    to the day on which it begins only if it also ends there, so that a later sample never alters an
    earlier day.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Rising stamps. [s since 1970]
    values : ndarray, shape (n,), optional
        With them a point that changes at almost every tick is known as logged on change by its
        silences: it moves over a silence by no more than over a tick, and never repeats a value.
    declared : bool
        The register says that the point is logged on change: no habit is looked for.

    Returns
    -------
    hold_s, on_change, spacing_s : arrays, one entry per sample
    """
    day = np.floor(time_s / 86400.0)
    spacing = np.diff(time_s, append=np.nan)
    spacing[np.flatnonzero(np.diff(day) != 0)] = np.nan
    frame = pd.DataFrame({"day": day, "spacing": spacing})
    usual = frame.groupby("day")["spacing"].transform("median").to_numpy()
    if declared:
        n = len(time_s)
        return np.full(n, LONGEST_HOLD_s), np.ones(n, dtype=bool), usual
    same = np.abs(spacing - usual) <= 0.1 * usual + 1.0
    frame["same"] = np.where(np.isnan(spacing), np.nan, same)
    habit = frame.groupby("day")[["same", "spacing"]].agg({"same": "mean", "spacing": "count"})
    changing = (habit["same"] < REGULAR_SHARE).to_numpy()
    if values is not None:
        changing = changing | _moves_as_little_when_silent(frame, usual, values)
    changing = _as_on_days_before(habit.index.to_numpy(), changing, habit["spacing"].to_numpy())
    on_change = changing[np.searchsorted(habit.index.to_numpy(), day)]
    single = np.isnan(usual)  # a day with one sample tells no habit: hold it for an hour
    hold = np.where(on_change, LONGEST_HOLD_s, REGULAR_HOLD * np.where(single, 3600.0, usual))
    return np.minimum(hold, LONGEST_HOLD_s), on_change, usual


def _moves_as_little_when_silent(
    frame: pd.DataFrame, usual: Seconds, values: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Tell for each day whether silences are those of a point that did not move.

    Over a gap in a regular log a value drifts on; a point logged on change moves by its increment,
    whether that takes a minute or an hour.
    """
    step = np.abs(np.diff(values, append=np.nan))
    step[np.isnan(frame["spacing"].to_numpy())] = np.nan
    silent = frame["spacing"].to_numpy() >= SILENCE * usual
    days = pd.DataFrame(
        {
            "day": frame["day"],
            "silent": silent,
            "counted": ~np.isnan(step),
            "repeats": step == 0,
            "over_silence": np.where(silent, step, np.nan),
            "over_tick": np.where(silent, np.nan, step),
        }
    ).groupby("day")
    total = days[["silent", "counted", "repeats"]].sum()
    moved = days[["over_silence", "over_tick"]].median()
    enough = np.maximum(SILENCES_LEAST, SILENCES_SHARE * total["counted"])
    return np.asarray(
        (total["silent"] >= enough)
        & (total["repeats"] <= REPEATS_MOST * total["counted"])
        & (moved["over_silence"] <= 1.5 * moved["over_tick"])
    )


def _as_on_days_before(
    day: NDArray[np.float64], changing: NDArray[np.bool_], spacings: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Let a day of few samples keep the habit of the days before: little to log is no gap."""
    tells = spacings >= TELLING_SPACINGS
    last = np.maximum.accumulate(np.where(tells, np.arange(len(day)), -1))
    known = (last >= 0) & (day - day[np.maximum(last, 0)] <= HABIT_DAYS)
    return np.where(~tells & known, changing | changing[np.maximum(last, 0)], changing)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pieces:
    """Stretches of one held sample inside one interval."""

    sample: NDArray[np.intp]
    interval: NDArray[np.intp]
    begin_s: Seconds
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
    return _Pieces(sample=sample, interval=interval, begin_s=begin, length_s=length)


def grid_column(
    time_s: Seconds,
    values: NDArray[np.float64],
    edges_s: Seconds,
    gaps_s: Seconds = NO_GAPS,
    *,
    declared: bool = False,
) -> GridColumn:
    """Put the samples of one point on the grid whose edges are given.

    ``gaps_s`` as of ``gaps_of``, ``declared`` as of ``holding_times``.
    """
    hold, on_change, spacing = holding_times(time_s, values, declared=declared)
    usual = np.where(np.isnan(spacing), 3600.0, spacing)
    own = np.where(on_change, 0.0, np.minimum(hold, usual))
    hold = cut_at_gaps(time_s, hold, own, REGULAR_HOLD * usual, gaps_s)
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
        middle = cut.begin_s + cut.length_s / 2
        away = middle - (total(middle) / held)[cut.interval]
        spread = total(away**2)
        slope = np.where(spread > 0, total(away * reading) / spread, 0.0) * 3600.0
    some = held > 1e-6 * width
    at = np.clip(np.searchsorted(time_s, edges_s[1:], side="left") - 1, 0, len(time_s) - 1)
    return GridColumn(
        mean=np.where(some, mean, np.nan),
        variance=np.where(some, variance, np.nan),
        slope=np.where(some, slope, 0.0),
        coverage=held / width,
        on_change=on_change[at] & some,
        spacing_s=np.where(some, spacing[at], np.nan),
    )


def to_grid(
    trends: pd.DataFrame,
    step_s: float,
    gaps: pd.DataFrame | None = None,
    on_change: Collection[str] = (),
) -> Grid:
    """Put a trend frame on a grid of whole UTC days.

    Parameters
    ----------
    trends : DataFrame
        Trend frame; NaN: nothing logged, or refused by ``quality``.
    step_s : float
        Width of an interval; a divisor of 86,400 s.
    gaps : DataFrame, optional
        Gap frame (see ``analytics.vocabulary.gaps``).
    on_change : collection of str
        Roles of which the register says that they are logged on change.
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
            columns[str(role)] = grid_column(
                time_s[there],
                values[there],
                edges,
                gaps_of(gaps, str(role)),
                declared=str(role) in on_change,
            )
    return Grid(start=start, step_s=step_s, columns=columns)
