"""Cumulative heat-meter registers to means over grid intervals.

A register is a measurement of energy or volume between two readings; its resolution makes a short
interval noise and a long one a measurement, so each mean comes with that standard deviation.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.trends.grid import Seconds, epoch_seconds

LONGEST_BRIDGE_s = 3 * 3600.0  # readings further apart than this do not tell about an hour between


@dataclass(frozen=True, slots=True, kw_only=True)
class RegisterRate:
    """Mean rate per grid interval (W or m3/s) and its standard deviation from the resolution."""

    rate: NDArray[np.float64]
    deviation: NDArray[np.float64]


def typical_step(values: NDArray[np.float64], share: float, first: int = 500) -> float:
    """Return the size below which ``share`` of a point's moves lie: its resolution.

    Only the first moves count, so that later data never changes what was concluded before.
    """
    moves = np.abs(np.diff(values))
    moves = moves[moves > 0][:first]
    return float(np.quantile(moves, share)) if len(moves) else 0.0


def resolution(values: NDArray[np.float64], first: int = 500) -> float:
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


def register_rate(register: pd.Series, edges_s: Seconds, *, largest_rate: float) -> RegisterRate:
    """Turn a register into mean rates; resets, roll-overs and jumps leave a gap.

    Parameters
    ----------
    register : Series
        Readings with a UTC index, in J or m3; NaN: none.
    edges_s : array, shape (n + 1,)
        Edges of the grid, seconds since 1970.
    largest_rate : float
        A rise faster than this (W or m3/s) is a replaced meter or a wrong reading, no heat.
    """
    good = register.dropna()
    n = len(edges_s) - 1
    if len(good) < 2:
        return RegisterRate(rate=np.full(n, np.nan), deviation=np.full(n, np.nan))
    time_s = epoch_seconds(pd.DatetimeIndex(good.index))
    values = good.to_numpy(dtype=float)
    rise, lasts = np.diff(values), np.diff(time_s)
    step = resolution(values)
    usable = (rise >= 0) & (lasts <= LONGEST_BRIDGE_s) & (rise <= largest_rate * lasts + 2 * step)
    # A gap in the chain would leak into its neighbours through the cumulative sum: carry coverage too.
    amount = np.concatenate([[0.0], np.cumsum(np.where(usable, rise, 0.0))])
    covered = np.concatenate([[0.0], np.cumsum(np.where(usable, lasts, 0.0))])
    got = np.diff(np.interp(edges_s, time_s, amount))
    secs = np.diff(np.interp(edges_s, time_s, covered))
    width = np.diff(edges_s)
    full = secs >= 0.9 * width
    with np.errstate(invalid="ignore", divide="ignore"):
        rate = np.where(full, got / secs, np.nan)
    deviation = np.where(full, step / np.sqrt(6.0) / width, np.nan)
    return RegisterRate(rate=rate, deviation=deviation)
