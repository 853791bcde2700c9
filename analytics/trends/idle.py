"""Thermometers against each other in hours without heat: at a long standstill, and in circulation.

Lives here: which hours are idle, the differences that they show, and how surely those are the
thermometers' own. Two kinds of hours tell:

*standstill*: nothing flows for a day, and all pipes settle towards the room. Both pipes of a side may
then be compared, and the sides with each other. A leaking valve spoils the latter and can only warm
the primary: so all four must lie close together and rest, and the more the primary reads above the
secondary, the less the comparison across the sides is trusted.

*circulation*: the valve is shut, no heat flows, and the building's pump runs: both secondary
thermometers read the same water. Heat that still leaks in would show as a warm primary.
"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.trends.hours import T1_IN, T1_OUT, T2_IN, T2_OUT, HourTable
from analytics.trends.model import SIZE, Array

IDLE_FOR_HOURS = 24  # without flow before an hour counts
CLOSE_K = 5.0  # all four within this, thermometers' disagreement included
REST_K_PER_H = 0.3
UNEVEN_PIPES_K = 0.35  # pipes of one room differ by so much at rest (judgement, not measured)
SAME_WATER_K = 0.15  # two pockets in one circulating water (judgement: 0.08 K in simulated plants)
CIRCULATING_FOR_HOURS = 3
COOLING_K_PER_H = 1.0  # faster, and the water between the two thermometers is not the same
LEAST_HOURS = 12
BLOCK_GAP_DAYS = 45

# What four readings can say of four errors, as three independent comparisons.
PRIMARY_PAIR, SECONDARY_PAIR, ACROSS = range(3)
CONTRASTS = np.array([[1.0, -1.0, 0.0, 0.0], [0.0, 0.0, 1.0, -1.0], [0.5, 0.5, -0.5, -0.5]])
UNEVEN_CONTRASTS_K = UNEVEN_PIPES_K * np.sqrt((CONTRASTS**2).sum(axis=1))

LinearStatement = tuple[Array, float, float]  # row @ unknowns = value within sd


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Idle hours that belong together, such as a summer's.

    Attributes
    ----------
    first, last : days since 1970
    middle_K : (4,) median reading minus the mean of the four; in circulation the primary's are NaN
    sd_K : (3,) standard uncertainty of each of :data:`CONTRASTS`; infinite: says nothing of it
    wander_K : (3,) robust standard deviation of the contrasts from hour to hour
    """

    first: int
    last: int
    hours: int
    middle_K: Array
    sd_K: Array
    wander_K: Array

    def statements(self) -> list[LinearStatement]:
        """Return what the stretch says of the thermometers' errors."""
        found = []
        for contrast, sd in zip(CONTRASTS, self.sd_K, strict=True):
            if np.isfinite(sd):
                row = np.zeros(SIZE)
                row[:4] = contrast
                used = contrast != 0
                found.append((row, float(contrast[used] @ self.middle_K[used]), float(sd)))
        return found


def _none() -> NDArray[np.int64]:
    return np.empty(0, dtype=np.int64)


@dataclass(frozen=True, slots=True, kw_only=True)
class IdleOffsets:
    """Hours at rest and each thermometer's reading minus the mean of the four there.

    Attributes
    ----------
    day : (h,) day of each hour at standstill, days since 1970
    difference_K : (h, 4) reading minus the mean of the four
    circulating_day : (c,) day of each hour of circulation with the valve shut
    circulating_K : (c,) secondary supply minus secondary return there
    """

    day: NDArray[np.int64]
    difference_K: Array
    circulating_day: NDArray[np.int64] = field(default_factory=_none)
    circulating_K: Array = field(default_factory=lambda: np.empty(0))

    def median_K(self, before: int | None = None) -> Array | None:
        """Return the four median differences of the idle hours before a day; None: too few."""
        use = self.difference_K if before is None else self.difference_K[self.day < before]
        return np.median(use, axis=0) if len(use) >= LEAST_HOURS else None

    def stretches(self, *, circulating: bool = False) -> list[Stretch]:
        """Return the idle hours of the whole record, parted where none came for weeks."""
        day = self.circulating_day if circulating else self.day
        apart = np.flatnonzero(np.diff(day) > BLOCK_GAP_DAYS) + 1
        parts = np.split(np.arange(len(day)), apart)
        return [self._stretch(p, circulating) for p in parts if len(p) >= LEAST_HOURS]

    def blocks(
        self, after: int, evidence: NDArray[np.int64], *, circulating: bool = False
    ) -> list[Stretch]:
        """Return each stretch of rest from a day on, as it was known when work began again.

        The next day with evidence ends a stretch, whatever comes later, and for
        :data:`BLOCK_GAP_DAYS` no further one counts: the same pipes would say the same again.

        Parameters
        ----------
        evidence : array of int
            Days with evidence, rising.
        """
        day = self.circulating_day if circulating else self.day
        found: list[Stretch] = []
        while (day >= after).any():
            first = day[day >= after][0]
            follows = evidence[evidence > first]
            if not len(follows):
                break
            inside = np.flatnonzero((day >= after) & (day < follows[0]))
            after = int(follows[0])
            if len(inside) >= LEAST_HOURS:
                found.append(self._stretch(inside, circulating))
                after = found[-1].last + BLOCK_GAP_DAYS
        return found

    def statements(self, before: int) -> list[LinearStatement]:
        """Return what the idle hours before a day say of the errors, for the clean fit."""
        found: list[LinearStatement] = []
        for circulating, day in ((False, self.day), (True, self.circulating_day)):
            early = np.flatnonzero(day < before)
            if len(early) >= LEAST_HOURS:
                found += self._stretch(early, circulating).statements()
        return found

    def statements_after(
        self, ready: int, evidence: NDArray[np.int64]
    ) -> list[tuple[int, LinearStatement]]:
        """Return what each later stretch says, with its last day."""
        return [
            (stretch.last, said)
            for circulating in (False, True)
            for stretch in self.blocks(ready, evidence, circulating=circulating)
            for said in stretch.statements()
        ]

    def _stretch(self, rows: NDArray[np.int64], circulating: bool) -> Stretch:
        if circulating:
            pair = self.circulating_K[rows]
            middle = float(np.median(pair))
            wander = _robust_sd(pair[:, None])[0]
            return Stretch(
                first=int(self.circulating_day[rows[0]]), last=int(self.circulating_day[rows[-1]]),
                hours=len(rows), middle_K=np.array([np.nan, np.nan, middle / 2, -middle / 2]),
                sd_K=np.array([np.inf, np.hypot(SAME_WATER_K, wander), np.inf]),
                wander_K=np.array([np.nan, wander, np.nan]),
            )  # fmt: skip
        seen = self.difference_K[rows]
        middles = np.median(seen, axis=0)
        wanders = _robust_sd(seen @ CONTRASTS.T)
        # A wide scatter is a room, a leak or an instrument that does not rest: it counts in full.
        sd = np.hypot(UNEVEN_CONTRASTS_K, wanders)
        sd[ACROSS] = np.hypot(sd[ACROSS], max(float(CONTRASTS[ACROSS] @ middles), 0.0))
        return Stretch(
            first=int(self.day[rows[0]]), last=int(self.day[rows[-1]]), hours=len(rows),
            middle_K=middles, sd_K=sd, wander_K=wanders,
        )  # fmt: skip


def _robust_sd(values: Array) -> Array:
    return np.asarray(1.4826 * np.median(np.abs(values - np.median(values, axis=0)), axis=0))


def idle_offsets(table: HourTable) -> IdleOffsets:
    """Find the idle hours of a table and their differences."""
    t = table.temperature
    with np.errstate(invalid="ignore"):
        no_heat = ~(np.nan_to_num(table.flow[:, 0]) > 0) & ~(table.power_W > 0)
        spread = t.max(axis=1) - t.min(axis=1)
        # four readings that agree to the last digit are no readings but one word for "none"
        close = (spread < CLOSE_K) & (spread > 0)
        moved = np.zeros_like(t)
        moved[1:] = np.abs(np.diff(t, axis=0))
        still = no_heat & ~(table.flow[:, 1] > 0) & ~(table.pump > 0) & close
        rest = moved.max(axis=1) < REST_K_PER_H
        turns = np.where(np.isfinite(table.flow[:, 1]), table.flow[:, 1] > 0, table.pump > 0.99)
        shut = (table.flow[:, 0] <= 0) | (table.power_W <= 0)  # known to be, not merely unknown
        slow = moved[:, [T2_OUT, T2_IN]].max(axis=1) < COOLING_K_PER_H
        lukewarm = t[:, [T1_IN, T1_OUT]].max(axis=1) < t[:, [T2_OUT, T2_IN]].mean(axis=1) + CLOSE_K
    idle = _lasting(still, IDLE_FOR_HOURS) & rest
    circulates = _lasting(no_heat & shut & turns & slow & lukewarm, CIRCULATING_FOR_HOURS)
    chosen = t[idle]
    mean = chosen.mean(axis=1, keepdims=True) if len(chosen) else np.empty((0, 1))
    return IdleOffsets(
        day=table.day[idle], difference_K=chosen - mean,
        circulating_day=table.day[circulates],
        circulating_K=t[circulates, T2_OUT] - t[circulates, T2_IN],
    )  # fmt: skip


def _lasting(true: NDArray[np.bool_], hours: int) -> NDArray[np.bool_]:
    """Tell which hours close a run of so many."""
    return np.asarray(pd.Series(true).rolling(hours).min().fillna(0.0).to_numpy() > 0)
