"""Thermometers against each other in idle hours: with no flow for a day all pipes near the room.

Lives here: which hours are idle, and the differences that they show. A leaking valve or a warm
plant room spoils them, so only hours count in which all four readings lie close together and rest.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.trends.hours import HourTable
from analytics.trends.model import SIZE, Array

IDLE_FOR_HOURS = 24  # without flow before an hour counts
CLOSE_K = 5.0  # all four within this, thermometers' disagreement included
REST_K_PER_H = 0.3
UNEVEN_PIPES_K = 0.35  # pipes of one room differ by so much at rest (judgement, not measured)
LEAST_HOURS = 12
BLOCK_GAP_DAYS = 45


@dataclass(frozen=True, slots=True, kw_only=True)
class IdleOffsets:
    """Hours at rest and each thermometer's reading minus the mean of the four there.

    Attributes
    ----------
    day : (h,) day of each idle hour, days since 1970
    difference_K : (h, 4) reading minus the mean of the four
    """

    day: NDArray[np.int64]
    difference_K: Array

    def median_K(self, before: int | None = None) -> Array | None:
        """Return the four median differences of the idle hours before a day; None: too few."""
        use = self.difference_K if before is None else self.difference_K[self.day < before]
        return np.median(use, axis=0) if len(use) >= LEAST_HOURS else None

    def blocks(self, after: int, evidence: NDArray[np.int64]) -> list[tuple[int, Array]]:
        """Return each stretch of rest from a day on: its last day and median differences.

        The next day with evidence ends a stretch, whatever comes later, and for
        :data:`BLOCK_GAP_DAYS` no further one counts: the same pipes would say the same again.

        Parameters
        ----------
        evidence : array of int
            Days with evidence, rising.
        """
        found: list[tuple[int, Array]] = []
        while (self.day >= after).any():
            first = self.day[self.day >= after][0]
            follows = evidence[evidence > first]
            if not len(follows):
                break
            inside = (self.day >= after) & (self.day < follows[0])
            after = int(follows[0])
            if inside.sum() >= LEAST_HOURS:
                last = int(self.day[inside][-1])
                found.append((last, np.median(self.difference_K[inside], axis=0)))
                after = last + BLOCK_GAP_DAYS
        return found

    def statements(self, before: int) -> list[tuple[Array, float, float]]:
        """Return what the idle hours before a day say of the errors, for the clean fit."""
        middle = self.median_K(before)
        if middle is None:
            return []
        return difference_statements(middle)


def difference_statements(middle_K: Array) -> list[tuple[Array, float, float]]:
    """Return (row, value, sd) for the three differences to the first: all that four readings can say."""
    found = []
    for i in range(1, 4):
        row = np.zeros(SIZE)
        row[i], row[0] = 1.0, -1.0
        found.append((row, float(middle_K[i] - middle_K[0]), UNEVEN_PIPES_K * np.sqrt(2)))
    return found


def idle_offsets(table: HourTable) -> IdleOffsets:
    """Find the idle hours of a table and their differences."""
    t = table.temperature
    with np.errstate(invalid="ignore"):
        flow = np.nan_to_num(table.flow, nan=0.0).max(axis=1)
        still = (flow <= 0) & ~(table.power_W > 0) & ~(table.pump > 0)
        spread = t.max(axis=1) - t.min(axis=1)
        close = (spread < CLOSE_K) & np.isfinite(spread)
        moved = np.zeros(len(t))
        moved[1:] = np.abs(np.diff(t, axis=0)).max(axis=1)
        rest = moved < REST_K_PER_H
    long_still = pd.Series(still & close).rolling(IDLE_FOR_HOURS).min().fillna(0.0).to_numpy() > 0
    idle = long_still & rest
    chosen = t[idle]
    mean = chosen.mean(axis=1, keepdims=True) if len(chosen) else np.empty((0, 1))
    return IdleOffsets(day=table.day[idle], difference_K=chosen - mean)
