"""Mean and terminal temperature differences of a two-stream exchanger.

Lives here: LMTD, its correction for the pass arrangement, approach temperatures. Not here: duty
(balance.py), fluid properties (fluids.py).
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analytics.physics.effectiveness import (
    COUNTERFLOW,
    ntu_counterflow,
    number_of_transfer_units,
)

Array = NDArray[np.float64]


def log_mean(first_K: ArrayLike, second_K: ArrayLike) -> Array:
    """Log mean of two end differences; NaN unless both are positive. [K]

    Balanced flow makes both ends nearly equal, the normal state of a plate exchanger. The textbook
    form ``(a - b)/ln(a/b)`` then divides two differences of nearly equal numbers; log1p keeps the
    digits, and the limit at equal ends is the end difference itself.
    """
    a, b = np.broadcast_arrays(np.asarray(first_K, dtype=float), np.asarray(second_K, dtype=float))
    good = (a > 0) & (b > 0) & np.isfinite(a) & np.isfinite(b)
    # The smaller one below: the ratio then stays finite, and x lies above zero.
    small = np.where(good, np.minimum(a, b), np.nan)
    with np.errstate(over="ignore", invalid="ignore"):
        x = (np.maximum(a, b) - small) / small
        level = x == 0
        return np.where(level, small, small * x / np.log1p(np.where(level, 1.0, x)))


def log_mean_temperature_difference(
    hot_inlet_degC: ArrayLike,
    hot_outlet_degC: ArrayLike,
    cold_inlet_degC: ArrayLike,
    cold_outlet_degC: ArrayLike,
    arrangement: str = COUNTERFLOW,
) -> Array:
    """Log mean temperature difference (LMTD), corrected for the pass arrangement.

    Parameters
    ----------
    hot_inlet_degC, hot_outlet_degC, cold_inlet_degC, cold_outlet_degC : array_like, shape (n,)
        Terminal temperatures; scalars broadcast. [degC]
    arrangement : str, optional
        As in :mod:`analytics.physics.effectiveness`, passes of the hot stream first.

    Returns
    -------
    lmtd_K : ndarray, shape (n,)
        Positive. NaN where an input is NaN, the temperatures cross, or the arrangement cannot reach
        them: that is a bad sample, and the caller counts it; it is no reason to stop. [K]

    Raises
    ------
    ValueError
        If the shapes do not broadcast.
    EvaluationError
        If the arrangement is not known.

    References
    ----------
    .. [1] T. L. Bergman et al., Introduction to Heat Transfer, 6th ed., Wiley, 2011, ch. 11.
    """
    lmtd_K = log_mean(
        approach_hot_end(hot_inlet_degC, cold_outlet_degC),
        approach_cold_end(hot_outlet_degC, cold_inlet_degC),
    )
    if arrangement == COUNTERFLOW:
        return lmtd_K
    factor = correction_factor(
        hot_inlet_degC, hot_outlet_degC, cold_inlet_degC, cold_outlet_degC, arrangement
    )
    return lmtd_K * factor


def correction_factor(
    hot_inlet_degC: ArrayLike,
    hot_outlet_degC: ArrayLike,
    cold_inlet_degC: ArrayLike,
    cold_outlet_degC: ArrayLike,
    arrangement: str,
) -> Array:
    """Corrected over counterflow LMTD, the surface that counterflow would need over what this needs.

    Parameters
    ----------
    hot_inlet_degC, hot_outlet_degC, cold_inlet_degC, cold_outlet_degC : array_like
        [degC]
    arrangement : str
        Passes of the hot stream first.

    Returns
    -------
    ndarray
        0 to 1, and 1 in counterflow. NaN where the arrangement cannot reach these temperatures.

    References
    ----------
    .. [1] R. A. Bowman, A. C. Mueller, W. M. Nagle, Trans. ASME 62, 1940, 283-294: the ratio is
       formed from effectiveness relations, not read from charts, which are off by some per cent.
    """
    hot_in, hot_out, cold_in, cold_out = (
        np.asarray(t, dtype=float)
        for t in (hot_inlet_degC, hot_outlet_degC, cold_inlet_degC, cold_outlet_degC)
    )
    fall, rise, span = hot_in - hot_out, cold_out - cold_in, hot_in - cold_in
    good = (fall > 0) & (rise > 0) & (span > 0)
    fall, span = np.where(good, fall, np.nan), np.where(good, span, np.nan)
    P, R = fall / span, rise / fall
    return ntu_counterflow(P, R) / number_of_transfer_units(P, R, arrangement)


def approach_cold_end(hot_outlet_degC: ArrayLike, cold_inlet_degC: ArrayLike) -> Array:
    """Cold-end approach temperature, hot outlet minus cold inlet; negative if they cross. [K]

    In a heating substation this is primary return minus secondary return, by which it is judged.
    """
    return np.subtract(hot_outlet_degC, cold_inlet_degC, dtype=float)


def approach_hot_end(hot_inlet_degC: ArrayLike, cold_outlet_degC: ArrayLike) -> Array:
    """Hot-end approach temperature, hot inlet minus cold outlet; negative if they cross. [K]"""
    return np.subtract(hot_inlet_degC, cold_outlet_degC, dtype=float)


# Ends further apart than this are a pinch that readings cannot resolve; the means hardly move there.
LARGEST_END_RATIO = 300.0


def surface_mean_temperatures(
    hot_inlet_degC: ArrayLike,
    hot_outlet_degC: ArrayLike,
    cold_inlet_degC: ArrayLike,
    cold_outlet_degC: ArrayLike,
) -> tuple[Array, Array]:
    """Mean temperature of both streams over the surface in counterflow: that at which the films work.

    With unequal capacity rates most of the surface lies near the pinch, and the mean of inlet and
    outlet is not what the films see. Along the surface both temperatures are linear in their local
    difference, whose mean over the surface is the log mean; hence with ``x = ln(hot end / cold end)``
    a stream's mean lies ``w = 1/(1 - exp(-x)) - 1/x`` of its change away from the hot end; w = 1/2
    where the ends are alike.

    Parameters
    ----------
    hot_inlet_degC, hot_outlet_degC, cold_inlet_degC, cold_outlet_degC : array_like, shape (n,)
        Terminal temperatures; crossed or closed ends count as a ratio of ``LARGEST_END_RATIO``. [degC]

    Returns
    -------
    hot_degC, cold_degC : ndarray, shape (n,)

    References
    ----------
    .. [1] Integration of dT1 = -U (T1 - T2) dA / C1 at constant U (any text on exchangers, such as
       the derivation of the log mean difference); checked numerically in the tests.
    """
    h_in, h_out, c_in, c_out = (
        np.asarray(x, dtype=float)
        for x in (hot_inlet_degC, hot_outlet_degC, cold_inlet_degC, cold_outlet_degC)
    )
    hot_end, cold_end = h_in - c_out, h_out - c_in
    floor = np.maximum(np.maximum(hot_end, cold_end) / LARGEST_END_RATIO, 1e-9)
    x = np.log(np.maximum(hot_end, floor) / np.maximum(cold_end, floor))
    near = np.abs(x) < 1e-3
    safe = np.where(near, 1.0, x)
    w = np.where(near, 0.5 + x / 12.0, -1.0 / np.expm1(-safe) - 1.0 / safe)
    return np.asarray(h_in - w * (h_in - h_out)), np.asarray(c_out - w * (c_out - c_in))
