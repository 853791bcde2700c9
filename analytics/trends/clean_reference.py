"""What this very exchanger does when clean: the unknowns at the end of the reference period.

Lives here: the choice of the reference period, and the fit by maximum a posteriori. Priors
(``priors``) keep a short or narrow period usable, and the posterior says how usable.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from analytics.trends.day_effects import STUDENT, day_effect_sd, day_sums
from analytics.trends.model import Array, Model, ModelHours, inverse_covariance

ROUNDS = 8
# Inside a day neighbouring hours share more than the day effects take up: on a real substation the shape
# of each day would otherwise decide the film law (bends six standard deviations off).
HOURS_ALIKE = 3.0
REFERENCE_DAYS = 35  # days with evidence that make up the first weeks
EVIDENCE_DAY_HOURS = 3  # hours that make a day one with evidence
LEAST_REFERENCE_HOURS = 24


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferencePeriod:
    """Days, since 1970, from ``first`` to ``last`` inclusive; ready on the day after."""

    first: int
    last: int
    basis: Literal["known clean period", "first weeks"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CleanFit:
    """The fitted unknowns, and what was known before the first hour.

    Attributes
    ----------
    point : (SIZE,) where everything later is linearised
    prior_matrix, prior_vector : (SIZE, SIZE), (SIZE,)
        Information of priors, nameplate and idle hours, in deviations from ``point``.
    """

    model: Model
    point: Array
    prior_matrix: Array
    prior_vector: Array
    hours: int


def reference_period(
    day: NDArray[np.int64], usable: NDArray[np.bool_], registered: tuple[int, int] | None
) -> ReferencePeriod | None:
    """Choose the reference period from hours that carry evidence; None: too few as yet.

    At the most the first 45 days with evidence of a registered clean period, else the first 35 of
    the record: more would let a slow deposit hide in the yardstick. A day with fewer hours than a day
    needs counts for its part, so that a hot-water exchanger of few steady hours has its turn too.
    """
    days, parts = evidence_days(day, usable)
    good = days[parts >= 1.0]
    if registered is not None:
        inside = good[(good >= registered[0]) & (good < registered[1])]
        enough = usable & (day >= registered[0]) & (day < registered[1])
        if len(inside) and enough.sum() >= LEAST_REFERENCE_HOURS:
            # a period that still runs is not closed: wait for its end or for enough days
            closed = len(inside) >= 45 or day[-1] >= registered[1] - 1
            if not closed:
                return None
            return ReferencePeriod(
                first=int(inside[0]), last=int(inside[:45][-1]), basis="known clean period"
            )
    row = int(np.searchsorted(np.cumsum(parts), REFERENCE_DAYS - 1e-9))
    if row >= len(days):
        return None
    return ReferencePeriod(first=int(days[0]), last=int(days[row]), basis="first weeks")


def evidence_days(
    day: NDArray[np.int64], usable: NDArray[np.bool_]
) -> tuple[NDArray[np.int64], Array]:
    """Return the days with hours that carry evidence, and for how much of a day each counts."""
    days, counts = np.unique(day[usable], return_counts=True)
    return days, np.minimum(counts / EVIDENCE_DAY_HOURS, 1.0)


def fit_clean(
    model: Model,
    hours: ModelHours,
    day: NDArray[np.int64],
    extra: Sequence[tuple[Array, float, float]] = (),
    *,
    assumed_secondary: bool = False,
) -> CleanFit:
    """Fit the unknowns by maximum a posteriori (Gauss-Newton, Student weights).

    The hours of a day share an error of each instrument that is integrated out, as in the daily
    account: without it a few thousand correlated hours outweigh every prior, and hundredths of a
    kelvin at a pinched end decide the clean level.

    Parameters
    ----------
    hours, day : the evidence of the reference period and the day of each hour, rising
    extra : sequence of (row, value, sd)
        Further linear statements ``row @ p = value +- sd``, such as idle-hour differences.
    """
    p = model.prior_mean.copy()
    good = np.isfinite(hours.temperature).all(axis=1)
    effects = day_effect_sd(assumed_secondary)
    for _ in range(ROUNDS):
        e, J = model.residuals(p, hours), model.jacobian(p, hours)
        finite = good & np.isfinite(e).all(axis=1) & np.isfinite(J).all(axis=(1, 2))
        e, J = e[finite], J[finite]
        W = inverse_covariance(J, hours.noise[finite], hours.both[finite])
        q = np.einsum("ni,nij,nj->n", e, W, e)
        w = (STUDENT + 2) / (STUDENT + q) / HOURS_ALIKE
        _, L, E = day_sums(e, J, W, w, day[finite], effects)
        A0, b0 = _known_before(model, p, extra)
        step = np.linalg.solve(A0 + L.sum(axis=0), b0 + E.sum(axis=0))
        # a long step leaves the region where the linear picture holds
        p = p + step * min(1.0, 3.0 / max(np.max(np.abs(step) / model.prior_sd), 1e-12))
        if np.max(np.abs(step) / model.prior_sd) < 1e-4:
            break
    A0, b0 = _known_before(model, p, extra)
    return CleanFit(model=model, point=p, prior_matrix=A0, prior_vector=b0, hours=len(hours))


def _known_before(
    model: Model, p: Array, extra: Sequence[tuple[Array, float, float]]
) -> tuple[Array, Array]:
    """Information of all that is not an hour's reading, in deviations from ``p``."""
    A = np.diag(model.prior_sd**-2.0)
    b = (model.prior_mean - p) / model.prior_sd**2
    statements: list[tuple[Array, float, float]] = [
        (row, float(value - row @ p), sd) for row, value, sd in extra
    ]
    if model.nameplate is not None:
        ln_UA, gradient = model.at_nameplate(p)
        statements.append((gradient, model.nameplate.ln_UA - ln_UA, model.nameplate.sd))
    for row, value, sd in statements:
        A = A + np.outer(row, row) / sd**2
        b = b + row * value / sd**2
    return A, b
