"""One information matrix a day: what a day's hours say of the unknowns, and nothing else is kept.

Lives here: the day's matrix and vector at the fixed point of linearisation, day effects integrated
out, events that renew an unknown, and the weight of wild days. Conclusions are drawn from these
in ``drift`` and ``tracking``.
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.trends.clean_reference import CleanFit
from analytics.trends.day_effects import STUDENT, day_effect_sd, day_sums
from analytics.trends.model import DEPOSIT, SIZE, Array, ModelHours, inverse_covariance

RELINEARISE = 0.03  # times U0: a deposit whose effect is no longer linear about clean plates
JUMPED = 4.0  # standard deviations above what the days before let expect
SLOPE_START, SLOPE_STEP = 1e-3, 3e-4  # of its slope: per day, per day and root day
LEVEL_STEP = 0.004  # of the deposit per root day, for telling wild days
SCALE_DAYS = 60  # the recent days that say how restless this plant is
SCALE_LEAST_DAYS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Renewal:
    """From ``day`` on the unknown ``index`` holds a new, unknown value added to the old one."""

    day: int
    index: int
    sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Statement:
    """From ``day`` on it is known besides that ``row @ unknowns = value`` within ``sd``."""

    day: int
    row: Array  # (SIZE,)
    value: float
    sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DailyInformation:
    """Information of each day with evidence, in deviations from the point of linearisation.

    Attributes
    ----------
    day : (d,) days since 1970, rising
    matrix : (d, s, s), s = SIZE + number of renewals
    vector : (d, s)
    hours : (d,) hours with evidence
    prior_matrix, prior_vector : before the first day
    deposit, deposit_se : (d,) the day's own deposit with all else at the reference
    renewals : when and which unknowns were renewed
    scale : (d,) variance of the recent days' innovations over what the model expects, at least 1
    """

    day: NDArray[np.int64]
    matrix: Array
    vector: Array
    hours: NDArray[np.int64]
    prior_matrix: Array
    prior_vector: Array
    deposit: Array
    deposit_se: Array
    scale: Array
    renewals: tuple[Renewal, ...]

    def total_row(self, index: int, day: int) -> Array:
        """Return the row that sums an unknown and its renewals up to a day, shape (s,)."""
        row = np.zeros(self.size)
        row[index] = 1.0
        for i, renewal in enumerate(self.renewals):
            if renewal.index == index and renewal.day <= day:
                row[SIZE + i] = 1.0
        return row

    @property
    def size(self) -> int:
        """Number of unknowns, renewals included."""
        return int(self.matrix.shape[1])


def with_statements(
    info: DailyInformation, point: Array, statements: tuple[Statement, ...]
) -> DailyInformation:
    """Add what is known beside the hours, each on the first day with evidence that follows it."""
    matrix, vector = info.matrix.copy(), info.vector.copy()
    for said in statements:
        at = int(np.searchsorted(info.day, said.day, side="right"))
        if at == len(info.day):
            continue
        row = sum(
            (c * info.total_row(i, int(info.day[at])) for i, c in enumerate(said.row) if c),
            np.zeros(info.size),
        )
        matrix[at] += np.outer(row, row) / said.sd**2
        vector[at] += row * (said.value - said.row @ point) / said.sd**2
    return replace(info, matrix=matrix, vector=vector)


def daily_information(
    fit: CleanFit,
    hours: ModelHours,
    day: NDArray[np.int64],
    renewals: tuple[Renewal, ...],
    *,
    ready: int,
    assumed_secondary: bool,
) -> DailyInformation:
    """Boil hours down to days.

    Parameters
    ----------
    hours, day : the hours with evidence and the day of each, rising; at least one
    ready : first day after the reference period
    """
    days, counts, L, E = _sums_about(fit, hours, day, np.zeros(len(hours)), assumed_secondary)
    z, level = _levels(days, L, E, renewals)
    later = days >= ready
    _linearise_again(fit, hours, day, days, L, E, np.where(later, level, 0.0), assumed_secondary)
    # a deposit that came at one stroke is ahead of the level for days: those go by their own
    jumped = later & (z > JUMPED)
    for _ in range(2 if jumped.any() else 0):
        own = np.where(jumped, _own_deposit(L, E)[0], 0.0)
        _linearise_again(fit, hours, day, days, L, E, own, assumed_secondary)
    z, _ = _levels(days, L, E, renewals)
    return _weigh_days(days, z, *_with_renewals(fit, L, E, days, renewals), counts, renewals)


def _linearise_again(
    fit: CleanFit, hours: ModelHours, day: NDArray[np.int64], days: NDArray[np.int64], L: Array,
    E: Array, level: Array, assumed_secondary: bool,
) -> None:  # fmt: skip
    """Replace, in ``L`` and ``E``, the days on which ``level`` (d,) is more than a few percent."""
    again = np.isin(day, days[level > RELINEARISE])
    if not again.any():
        return
    at = level[np.searchsorted(days, day[again])]
    part = _sums_about(fit, hours.subset(again), day[again], at, assumed_secondary)
    rows = np.searchsorted(days, part[0])
    L[rows], E[rows] = part[2], part[3]


def _sums_about(
    fit: CleanFit,
    hours: ModelHours,
    day: NDArray[np.int64],
    deposit: Array,
    assumed_secondary: bool,
) -> tuple[NDArray[np.int64], NDArray[np.int64], Array, Array]:
    """Return days, hours in each, matrices and vectors, linearised at a deposit per hour (n,).

    The vectors still count deviations from the fit's point: ``e(x) = e + J (x - deposit)``.
    """
    e = fit.model.residuals(fit.point, hours, deposit)
    J = fit.model.jacobian(fit.point, hours, deposit)
    finite = np.isfinite(e).all(axis=1) & np.isfinite(J).all(axis=(1, 2))
    e, J, day = e[finite], J[finite], day[finite]
    e = e - J[:, :, DEPOSIT] * deposit[finite, None]
    W = inverse_covariance(J, hours.noise[finite], hours.both[finite])
    w = _hour_weights(e, W, day)
    days, L, E = day_sums(e, J, W, w, day, day_effect_sd(assumed_secondary))
    return days, np.unique(day, return_counts=True)[1], L, E


def _own_deposit(L: Array, E: Array) -> tuple[Array, Array]:
    """Return each day's own deposit, all else at the reference, and its standard error."""
    information = np.maximum(L[:, DEPOSIT, DEPOSIT], 1e-12)
    return E[:, DEPOSIT] / information, information**-0.5


def _hour_weights(e: Array, W: Array, day: NDArray[np.int64]) -> Array:
    """Student weights of the residual minus its day's median: else the weights hide a fault."""
    middle = pd.DataFrame(e).groupby(day).transform("median").to_numpy()
    r = e - middle
    q = np.einsum("ni,nij,nj->n", r, W, r)
    return np.asarray((STUDENT + 2) / (STUDENT + q))


def _with_renewals(
    fit: CleanFit, L: Array, E: Array, days: NDArray[np.int64], renewals: tuple[Renewal, ...]
) -> tuple[Array, Array, Array, Array]:
    """Add an unknown per renewal, alive from its day on."""
    size = SIZE + len(renewals)
    turn = np.zeros((len(days), SIZE, size))
    turn[:, np.arange(SIZE), np.arange(SIZE)] = 1.0
    for i, renewal in enumerate(renewals):
        turn[days >= renewal.day, renewal.index, SIZE + i] = 1.0
    A0, b0 = np.zeros((size, size)), np.zeros(size)
    A0[:SIZE, :SIZE], b0[:SIZE] = fit.prior_matrix, fit.prior_vector
    later = np.arange(SIZE, size)
    A0[later, later] = [r.sd**-2.0 for r in renewals]
    back = np.swapaxes(turn, 1, 2)
    return back @ L @ turn, np.einsum("dij,dj->di", back, E), A0, b0


def _weigh_days(
    days: NDArray[np.int64],
    z: Array,
    L: Array,
    E: Array,
    A0: Array,
    b0: Array,
    hours: NDArray[np.int64],
    renewals: tuple[Renewal, ...],
) -> DailyInformation:
    """Take weight from wild days, and learn how restless the plant is, both causally."""
    deposit, se = _own_deposit(L, E)
    weight = np.minimum(1.0, 7.0 / (6.0 + z**2))
    spread = pd.Series(np.abs(z)).rolling(SCALE_DAYS, min_periods=SCALE_LEAST_DAYS).median()
    scale = np.maximum((spread.fillna(0.6745).to_numpy() / 0.6745) ** 2, 1.0)
    return DailyInformation(
        day=days, matrix=L * weight[:, None, None], vector=E * weight[:, None], hours=hours,
        prior_matrix=A0, prior_vector=b0, deposit=deposit, deposit_se=se, scale=scale, renewals=renewals,
    )  # fmt: skip


def _levels(
    days: NDArray[np.int64], L: Array, E: Array, renewals: tuple[Renewal, ...]
) -> tuple[Array, Array]:
    """Standardised distance of each day's deposit from what the earlier days let expect, and that.

    Expected is a level that walks at random and has a slope: without one, a deposit that grows fast
    would look like a restless plant, and the evidence of its growth be discounted. A new instrument's
    error is learnt beside it, or it would pass for a deposit, be linearised as one, and bend the days.

    Parameters
    ----------
    L, E : (d, 22, 22), (d, 22) the days' information about the unknowns without their renewals
    """
    new = [r for r in renewals if r.index != DEPOSIT]
    visits = [r.day for r in renewals if r.index == DEPOSIT]
    z, expected = np.zeros(len(days)), np.zeros(len(days))
    deposit, se = _own_deposit(L[:1], E[:1])
    x = np.zeros(2 + len(new))
    x[0] = deposit[0]
    P = np.diag([se[0] ** 2 + 1.0, SLOPE_START**2, *(r.sd**2 for r in new)])
    F, seen = np.eye(len(x)), np.zeros((SIZE, len(x)))
    seen[DEPOSIT, 0] = 1.0
    for i in range(len(days)):
        if i:
            gap = float(days[i] - days[i - 1])
            F[0, 1] = gap
            x, P = F @ x, F @ P @ F.T
            P[0, 0] += LEVEL_STEP**2 * gap
            P[1, 1] += SLOPE_STEP**2 * gap
            if any(days[i - 1] < visit <= days[i] for visit in visits):
                x[1], P[:2, :2] = 0.0, np.diag([P[0, 0] + 1.0, SLOPE_START**2])
                P[:2, 2:] = P[2:, :2] = 0.0
        for j, renewal in enumerate(new):
            seen[renewal.index, 2 + j] = float(days[i] >= renewal.day)
        M, v = seen.T @ L[i] @ seen, seen.T @ E[i]
        own = max(float(M[0, 0]), 1e-12)
        c = M[0] / own
        c[0] = 1.0
        z[i] = (v[0] / own - c @ x) / np.sqrt(c @ P @ c + 1.0 / own)
        expected[i] = x[0]
        P = np.linalg.solve(np.eye(len(x)) + P @ M, P)
        P = (P + P.T) / 2
        x = x + P @ (v - M @ x)
    return z, expected
