"""One information matrix a day: what a day's hours say of the unknowns, and nothing else is kept.

Lives here: the day's matrix and vector at the fixed point of linearisation, day effects integrated
out, events that renew an unknown, and the weight of wild days. Conclusions are drawn from these
in ``drift`` and ``tracking``.
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.trends.clean_reference import STUDENT, CleanFit
from analytics.trends.model import DEPOSIT, SIZE, Array, ModelHours, inverse_covariance

# Independent error that stays constant over a day: thermometers K, meters, and U itself.
DAY_EFFECT_TEMPERATURE_K = 0.05
DAY_EFFECT_METER = 0.005
DAY_EFFECT_U = 0.003
DAY_EFFECT_ASSUMED_FLOW = 0.05
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


def day_effect_sd(assumed_secondary: bool) -> tuple[NDArray[np.int64], Array]:
    """Return the unknowns that carry a day effect and its standard deviations."""
    index = np.array([0, 1, 2, 3, 4, 5, DEPOSIT])
    flow_2 = DAY_EFFECT_ASSUMED_FLOW if assumed_secondary else DAY_EFFECT_METER
    sd = np.array([*[DAY_EFFECT_TEMPERATURE_K] * 4, DAY_EFFECT_METER, flow_2, DAY_EFFECT_U])
    return index, sd


def daily_information(
    fit: CleanFit,
    hours: ModelHours,
    day: NDArray[np.int64],
    renewals: tuple[Renewal, ...],
    *,
    assumed_secondary: bool,
) -> DailyInformation:
    """Boil hours down to days.

    Parameters
    ----------
    hours, day : the hours with evidence and the day of each, rising; at least one
    """
    e, J = fit.model.residuals(fit.point, hours), fit.model.jacobian(fit.point, hours)
    finite = np.isfinite(e).all(axis=1) & np.isfinite(J).all(axis=(1, 2))
    e, J, day = e[finite], J[finite], day[finite]
    W = inverse_covariance(J, hours.noise[finite], hours.both[finite])
    w = _hour_weights(e, W, day)
    WJ = np.einsum("n,nij,njk->nik", w, W, J)
    days, first, counts = np.unique(day, return_index=True, return_counts=True)
    L = np.add.reduceat(np.einsum("nij,nik->njk", J, WJ), first)
    E = np.add.reduceat(-np.einsum("nik,ni->nk", WJ, e), first)
    L, E = _integrate_day_effects(L, E, *day_effect_sd(assumed_secondary))
    L, E, A0, b0 = _with_renewals(fit, L, E, days, renewals)
    return _weigh_days(days, L, E, counts, A0, b0, renewals)


def _hour_weights(e: Array, W: Array, day: NDArray[np.int64]) -> Array:
    """Student weights of the residual minus its day's median: else the weights hide a fault."""
    middle = pd.DataFrame(e).groupby(day).transform("median").to_numpy()
    r = e - middle
    q = np.einsum("ni,nij,nj->n", r, W, r)
    return np.asarray((STUDENT + 2) / (STUDENT + q))


def _integrate_day_effects(
    L: Array, E: Array, index: NDArray[np.int64], sd: Array
) -> tuple[Array, Array]:
    """Integrate the day effects out: ``B = L_K (L_KK + Q^-1)^-1; L - B L_K'; E - B E_K``."""
    LK = L[:, :, index]
    middle = LK[:, index, :] + np.diag(sd**-2.0)
    B = np.swapaxes(np.linalg.solve(middle, np.swapaxes(LK, 1, 2)), 1, 2)
    L_day = L - B @ np.swapaxes(LK, 1, 2)
    return (L_day + np.swapaxes(L_day, 1, 2)) / 2, E - np.einsum("dij,dj->di", B, E[:, index])


def _with_renewals(
    fit: CleanFit, L: Array, E: Array, days: NDArray[np.int64], renewals: tuple[Renewal, ...]
) -> tuple[Array, Array, Array, Array]:
    """Add an unknown per renewal, alive from its day on."""
    size = SIZE + len(renewals)
    turn = np.zeros((len(days), SIZE, size))
    turn[:, np.arange(SIZE), np.arange(SIZE)] = 1.0
    sd = np.concatenate([fit.model.prior_sd, [r.sd for r in renewals]])
    for i, renewal in enumerate(renewals):
        turn[days >= renewal.day, renewal.index, SIZE + i] = 1.0
    A0 = np.diag(sd**-2.0)
    b0 = np.zeros(size)
    b0[:SIZE] = (fit.model.prior_mean - fit.point) / fit.model.prior_sd**2
    back = np.swapaxes(turn, 1, 2)
    return back @ L @ turn, np.einsum("dij,dj->di", back, E), A0, b0


def _weigh_days(
    days: NDArray[np.int64],
    L: Array,
    E: Array,
    hours: NDArray[np.int64],
    A0: Array,
    b0: Array,
    renewals: tuple[Renewal, ...],
) -> DailyInformation:
    """Take weight from wild days, and learn how restless the plant is, both causally."""
    information = np.maximum(L[:, DEPOSIT, DEPOSIT], 1e-12)
    deposit, se = E[:, DEPOSIT] / information, information**-0.5
    z = _level_innovations(days, deposit, se, {r.day for r in renewals})
    weight = np.minimum(1.0, 7.0 / (6.0 + z**2))
    spread = pd.Series(np.abs(z)).rolling(SCALE_DAYS, min_periods=SCALE_LEAST_DAYS).median()
    scale = np.maximum((spread.fillna(0.6745).to_numpy() / 0.6745) ** 2, 1.0)
    return DailyInformation(
        day=days, matrix=L * weight[:, None, None], vector=E * weight[:, None], hours=hours,
        prior_matrix=A0, prior_vector=b0, deposit=deposit, deposit_se=se, scale=scale, renewals=renewals,
    )  # fmt: skip


def _level_innovations(
    days: NDArray[np.int64], deposit: Array, se: Array, restart: set[int]
) -> Array:
    """Standardised distance of each day's deposit from a level that walks at random."""
    z = np.zeros(len(days))
    level, variance = deposit[0], se[0] ** 2 + 1.0
    for i in range(len(days)):
        if i:
            variance += LEVEL_STEP**2 * (days[i] - days[i - 1])
            if any(days[i - 1] < r <= days[i] for r in restart):
                variance += 1.0
        total = variance + se[i] ** 2
        z[i] = (deposit[i] - level) / np.sqrt(total)
        gain = variance / total
        level, variance = level + gain * (deposit[i] - level), variance * (1 - gain)
    return z
