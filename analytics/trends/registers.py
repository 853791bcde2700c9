"""Cumulative heat-meter registers to means over grid intervals, and to sums over days.

Lives here: what a register's readings say of the time between them, and what they do not. Not here:
which flow or power an hour finally takes (``hours``).

A register is a measurement of energy or volume between two readings. Its resolution makes a short
interval noise and a long one a measurement: each mean is formed over as many intervals as its
resolution asks for, and carries the standard deviation that is left. Where readings lie too far apart
their sum is known and its course is not: no mean is given there, the sum remains in the day's.

Everything of one UTC day uses readings of that day and earlier ones alone.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.trends.grid import Seconds, epoch_seconds

Array = NDArray[np.float64]

DAY_s = 86400.0
READING_SPACINGS = 1.6  # of the usual spacing; beyond it a reading is missing
LEAST_COVER = 0.7  # of an interval: 15-minute readings end a quarter of an hour before the day does
WINDOWS = (1, 3, 5, 9, 12)  # intervals that a mean may span to outgrow the resolution
WINDOW_LONGEST_s = 3 * 3600.0  # over a longer one a heating load has its own course
RESOLVED = 0.07  # of the rate: what the resolution may leave
RESOLVED_USUAL = 0.01  # of the usual rate: less than that is as good as none
# How far an hour strays from the mean of the hours around it, relative, per hour of the window: on
# six simulated heating loads with night set-back 0.02 to 0.10 over three hours.
STRAYING_PER_HOUR = 0.03
JUMP = 5.0  # times the largest rate seen: a replaced meter or a wrong reading, no heat
ROLL_OVER = 1.5  # times the largest rate seen: what may pass as a roll-over
CATCH_UP = 1.5  # times the largest rate seen, after a standstill: what was missed meanwhile
FIRST_MOVES = 500

# The units in which meters count; a register of so many digits turns over at a power of ten of one.
ENERGY_COUNTED_IN_J = (3.6e6, 1.0, 4.1868e9)  # kWh and MWh, MJ and GJ, Gcal
VOLUME_COUNTED_IN_m3 = (1.0,)


@dataclass(frozen=True, slots=True, kw_only=True)
class RegisterRate:
    """Mean rate per grid interval (W or m3/s) and the standard deviation of it as that interval's."""

    rate: Array
    deviation: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Chain:
    """A register's readings with what happened between them.

    ``rise`` is that from each reading to the next, (m - 1,), roll-overs undone; NaN where the chain
    breaks: reset, replaced meter, wrong reading. ``step`` is the resolution, ``usual`` the usual rate.
    Where a register that froze catches up, its sum is known and its ``course`` is not.
    """

    time_s: Seconds
    rise: Array
    step: Array  # (m - 1,), as a replaced meter may count in other steps
    usual: float
    course: NDArray[np.bool_]  # (m - 1,)


def typical_step(values: Array, share: float, first: int = FIRST_MOVES) -> float:
    """Return the size below which ``share`` of a point's moves lie: its resolution.

    Only the first moves count, so that later data never changes what was concluded before.
    """
    moves = np.abs(np.diff(values))
    moves = moves[moves > 0][:first]
    return float(np.quantile(moves, share)) if len(moves) else 0.0


def resolution(values: Array, first: int = FIRST_MOVES) -> float:
    """Return the step in which a register counts: what its moves, or their differences, are made of.

    The smallest move alone would be taken for the step where every hour moves by several. Only the
    first moves count, as for :func:`typical_step`.
    """
    moves = np.abs(np.diff(values))
    moves = np.sort(moves[moves > 0][:first])
    if not len(moves):
        return 0.0
    apart = np.diff(moves)
    apart = apart[apart > 1e-6 * np.median(moves)]  # less is rounding of the same move
    return float(min(moves[0], apart.min(initial=np.inf)))


def read_chain(
    register: pd.Series,
    *,
    largest_rate: float,
    counted_in: Sequence[float] = (),
    replaced_s: Sequence[float] = (),
) -> Chain:
    """Follow a register from reading to reading.

    Parameters
    ----------
    register : Series
        Readings with a UTC index, in J or m3; NaN: none. Of readings with one stamp the last counts.
    largest_rate : float
        A rise faster than this (W or m3/s) cannot be; nor can one of 5 times the largest
        seen on any day before.
    counted_in : sequence of float, optional
        Units, in J or m3, of which a power of ten is where the register turns over to zero. None: a
        fall is never taken for a roll-over.
    replaced_s : sequence of float, optional
        Moments, in seconds since 1970, at which the maintenance log says the meter was replaced: no
        rise is told across them, and the resolution is learnt anew.
    """
    good = register.dropna()
    good = good[~good.index.duplicated(keep="last")]
    time_s = epoch_seconds(pd.DatetimeIndex(good.index))
    values = good.to_numpy(dtype=float)
    if len(values) < 2:
        none = np.empty(0)
        return Chain(time_s=time_s, rise=none, step=none, usual=0.0, course=none.astype(bool))
    rise, lasts = np.diff(values), np.diff(time_s)
    meter = np.searchsorted(np.sort(np.asarray(replaced_s, dtype=float)), time_s, side="right")
    steps = {m: resolution(values[meter == m]) for m in np.unique(meter)}
    step = np.array([steps[m] for m in meter])[1:]
    day = np.floor(time_s[1:] / DAY_s).astype(np.int64)
    seen = _seen_rate(rise, lasts, day)
    fallen = np.flatnonzero(rise < 0)
    for i in fallen:
        rise[i] = _over_the_top(values[i], values[i + 1], counted_in)
    limit = np.minimum(largest_rate, JUMP * seen)
    limit[fallen] = np.minimum(largest_rate, ROLL_OVER * seen[fallen])
    possible = (rise >= 0) & (rise <= limit * lasts + 2 * step) & (np.diff(meter) == 0)
    moved = rise[(rise > 0) & possible][:FIRST_MOVES] / lasts[(rise > 0) & possible][:FIRST_MOVES]
    return Chain(
        time_s=time_s, rise=np.where(possible, rise, np.nan), step=step,
        usual=float(np.median(moved)) if len(moved) else 0.0,
        course=_known_course(rise, rise > CATCH_UP * seen * lasts + 2 * step, day),
    )  # fmt: skip


def _seen_rate(rise: Array, lasts: Seconds, day: NDArray[np.int64]) -> Array:
    """Return the largest rate of all days before each move's; infinite until there is one.

    Of a day the second largest counts, so that a single jump does not make the next one possible. The
    usual rate would not do: a register that trickles all summer is no measure of the winter.
    """
    rate = pd.Series(np.where(rise > 0, rise / lasts, np.nan))
    falling = rate.sort_values(ascending=False)
    second = falling.groupby(day[falling.index]).nth(1).dropna()
    daily = pd.Series(second.to_numpy(), index=day[second.index]).sort_index().cummax()
    before = np.searchsorted(daily.index.to_numpy(), day, side="left") - 1
    seen = daily.to_numpy()[np.maximum(before, 0)] if len(daily) else np.full(len(day), np.inf)
    return np.where(before >= 0, seen, np.inf)


def _known_course(
    rise: Array, large: NDArray[np.bool_], day: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Tell apart the rises that make up for a standstill, and that standstill back to the day's start.

    A register that a bus has frozen repeats itself and then jumps by what it missed: neither the hours
    of rest nor the jump are what went through the meter.
    """
    known = np.ones(len(rise), dtype=bool)
    still = rise == 0.0
    after = np.zeros(len(rise), dtype=bool)
    after[2:] = still[1:-1] & still[:-2]
    for i in np.flatnonzero(large & after):
        begun = i
        while begun > 0 and still[begun - 1] and day[begun - 1] == day[i]:
            begun -= 1
        known[begun : i + 1] = False
    return known


def _over_the_top(before: float, after: float, counted_in: Sequence[float]) -> float:
    """Return the least rise that takes ``before`` over a power of ten to ``after``; NaN: none."""
    rises = [
        unit * 10.0 ** np.ceil(np.log10(before / unit)) - before + after
        for unit in counted_in
        if before > 0
    ]
    return float(min(rises, default=np.nan))


def register_rate(chain: Chain, edges_s: Seconds, earlier_s: Seconds | float = 0.0) -> RegisterRate:
    """Turn a register into mean rates over the intervals of a grid.

    Parameters
    ----------
    chain : Chain
    edges_s : array, shape (n + 1,)
        Edges of a grid of whole UTC days, seconds since 1970.
    earlier_s : float or array, shape (n,), optional
        By how much the means are to lie earlier than their intervals. A thermometer's mean over an
        hour is made of readings each of which is held until the next, so it lies half a spacing
        early; a register's does not, and the two must be of one time.

    Returns
    -------
    RegisterRate
        NaN where the chain breaks, a reading is missing, or the resolution is too coarse for a mean
        over three hours. The deviation has two parts: the rounding at both ends, each uniform over one
        step, together ``step/sqrt(6)``; and how far an interval strays from a longer window's mean.

    Notes
    -----
    A mean over an interval that is short against the resolution is noise, and its logarithm biased.
    So the narrowest window around each interval is taken over which the rounding is below a
    fourteenth of the rate; a register that stands is known to stand once that rounding is below a
    hundredth of the usual rate.
    """
    n = len(edges_s) - 1
    rate, deviation = np.full(n, np.nan), np.full(n, np.nan)
    if len(chain.time_s) < 2:
        return RegisterRate(rate=rate, deviation=deviation)
    width = float(edges_s[1] - edges_s[0])
    sums = _Sums.of(chain, width)
    last_of_day = _last_reading_of_day(chain.time_s, edges_s)
    early = np.broadcast_to(np.asarray(earlier_s, dtype=float), (n,))
    todo = np.arange(n)
    for k in WINDOWS:
        if k > 1 and k * width > WINDOW_LONGEST_s:
            break
        begin, end = _window(todo, k, edges_s)
        end_s = np.minimum(edges_s[end] - early[todo], last_of_day[todo])
        got, covered = sums.between(edges_s[begin] - early[todo], end_s)
        known = covered >= (LEAST_COVER if k == 1 else 0.9) * width * k
        covered = np.where(known, covered, np.nan)
        mean, rounding = got / covered, sums.step_at(end_s) / np.sqrt(6.0) / covered
        with np.errstate(invalid="ignore"):
            fine = rounding <= np.maximum(RESOLVED * mean, RESOLVED_USUAL * chain.usual)
        strays = mean * STRAYING_PER_HOUR * (k - 1) * width / 3600.0
        chosen = todo[fine]
        rate[chosen], deviation[chosen] = mean[fine], np.hypot(rounding, strays)[fine]
        todo = todo[~fine]
    return RegisterRate(rate=rate, deviation=deviation)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sums:
    """Running amount and time covered over the stretches whose course is known."""

    time_s: Seconds
    amount: Array
    covered: Seconds
    step: Array

    @classmethod
    def of(cls, chain: Chain, width_s: float) -> "_Sums":
        lasts = np.diff(chain.time_s)
        usual = float(np.median(lasts[:FIRST_MOVES]))
        # a register read hourly says nothing of one quarter of an hour
        longest = min(max(READING_SPACINGS * usual, width_s), 2.0 * width_s)
        told = np.isfinite(chain.rise) & chain.course & (lasts <= longest)
        amount = np.cumsum(np.where(told, np.nan_to_num(chain.rise), 0.0))
        covered = np.cumsum(np.where(told, lasts, 0.0))
        return cls(
            time_s=chain.time_s, amount=np.r_[0.0, amount], covered=np.r_[0.0, covered],
            step=chain.step,
        )  # fmt: skip

    def between(self, begin_s: Seconds, end_s: Seconds) -> tuple[Array, Seconds]:
        """Return the amount counted from ``begin_s`` to ``end_s``, and over which time of it."""
        got, covered = (
            np.interp(end_s, self.time_s, sums) - np.interp(begin_s, self.time_s, sums)
            for sums in (self.amount, self.covered)
        )
        return got, covered

    def step_at(self, moment_s: Seconds) -> Array:
        at = np.searchsorted(self.time_s, moment_s, side="left") - 1
        return np.asarray(self.step[np.clip(at, 0, len(self.step) - 1)])


def _window(
    interval: NDArray[np.intp], k: int, edges_s: Seconds
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return the edges of ``k`` intervals around each one, none beyond the end of its day."""
    per_day = round(DAY_s / (edges_s[1] - edges_s[0]))
    day_end = (interval // per_day + 1) * per_day
    end = np.minimum(interval + 1 + k // 2, day_end)
    begin = np.maximum(end - k, 0)
    return begin, np.minimum(begin + k, day_end)


def _last_reading_of_day(time_s: Seconds, edges_s: Seconds) -> Seconds:
    """Return, for each interval, the stamp of the last reading of its day, or of one before."""
    day_end = (np.floor(edges_s[:-1] / DAY_s) + 1) * DAY_s
    at = np.searchsorted(time_s, day_end, side="left") - 1
    return np.where(at >= 0, time_s[np.maximum(at, 0)], -np.inf)


def day_sums(chain: Chain) -> pd.Series:
    """Return what was counted from the last reading of the day before to the last one of each day.

    Sums bridge gaps inside a day, which no mean does, and lose nothing between days; their error is
    the rounding of two readings, however many lie between. A day before which a day has no reading,
    or within which the chain breaks, is left out.

    Returns
    -------
    Series
        J or m3, index days since 1970.
    """
    if len(chain.time_s) < 2:
        return pd.Series(dtype=float)
    day = np.floor(chain.time_s / DAY_s).astype(np.int64)
    # a break leaves its day without a sum
    total = pd.Series(chain.rise).groupby(day[1:]).agg(lambda r: r.sum(skipna=False))
    previous = pd.Series(day).groupby(day).first().index.to_series().diff()
    return total[previous.reindex(total.index) == 1]
