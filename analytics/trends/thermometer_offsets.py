"""The four thermometers' errors followed from season to season, from two kinds of evidence alone.

Lives here: a small filter over the four errors that begins with what the reference period showed
(how the differences change with the load) and is told what each stretch of idle hours says. It
leaves out the days in operation after the reference: there a slow change of the building's flow or of
the plates could pass for an error. The running account uses the same statements, with all else.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.trends.idle import LinearStatement, Stretch
from analytics.trends.model import Array
from analytics.trends.thermometer_steps import ThermometerStep

WIDEN_LOAD = 2.0  # errors from load dependence were surer than they deserved, in experiments
WALK_K = 0.006  # what an error may change by, per root day


@dataclass(frozen=True, slots=True, kw_only=True)
class ThermometerOffsets:
    """The errors as they were known from each of some days on.

    Attributes
    ----------
    day : (k,) days since 1970, rising; the first is the day after the reference period
    error_K : (k, 4) reading minus truth
    covariance_K2 : (k, 4, 4)
    """

    day: NDArray[np.int64]
    error_K: Array
    covariance_K2: Array

    def on(self, days: NDArray[np.int64]) -> Array:
        """Return the errors as known on each day, shape (n, 4); before the first day, its own."""
        row = np.searchsorted(self.day, days, side="right") - 1
        return np.asarray(self.error_K[np.maximum(row, 0)])

    def pair(self, contrast: Array, day: int) -> tuple[float, float]:
        """Return a combination of the errors and its standard uncertainty as of a day."""
        row = max(int(np.searchsorted(self.day, day, side="right")) - 1, 0)
        wander = WALK_K**2 * max(day - int(self.day[row]), 0)
        covariance = self.covariance_K2[row] + wander * np.eye(4)
        return float(contrast @ self.error_K[row]), float(np.sqrt(contrast @ covariance @ contrast))


def track_offsets(
    ready: int,
    error_K: Array,
    covariance_K2: Array,
    stretches: Sequence[Stretch],
    steps: Sequence[ThermometerStep],
) -> ThermometerOffsets:
    """Follow the errors from the reference period on.

    Parameters
    ----------
    ready : int
        First day after the reference period.
    error_K, covariance_K2 : (4,), (4, 4)
        As the reference period left them.
    stretches : sequence of Stretch
        Those after the reference period, each complete on its last day.
    steps : sequence of ThermometerStep
        Thermometers found changed; each widens its error before its stretch is heard.
    """
    x, P = error_K.copy(), WIDEN_LOAD**2 * covariance_K2
    days, errors, covariances = [ready], [x], [P]
    heard = ready
    for stretch in sorted(stretches, key=lambda s: s.last):
        P = P + np.eye(4) * WALK_K**2 * max(stretch.last - heard, 0)
        heard = stretch.last
        for step in steps:
            if step.known == stretch.last:
                P = P.copy()
                P[step.index, step.index] += step.size_K**2
        for said in stretch.statements():
            x, P = _told(x, P, said)
        days.append(heard + 1)
        errors.append(x)
        covariances.append(P)
    return ThermometerOffsets(
        day=np.array(days, dtype=np.int64), error_K=np.array(errors),
        covariance_K2=np.array(covariances),
    )  # fmt: skip


def _told(x: Array, P: Array, said: LinearStatement) -> tuple[Array, Array]:
    """Update by one linear statement (Kalman)."""
    row, value, sd = said[0][:4], said[1], said[2]
    Pr = P @ row
    gain = Pr / (row @ Pr + sd**2)
    return x + gain * (value - row @ x), P - np.outer(gain, Pr)
