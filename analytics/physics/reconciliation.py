"""Constrained least squares: the smallest corrections that make measured values obey balances.

Lives here: the general linear case and its tests. Not here: the plain two-sided duty (balance.py).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import chi2, norm

from analytics.vocabulary.errors import EvaluationError

Array = NDArray[np.float64]

CONFIDENCE = 0.95  # of both tests, as VDI 2048 has it


@dataclass(frozen=True, slots=True, kw_only=True)
class Reconciled:
    """Values that obey the balances, and whether the corrections can be believed.

    Attributes
    ----------
    values : ndarray, shape (..., n)
    covariance : ndarray, shape (n, n)
        Of ``values``.
    corrections : ndarray, shape (..., n)
        ``values`` minus what was measured.
    residuals : ndarray, shape (..., m)
        Of the balances before correction.
    standardised_corrections : ndarray, shape (..., n)
        Size of each correction over its standard deviation; above ``standardised_limit`` it names a
        suspect. Zero where the balances do not touch the value.
    standardised_limit : float
    chi_square : ndarray, shape (...)
        Sum of squares of all corrections in units of their covariance.
    chi_square_limit : float
    degrees_of_freedom : int
    rejected : ndarray of bool, shape (...)
        The global test: ``chi_square`` above its limit, so the stated uncertainties, or one of the
        values, cannot be right.
    """

    values: Array
    covariance: Array
    corrections: Array
    residuals: Array
    standardised_corrections: Array
    standardised_limit: float
    chi_square: Array
    chi_square_limit: float
    degrees_of_freedom: int
    rejected: NDArray[np.bool_]


def covariance_from(
    standard_uncertainties: ArrayLike, correlation: ArrayLike | None = None
) -> Array:
    """Return the covariance matrix of ``n`` values, shape (n, n); uncorrelated by default."""
    u = np.asarray(standard_uncertainties, dtype=float)
    r = np.eye(len(u)) if correlation is None else np.asarray(correlation, dtype=float)
    return np.asarray(u[:, None] * r * u[None, :])


def reconcile(
    measured: ArrayLike, covariance: ArrayLike, balances: ArrayLike, constants: ArrayLike = 0.0
) -> Reconciled:
    """Correct measured values as little as possible so that ``balances @ x = constants``.

        v = -S A' (A S A')^-1 (A x - b),   S_v = S A' (A S A')^-1 A S,   chi2 = (A x - b)' (A S A')^-1 (A x - b)

    Parameters
    ----------
    measured : array_like, shape (..., n)
        Leading axes are samples; a NaN makes that sample's results NaN.
    covariance : array_like, shape (n, n)
        Of the measured values, the same for all samples.
    balances : array_like, shape (m, n)
        One row per balance, linearly independent.
    constants : array_like, shape (m,), optional
        Right-hand sides.

    Raises
    ------
    EvaluationError
        If the shapes do not fit, or the balances depend on each other or on exact values only.

    References
    ----------
    .. [1] VDI 2048 Part 1, Control and quality improvement of process data by means of correction
       calculation for operation and acceptance tests (method; from memory).
    .. [2] S. Narasimhan, C. Jordache, Data Reconciliation and Gross Error Detection, Gulf, 1999.
    """
    x = np.asarray(measured, dtype=float)
    A, S = np.atleast_2d(np.asarray(balances, dtype=float)), np.asarray(covariance, dtype=float)
    m, n = A.shape
    if x.shape[-1:] != (n,) or S.shape != (n, n):
        raise EvaluationError(
            f"reconciliation: {n} values per balance, but measured {x.shape} and covariance "
            f"{S.shape}. Give one column per value."
        )
    spread = A @ S @ A.T
    if np.linalg.matrix_rank(spread) < m:
        raise EvaluationError(
            f"reconciliation: {m} balances of rank {np.linalg.matrix_rank(spread)}. "
            "Leave out those that follow from the others."
        )
    gain = np.linalg.solve(spread, A @ S).T  # S is symmetric
    residuals = x @ A.T - np.broadcast_to(np.asarray(constants, dtype=float), (m,))
    corrections = -residuals @ gain.T
    covariance_of_corrections = gain @ A @ S
    chi_square = np.einsum("...i,ij,...j->...", residuals, np.linalg.inv(spread), residuals)
    limit = float(chi2.ppf(CONFIDENCE, m))
    return Reconciled(
        values=x + corrections,
        covariance=S - covariance_of_corrections,
        corrections=corrections,
        residuals=residuals,
        standardised_corrections=_standardised(corrections, covariance_of_corrections, S),
        standardised_limit=float(norm.ppf((1 + CONFIDENCE) / 2)),
        chi_square=chi_square,
        chi_square_limit=limit,
        degrees_of_freedom=m,
        rejected=np.asarray(chi_square > limit),
    )


def _standardised(corrections: Array, covariance: Array, measured_covariance: Array) -> Array:
    variance = np.diag(covariance)
    # A value that no balance touches has a correction of zero give or take rounding.
    touched = variance > 1e-12 * np.diag(measured_covariance)
    return np.where(touched, np.abs(corrections) / np.sqrt(np.where(touched, variance, 1.0)), 0.0)
