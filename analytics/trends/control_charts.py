"""Control charts for a standardised daily figure: CUSUM and EWMA, and how long they run.

Lives here: the charts and their average run lengths. Not here: which figure is watched, and what an
alarm means (drift detection).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.signal import lfilter
from scipy.stats import norm

from analytics.vocabulary.errors import EvaluationError

Array = NDArray[np.float64]

NODES = 128  # of the quadrature; run lengths are then good to nine digits at usual limits


@dataclass(frozen=True, slots=True, kw_only=True)
class Cusum:
    """Both sides of a tabular CUSUM, shape (n,) each, in the units of the data.

    ``first_signal`` is the position of the first sample with either side above the limit, or ``None``.
    """

    high: Array
    low: Array
    first_signal: int | None


def tabular_cusum(values: ArrayLike, target: float, slack: float, limit: float) -> Cusum:
    """Two-sided tabular CUSUM.

        S_hi(i) = max(0, S_hi(i-1) + x_i - target - k),   S_lo(i) = max(0, S_lo(i-1) + target - k - x_i)

    Parameters
    ----------
    values : array_like, shape (n,)
        A NaN is no evidence: both sums stay as they were.
    target : float
        In the units of the data, like the next two.
    slack : float
        ``k``, usually half the shift to be found.
    limit : float
        ``h``.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3.
    """
    x = np.asarray(values, dtype=float)
    known = np.isfinite(x)
    step = np.where(known, x, target) - target
    high = _one_sided(np.where(known, step - slack, 0.0))
    low = _one_sided(np.where(known, -step - slack, 0.0))
    beyond = np.flatnonzero(np.maximum(high, low) > limit)
    return Cusum(high=high, low=low, first_signal=int(beyond[0]) if beyond.size else None)


def _one_sided(steps: Array) -> Array:
    # max(0, S + step) equals the running sum less its lowest value so far, start included.
    total = np.cumsum(steps)
    return np.asarray(total - np.minimum(np.minimum.accumulate(total), 0.0))


def ewma(values: ArrayLike, start: float, weight: float) -> Array:
    """Exponentially weighted moving average, ``E_i = w x_i + (1 - w) E_(i-1)`` from ``E_0 = start``.

    Parameters
    ----------
    values : array_like, shape (n,)
        A NaN leaves the average as it was.
    start : float
    weight : float
        0 < w <= 1.

    Returns
    -------
    ndarray, shape (n,)
        Without the start.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4.
    """
    _require(0 < weight <= 1, f"ewma: weight must lie above 0 and up to 1, got {weight!r}.")
    x = np.asarray(values, dtype=float)
    known = np.isfinite(x)
    averages, _ = lfilter([weight], [1.0, weight - 1.0], x[known], zi=[(1.0 - weight) * start])
    return np.asarray(np.concatenate(([start], averages))[np.cumsum(known)])


def ewma_limits(
    target: float, standard_deviation: float, weight: float, width: float = 3.0
) -> tuple[float, float]:
    """Lower and upper limit of an EWMA chart after long running, ``width`` standard deviations out."""
    half = width * standard_deviation * float(np.sqrt(weight / (2.0 - weight)))
    return target - half, target + half


def average_run_length_cusum(
    shift: ArrayLike, slack: float, limit: float, *, two_sided: bool = True
) -> Array:
    """Samples until a CUSUM signals, on average, from a standing start.

    Parameters
    ----------
    shift : array_like
        Shift of the mean in standard deviations of independent normal samples.
    slack, limit : float
        ``k`` and ``h`` in standard deviations, positive ``h``.
    two_sided : bool, optional

    Returns
    -------
    ndarray
        Of the shape of ``shift``. For both sides, ``1/L = 1/L_high + 1/L_low``.

    Notes
    -----
    With ``F`` and ``f`` the normal distribution and density, the mean run length from a sum ``z`` obeys

        L(z) = 1 + L(0) F(k - z - d) + integral from 0 to h of L(x) f(x + k - z - d) dx,

    solved at Gauss-Legendre nodes.

    References
    ----------
    .. [1] E. S. Page, Biometrika 41, 1954, 100-115 (the scheme).
    .. [2] A. L. Goel, S. M. Wu, Technometrics 13(2), 1971, 221-230 (the integral equation; from
       memory).
    """
    _require(limit > 0, f"CUSUM: limit must be positive, got {limit!r}.")
    shifts = np.asarray(shift, dtype=float)
    high = _run_length_one_sided(shifts.ravel(), slack, limit)
    if not two_sided:
        return high.reshape(shifts.shape)
    low = _run_length_one_sided(-shifts.ravel(), slack, limit)
    return (1.0 / (1.0 / high + 1.0 / low)).reshape(shifts.shape)


def _run_length_one_sided(shifts: Array, slack: float, limit: float) -> Array:
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    x, w = (nodes + 1) * limit / 2, weights * limit / 2
    start = np.concatenate(([0.0], x))  # the atom at zero, then the nodes
    drift = slack - shifts[:, None] - start
    kernel = np.empty((len(shifts), NODES + 1, NODES + 1))
    kernel[:, :, 0] = norm.cdf(drift)
    kernel[:, :, 1:] = norm.pdf(x + drift[:, :, None]) * w
    lengths = np.linalg.solve(np.eye(NODES + 1) - kernel, np.ones((len(shifts), NODES + 1, 1)))
    return np.asarray(lengths[:, 0, 0])


def average_run_length_ewma(shift: ArrayLike, weight: float, width: float) -> Array:
    """Samples until a two-sided EWMA chart with fixed limits signals, on average, from its target.

    Parameters
    ----------
    shift : array_like
        In standard deviations of independent normal samples.
    weight, width : float
        The chart's weight, and its limits in standard deviations of the average.

    References
    ----------
    .. [1] S. V. Crowder, Technometrics 29(4), 1987, 401-407 (the integral equation; from memory).
    """
    _require(0 < weight <= 1, f"EWMA: weight must lie above 0 and up to 1, got {weight!r}.")
    shifts = np.asarray(shift, dtype=float)
    half = width * np.sqrt(weight / (2.0 - weight))
    nodes, weights = np.polynomial.legendre.leggauss(NODES + 1)  # odd: one node is the target
    x, w = nodes * half, weights * half
    z = (x - (1.0 - weight) * x[:, None]) / weight - shifts.ravel()[:, None, None]
    kernel = norm.pdf(z) * w / weight
    ones = np.ones((shifts.size, NODES + 1, 1))
    lengths = np.linalg.solve(np.eye(NODES + 1) - kernel, ones)
    return np.asarray(lengths[:, NODES // 2, 0]).reshape(shifts.shape)


def _require(condition: bool, message: str) -> None:
    if not condition:
        raise EvaluationError(message)
