"""Effectiveness and number of transfer units of a two-stream exchanger, and its outlet temperatures.

Lives here: what inlet temperatures, capacity rates and a conductance imply, and back. Not here: the
log mean temperature difference (temperature_difference.py), film coefficients (film.py).

Pass arrangements are spelt ``"m-n"``: stream 1 makes ``m`` passes and stream 2 ``n``, the whole in
counterflow. ``"counterflow"`` is ``"1-1"``; ``"parallel flow"`` is one pass each, side by side in
the same direction. Everything assumes constant heat capacities, no loss to the room and enough
channels for the end channels not to matter.
"""

import re
from functools import cache
from math import gcd

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analytics.vocabulary.errors import EvaluationError

Array = NDArray[np.float64]

COUNTERFLOW = "counterflow"
PARALLEL_FLOW = "parallel flow"
LEAST_NTU, MOST_NTU = 1e-9, 1e3  # where an arrangement without a closed inverse is searched


def arrangement_of(passes_1: int, passes_2: int) -> str:
    """Return the name of the arrangement of ``passes_1`` against ``passes_2``.

    Raises
    ------
    EvaluationError
        If the effectiveness of that arrangement has no formula here (such as 2-3).
    """
    name = COUNTERFLOW if passes_1 == passes_2 else f"{passes_1}-{passes_2}"
    _passes(name)
    return name


@cache
def _passes(arrangement: str) -> tuple[int, int, int]:
    """Return (units in series, passes of stream 1, of stream 2 in each); 0 passes: parallel flow."""
    if arrangement == COUNTERFLOW:
        return 1, 1, 1
    if arrangement == PARALLEL_FLOW:
        return 1, 0, 0
    match = re.fullmatch(r"([1-9])-([1-9])", arrangement)
    if match:
        m, n = int(match[1]), int(match[2])
        units = gcd(m, n)
        if min(m, n) == units:
            # Equal passes in overall counterflow are plain counterflow from end to end.
            return (1, 1, 1) if m == n else (units, m // units, n // units)
    raise EvaluationError(
        f"arrangement {arrangement!r}: no formula for it. Use {COUNTERFLOW!r}, {PARALLEL_FLOW!r} "
        "or passes of which one divides the other, such as '1-2'."
    )


def _arrays(*values: ArrayLike) -> tuple[Array, ...]:
    return tuple(np.asarray(v, dtype=float) for v in values)


def _bernoulli(x: Array) -> Array:
    """x / (1 - exp(-x)), 1 at x = 0; bounded below so that exp does not overflow."""
    x = np.maximum(x, -700.0)
    zero = x == 0
    return np.where(zero, 1.0, x / -np.expm1(-np.where(zero, 1.0, x)))


def _counterflow(NTU: Array, R: Array) -> Array:
    # (1 - e^-x) / (1 - R e^-x) with x = N (1 - R), both divided by (1 - e^-x)/N: no difference of
    # nearly equal numbers is left near R = 1, and nothing grows where N (R - 1) is large.
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        return np.asarray(NTU / (_bernoulli(NTU * (1.0 - R)) + R * NTU))


def _parallel(NTU: Array, R: Array) -> Array:
    with np.errstate(invalid="ignore", over="ignore"):
        return np.asarray(-np.expm1(-NTU * (1.0 + R)) / (1.0 + R))


def _one_against_many(NTU: Array, R: Array, passes: int) -> Array:
    """Stream 1 in one pass, stream 2 in ``passes``.

    Stream 1 splits into as many equal parts, each meeting one pass of stream 2, in counterflow and
    parallel flow by turns (ends in counterflow). A part has capacity ratio R/n and the NTU of the
    whole; each leaves the gap to the hot inlet smaller by its own share, and what stream 2 gained in
    all is R times what stream 1 lost.
    """
    part = R / passes
    with np.errstate(invalid="ignore", divide="ignore"):
        # Logarithms keep the digits of a share that hardly differs from 1; a part at its limit leaves
        # nothing, and rounding must not make that less than nothing.
        along = (passes + 1) // 2 * np.log1p(-np.minimum(part * _counterflow(NTU, part), 1.0))
        aside = passes // 2 * np.log1p(-np.minimum(part * _parallel(NTU, part), 1.0))
        gained = -np.expm1(along + aside)
        return np.where(R > 1e-300, gained / np.where(R > 1e-300, R, 1.0), -np.expm1(-NTU))


def _in_series(P: Array, R: Array, units: int) -> Array:
    """Equal units with effectiveness ``P`` each, in overall counterflow.

    Each acts like a counterflow unit of the NTU that gives ``P``; those add up.
    """
    if units == 1:
        return P
    with np.errstate(divide="ignore", over="ignore"):
        # Rounding may put a very large unit at its limit, where the NTU is infinite.
        limit = np.minimum(1.0, 1.0 / R) * (1.0 - 1e-15)
    return _counterflow(units * ntu_counterflow(np.minimum(P, limit), R), R)


def effectiveness_counterflow(NTU: ArrayLike, capacity_rate_ratio: ArrayLike) -> Array:
    """Effectiveness of a counterflow exchanger.

    Parameters
    ----------
    NTU : array_like
        Number of transfer units, UA over the smaller capacity rate; not negative.
    capacity_rate_ratio : array_like
        Smaller over larger capacity rate, 0 to 1. Values above 1 are taken as those of stream 1 over
        stream 2, and the result is then the temperature effectiveness of stream 1.

    Returns
    -------
    ndarray
        0 to 1; NaN where an input is NaN or negative. Stable at and near equal capacity rates and
        for any NTU.

    References
    ----------
    .. [1] W. M. Kays, A. L. London, Compact Heat Exchangers, 3rd ed., McGraw-Hill, 1984 (from memory).
    """
    return temperature_effectiveness(NTU, capacity_rate_ratio, COUNTERFLOW)


def effectiveness_parallel(NTU: ArrayLike, capacity_rate_ratio: ArrayLike) -> Array:
    """Effectiveness of a parallel-flow exchanger; arguments as in :func:`effectiveness_counterflow`."""
    return temperature_effectiveness(NTU, capacity_rate_ratio, PARALLEL_FLOW)


def temperature_effectiveness(NTU_1: ArrayLike, R_1: ArrayLike, arrangement: str) -> Array:
    """Temperature change of stream 1 over the difference of the two inlets.

    Parameters
    ----------
    NTU_1 : array_like
        UA over the capacity rate of stream 1; not negative.
    R_1 : array_like
        Capacity rate of stream 1 over that of stream 2; not negative, may exceed 1.
    arrangement : str
        As in the module's opening.

    Returns
    -------
    ndarray
        ``P_1``, between 0 and the smaller of 1 and ``1/R_1``; NaN where an input is NaN or negative.

    Raises
    ------
    EvaluationError
        If the arrangement is not known.

    Notes
    -----
    Stream 2 has ``P_2 = P_1 R_1``. The effectiveness of the stream with the smaller capacity rate is
    ``P_1`` where ``R_1 <= 1``. Unequal passes follow from splitting the single-pass stream; the result
    equals that of [1]_ for many channels.

    References
    ----------
    .. [1] S. G. Kandlikar, R. K. Shah, Asymptotic effectiveness-NTU formulas for multipass plate
       heat exchangers, J. Heat Transfer 111(2), 1989, 314-321 (from memory).
    """
    units, passes_1, passes_2 = _passes(arrangement)
    NTU, R = np.broadcast_arrays(*_arrays(NTU_1, R_1))
    good = (NTU >= 0) & (R >= 0) & np.isfinite(NTU) & np.isfinite(R)
    NTU, R = np.where(good, NTU, np.nan), np.where(good, R, np.nan)
    if passes_1 == 0:
        return _parallel(NTU, R)
    if passes_1 == passes_2:
        return _counterflow(NTU, R)
    if passes_1 == 1:
        return _in_series(_one_against_many(NTU / units, R, passes_2), R, units)
    # The other stream is the one in a single pass: swap, then turn its effectiveness into ours. With
    # next to no capacity against it, stream 2 stays at its inlet and passes do not matter.
    swap = R > 1e-12
    R_2 = 1.0 / np.where(swap, R, 1.0)
    other = _one_against_many(NTU * R / units, R_2, passes_1)
    P = np.where(swap, other * R_2, -np.expm1(-NTU / units))
    return _in_series(P, R, units)


def ntu_counterflow(effectiveness: ArrayLike, capacity_rate_ratio: ArrayLike) -> Array:
    """Number of transfer units that gives an effectiveness in counterflow.

    Parameters
    ----------
    effectiveness : array_like
        0 up to, not including, 1 (for ``R`` above 1: up to 1/R, then that of stream 1).
    capacity_rate_ratio : array_like
        As in :func:`effectiveness_counterflow`.

    Returns
    -------
    ndarray
        NaN where no exchanger reaches that effectiveness, or an input is NaN.
    """
    P, R = np.broadcast_arrays(*_arrays(effectiveness, capacity_rate_ratio))
    good = (P >= 0) & (P < 1) & (R >= 0) & (P * R < 1)
    P, R = np.where(good, P, np.nan), np.where(good, R, np.nan)
    z = P / (1.0 - P)
    w = z * (1.0 - R)
    level = w == 0
    with np.errstate(invalid="ignore", divide="ignore"):
        # w may reach -1 by rounding at the very limit; what is infinite there is out of reach.
        N = z * np.where(level, 1.0, np.log1p(w) / np.where(level, 1.0, w))
    return np.where(np.isfinite(N), N, np.nan)


def _ntu_parallel(P: Array, R: Array) -> Array:
    good = (P >= 0) & (P * (1.0 + R) < 1) & (R >= 0)
    return np.asarray(-np.log1p(np.where(good, -P * (1.0 + R), np.nan)) / (1.0 + R))


def number_of_transfer_units(P_1: ArrayLike, R_1: ArrayLike, arrangement: str) -> Array:
    """Invert :func:`temperature_effectiveness`: the NTU of stream 1 that gives ``P_1``.

    Parameters
    ----------
    P_1, R_1 : array_like
        Temperature effectiveness of stream 1, and capacity rate of stream 1 over that of stream 2.
    arrangement : str
        As in the module's opening.

    Returns
    -------
    ndarray
        NaN where the arrangement cannot reach ``P_1`` with any surface.

    Notes
    -----
    Closed form for counterflow and parallel flow; bisection on ln NTU otherwise, on all samples at
    once, as ``P_1`` rises steadily with NTU.
    """
    _, passes_1, passes_2 = _passes(arrangement)
    P, R = np.broadcast_arrays(*_arrays(P_1, R_1))
    if passes_1 == 0:
        return _ntu_parallel(P, R)
    if passes_1 == passes_2:
        return ntu_counterflow(P, R)
    low, high = np.full(P.shape, np.log(LEAST_NTU)), np.full(P.shape, np.log(MOST_NTU))
    reachable = temperature_effectiveness(np.exp(high), R, arrangement)
    good = (P > 0) & (reachable * (1.0 - 1e-12) > P)
    for _ in range(64):
        middle = (low + high) / 2
        short = temperature_effectiveness(np.exp(middle), R, arrangement) < P
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    N = np.where(good, np.exp((low + high) / 2), np.nan)
    return np.where((P == 0) & (R >= 0), 0.0, N)


def outlet_temperatures(
    hot_inlet_degC: ArrayLike,
    cold_inlet_degC: ArrayLike,
    hot_capacity_rate_W_K: ArrayLike,
    cold_capacity_rate_W_K: ArrayLike,
    conductance_W_K: ArrayLike,
    arrangement: str = COUNTERFLOW,
) -> tuple[Array, Array]:
    """Outlet temperatures of both streams.

    Parameters
    ----------
    hot_inlet_degC, cold_inlet_degC : array_like
        [degC]
    hot_capacity_rate_W_K, cold_capacity_rate_W_K : array_like
        Mass flow times mean heat capacity; positive. [W/K]
    conductance_W_K : array_like
        UA; not negative. [W/K]
    arrangement : str, optional
        Passes of the hot stream first.

    Returns
    -------
    hot_outlet_degC, cold_outlet_degC : ndarray
        NaN where an input is NaN, or a capacity rate is not positive.
    """
    hot_in, cold_in, C_hot, C_cold, UA = _arrays(
        hot_inlet_degC,
        cold_inlet_degC,
        hot_capacity_rate_W_K,
        cold_capacity_rate_W_K,
        conductance_W_K,
    )
    C_hot, C_cold = (np.where(C > 0, C, np.nan) for C in (C_hot, C_cold))
    R = C_hot / C_cold
    fall = temperature_effectiveness(UA / C_hot, R, arrangement) * (hot_in - cold_in)
    return hot_in - fall, cold_in + R * fall


def conductance_from_outlets(
    hot_inlet_degC: ArrayLike,
    hot_outlet_degC: ArrayLike,
    cold_inlet_degC: ArrayLike,
    cold_outlet_degC: ArrayLike,
    duty_W: ArrayLike,
    arrangement: str = COUNTERFLOW,
) -> Array:
    """Conductance UA from four temperatures and the duty.

    The same as duty over the corrected LMTD, by way of the NTU; the ratio of capacity rates is that
    of the temperature changes, so that no second flow is needed.

    Parameters
    ----------
    hot_inlet_degC, hot_outlet_degC, cold_inlet_degC, cold_outlet_degC : array_like
        [degC]
    duty_W : array_like
        Heat handed over. [W]
    arrangement : str, optional
        Passes of the hot stream first.

    Returns
    -------
    ndarray
        NaN where the streams cross, a stream does not change, the duty is not positive, or the
        arrangement cannot reach these temperatures with any surface. [W/K]
    """
    hot_in, hot_out, cold_in, cold_out, duty = _arrays(
        hot_inlet_degC, hot_outlet_degC, cold_inlet_degC, cold_outlet_degC, duty_W
    )
    fall, rise, span = hot_in - hot_out, cold_out - cold_in, hot_in - cold_in
    good = (fall > 0) & (rise > 0) & (span > 0) & (duty > 0)
    fall, span = np.where(good, fall, np.nan), np.where(good, span, np.nan)
    NTU = number_of_transfer_units(fall / span, rise / fall, arrangement)
    return NTU * duty / fall
