"""From values and times to pixels: scales, ticks, and labels kept apart."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from itertools import pairwise
from math import ceil, floor, log10

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from service.wording import dates, numbers


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """A straight scale from ``low``..``high`` to the pixels ``first``..``last``."""

    low: float
    high: float
    first: float
    last: float

    def __call__(self, values: ArrayLike) -> NDArray[np.float64]:
        """Return pixels for values, shape (n,)."""
        share = (np.asarray(values, dtype=float) - self.low) / (self.high - self.low)
        return self.first + share * (self.last - self.first)

    def at(self, value: float) -> float:
        """Return the pixel of one value."""
        return float(self(value))


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeScale:
    """A scale of UTC times."""

    start_utc: datetime
    end_utc: datetime
    first: float
    last: float

    def _scale(self) -> Scale:
        low, high = self.start_utc.timestamp(), self.end_utc.timestamp()
        return Scale(low=low, high=max(high, low + 1.0), first=self.first, last=self.last)

    def __call__(self, index: pd.DatetimeIndex) -> NDArray[np.float64]:
        """Return pixels for an index of UTC times, shape (n,)."""
        seconds = np.asarray(index.as_unit("ns").asi8, dtype=float) / 1e9
        return self._scale()(seconds)

    def at(self, time_utc: datetime) -> float:
        """Return the pixel of one time."""
        return self._scale().at(time_utc.timestamp())

    def holds(self, time_utc: datetime) -> bool:
        """Tell whether the time lies on the scale."""
        return self.start_utc <= time_utc <= self.end_utc


def finite_range(*groups: ArrayLike | None) -> tuple[float, float] | None:
    """Return the smallest and the largest finite value of all groups, or ``None``."""
    arrays = [np.ravel(np.asarray(g, dtype=float)) for g in groups if g is not None]
    values = np.concatenate(arrays) if arrays else np.array([])
    values = values[np.isfinite(values)]
    return (float(values.min()), float(values.max())) if values.size else None


def ticks(low: float, high: float, most: int = 5) -> NDArray[np.float64]:
    """Return round tick values inside ``low``..``high``, at most about ``most``."""
    if not high > low:
        return np.array([low], dtype=np.float64)
    rough = (high - low) / most
    power = 10.0 ** floor(log10(rough))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= rough * 0.999)
    count = np.arange(ceil(low / step - 1e-9), floor(high / step + 1e-9) + 1)
    return np.asarray(count * step, dtype=np.float64)


def rounded_out(ends: ArrayLike, most: int = 5) -> tuple[float, float]:
    """Return the range ``ends``, shape (2,), widened to whole ticks."""
    low, high = (float(v) for v in np.asarray(ends, dtype=float))
    if not high > low:
        return low - 1.0, high + 1.0
    inner = ticks(low, high, most)
    step = float(inner[1] - inner[0]) if len(inner) > 1 else (high - low)
    return floor(low / step + 1e-9) * step, ceil(high / step - 1e-9) * step


def tick_labels(values: NDArray[np.float64], symbol: str) -> list[str]:
    """Return tick texts; the unit stands on the top one only."""
    step = float(values[1] - values[0]) if len(values) > 1 else 1.0
    decimals = max(0, -floor(log10(abs(step)) + 1e-9)) if step else 0
    texts = [numbers.number(float(v), decimals) for v in values]
    if texts and symbol:
        texts[-1] = f"{texts[-1]}{numbers.NBSP}{symbol}"
    return texts


def month_ticks(
    start_utc: datetime, end_utc: datetime, zone: tzinfo, *, most: int = 18
) -> list[tuple[datetime, str]]:
    """Return the first of each month (or of every second, third..) with its name; January with year."""
    at = start_utc.astimezone(zone).replace(day=1, hour=0, minute=0, second=0, microsecond=0)
    firsts: list[datetime] = []
    while at <= end_utc:
        if at >= start_utc:
            firsts.append(at)
        at = (at + timedelta(days=32)).replace(day=1)
    every = next((n for n in (1, 2, 3, 6, 12) if len(firsts) / n <= most), 24)
    kept = [f for f in firsts if (f.month - 1) % min(every, 12) == 0]
    return [(f, dates.month(f, zone, year=f.month == 1)) for f in kept]


def day_ticks(
    start_utc: datetime, end_utc: datetime, zone: tzinfo, *, every: int = 1
) -> list[tuple[datetime, str]]:
    """Return midnights of the site with day and month."""
    at = start_utc.astimezone(zone).replace(hour=0, minute=0, second=0, microsecond=0)
    found: list[tuple[datetime, str]] = []
    number = 0
    while at <= end_utc:
        if at >= start_utc:
            if number % every == 0:
                found.append((at, dates.short_day(at, zone)))
            number += 1
        at += timedelta(days=1)
    return found


def spread(positions: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Move label positions apart until they are ``gap`` from each other, inside ``low``..``high``."""
    order = sorted(range(len(positions)), key=lambda i: positions[i])
    placed = [min(max(p, low), high) for p in positions]
    for before, after in pairwise(order):
        placed[after] = max(placed[after], placed[before] + gap)
    overshoot = max((placed[i] for i in order), default=low) - high
    if overshoot > 0:
        for i in order:
            placed[i] -= overshoot
    return placed
