"""How doubt about readings becomes doubt about duty, LMTD, UA, U, effectiveness and the balance.

Lives here: first-order propagation after the GUM, vectorised over samples, and its use on each rating
figure. Not here: where a reading's standard uncertainty comes from (instruments.py).

Each figure is propagated from the *readings*, not from other figures: a duty and an LMTD share their
thermometers, so the doubt about UA is not that of two independent numbers.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analytics.physics import balance
from analytics.physics.effectiveness import COUNTERFLOW, conductance_from_outlets
from analytics.physics.fluids import FluidProperties
from analytics.physics.temperature_difference import log_mean_temperature_difference
from analytics.vocabulary.records import Pipe

Array = NDArray[np.float64]
Function = Callable[..., Array]

STEP = 1e-3  # of a standard uncertainty: small against curvature, large against rounding


class Reading(NamedTuple):
    """A value with its standard uncertainty, each a number or an array over samples."""

    value: ArrayLike
    standard_uncertainty: ArrayLike


@dataclass(frozen=True, slots=True, kw_only=True)
class Propagated:
    """A result with its standard uncertainty.

    Attributes
    ----------
    value, standard_uncertainty : ndarray, shape (...)
    contributions : ndarray, shape (k, ...)
        Signed share of each input, sensitivity times standard uncertainty; the squares add up to the
        square of ``standard_uncertainty`` where the inputs are uncorrelated.
    """

    value: Array
    standard_uncertainty: Array
    contributions: Array


def propagate(
    function: Function, inputs: Sequence[Reading], correlation: ArrayLike | None = None
) -> Propagated:
    """Carry standard uncertainties through a function to first order.

        u_y^2 = sum_ij c_i u_i r_ij c_j u_j,   c_i = df/dx_i

    Parameters
    ----------
    function : callable
        Takes the ``k`` values as arrays of equal shape and gives an array of that shape.
    inputs : sequence of Reading
        ``k`` readings; shapes broadcast.
    correlation : array_like, shape (k, k), optional
        Between the inputs; none by default.

    Returns
    -------
    Propagated
        NaN where a reading, its uncertainty or the function's value is NaN.

    Notes
    -----
    Sensitivities are central differences over a thousandth of each standard uncertainty, with an
    error of the second order in that step.

    References
    ----------
    .. [1] JCGM 100:2008 (GUM), 5.1.2, 5.1.3 and 5.2.2.
    """
    arrays = np.broadcast_arrays(*(np.asarray(a, dtype=float) for r in inputs for a in r))
    x, u = np.stack(arrays[0::2]), np.stack(arrays[1::2])
    value = np.asarray(function(*x), dtype=float)
    contributions = np.zeros_like(x)
    for i in range(len(x)):
        step = STEP * u[i]
        upper, lower = list(x), list(x)
        upper[i], lower[i] = x[i] + step, x[i] - step
        contributions[i] = (function(*upper) - function(*lower)) / (2 * STEP)
    if correlation is None:
        variance = (contributions**2).sum(axis=0)
    else:
        r = np.asarray(correlation, dtype=float)
        variance = np.einsum("i...,ij,j...->...", contributions, r, contributions)
    # A covariance that is only just positive may come out below zero by rounding.
    return Propagated(
        value=value,
        standard_uncertainty=np.sqrt(np.maximum(variance, 0.0)),
        contributions=contributions,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """The two standard uncertainties of an indicator, arrays of the indicator's shape and unit.

    ``systematic`` is the part that stays as it is from one interval to the next (an offset, a meter's
    gain): it belongs to every absolute statement and cancels in a trend or between before and after.
    ``random`` comes anew each time, slow wander of the instruments included.
    """

    systematic: Array
    random: Array

    @property
    def total(self) -> Array:
        """Of the indicator as an absolute figure."""
        return np.hypot(self.systematic, self.random)

    def of_change(self, other: "Doubt") -> Array:
        """Of the difference to another value of the same indicator from the same instruments."""
        return np.hypot(self.random, other.random)


def sensitivities(function: Function, values: Sequence[ArrayLike], steps: ArrayLike) -> Array:
    """Return the partial derivatives of a function by central differences, shape (k, ...).

    Parameters
    ----------
    steps : array_like, shape (k,)
        Half the width of each difference, small against the curvature.
    """
    x = [np.asarray(v, dtype=float) for v in values]
    found = []
    for i, step in enumerate(np.asarray(steps, dtype=float)):
        upper, lower = list(x), list(x)
        upper[i], lower[i] = x[i] + step, x[i] - step
        found.append((function(*upper) - function(*lower)) / (2 * step))
    return np.stack(found)


def doubt(sensitivity: Array, systematic: ArrayLike, random_u: ArrayLike) -> Doubt:
    """Carry both kinds of error of the readings through to first order.

    Parameters
    ----------
    sensitivity : array, shape (k, n)
    systematic : array_like, shape (k,) or (k, k)
        Standard uncertainties of the constant errors, or their covariance.
    random_u : array_like, shape (k, n)
        Standard uncertainties of what comes anew each interval, independent of each other.

    References
    ----------
    .. [1] JCGM 100:2008 (GUM), 5.1.2 and 5.2.2.
    """
    S = np.asarray(systematic, dtype=float)
    S = np.diag(S**2) if S.ndim == 1 else S
    variance = np.einsum("in,ij,jn->n", sensitivity, S, sensitivity)
    by_chance = ((sensitivity * np.asarray(random_u, dtype=float)) ** 2).sum(axis=0)
    return Doubt(systematic=np.sqrt(np.maximum(variance, 0.0)), random=np.sqrt(by_chance))


def correlation_between(
    first: Propagated, second: Propagated, correlation: ArrayLike | None = None
) -> Array:
    """Correlation of two results that were propagated from the same inputs in the same order.

    References
    ----------
    .. [1] JCGM 100:2008 (GUM), H.2.3, equation H.9.
    """
    a, b = first.contributions, second.contributions
    r = np.eye(len(a)) if correlation is None else np.asarray(correlation, dtype=float)
    spread = first.standard_uncertainty * second.standard_uncertainty
    shared = np.einsum("i...,ij,j...->...", a, r, b)
    return np.asarray(shared / np.where(spread > 0, spread, np.nan))


def effective_degrees_of_freedom(contributions: ArrayLike, degrees_of_freedom: ArrayLike) -> Array:
    """Degrees of freedom of a combined standard uncertainty (Welch-Satterthwaite).

    Parameters
    ----------
    contributions : array_like, shape (k, ...)
        Of uncorrelated inputs.
    degrees_of_freedom : array_like, shape (k,)
        Infinite for a limit taken as known.

    References
    ----------
    .. [1] JCGM 100:2008 (GUM), G.4.1, equation G.2b.
    """
    c = np.asarray(contributions, dtype=float)
    nu = np.asarray(degrees_of_freedom, dtype=float).reshape((-1,) + (1,) * (c.ndim - 1))
    share = (c**4 / nu).sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray((c**2).sum(axis=0) ** 2 / share)


def duty(
    volume_flow_m3_s: Reading,
    supply_degC: Reading,
    return_degC: Reading,
    pipe: Pipe,
    fluid: FluidProperties,
) -> Propagated:
    """Duty of one circuit, see :func:`analytics.physics.balance.duty`. [W]"""

    def of(V: Array, supply: Array, back: Array) -> Array:
        return balance.duty(V, supply, back, pipe, fluid)

    return propagate(of, (volume_flow_m3_s, supply_degC, return_degC))


def log_mean(
    hot_inlet_degC: Reading,
    hot_outlet_degC: Reading,
    cold_inlet_degC: Reading,
    cold_outlet_degC: Reading,
    arrangement: str = COUNTERFLOW,
) -> Propagated:
    """LMTD with the arrangement's correction. [K]"""

    def of(hot_in: Array, hot_out: Array, cold_in: Array, cold_out: Array) -> Array:
        return log_mean_temperature_difference(hot_in, hot_out, cold_in, cold_out, arrangement)

    return propagate(of, (hot_inlet_degC, hot_outlet_degC, cold_inlet_degC, cold_outlet_degC))


def conductance(
    hot_inlet_degC: Reading,
    hot_outlet_degC: Reading,
    cold_inlet_degC: Reading,
    cold_outlet_degC: Reading,
    duty_W: Reading,
    arrangement: str = COUNTERFLOW,
) -> Propagated:
    """UA from a duty that was measured apart from the four thermometers, as a heat meter does. [W/K]"""

    def of(hot_in: Array, hot_out: Array, cold_in: Array, cold_out: Array, Q: Array) -> Array:
        return conductance_from_outlets(hot_in, hot_out, cold_in, cold_out, Q, arrangement)

    inputs = (hot_inlet_degC, hot_outlet_degC, cold_inlet_degC, cold_outlet_degC, duty_W)
    return propagate(of, inputs)


@dataclass(frozen=True, slots=True, kw_only=True)
class MeteredSide:
    """The side whose flow is used: hot or cold stream, the meter's pipe, the fluid."""

    hot: bool
    pipe: Pipe
    fluid: FluidProperties

    def duty(
        self, V: Array, hot_in: Array, hot_out: Array, cold_in: Array, cold_out: Array
    ) -> Array:
        """Duty of that side from the flow and all four temperatures. [W]"""
        # Of either stream the warmer end is its circuit's supply pipe.
        supply, back = (hot_in, hot_out) if self.hot else (cold_out, cold_in)
        return balance.duty(V, supply, back, self.pipe, self.fluid)


def conductance_from_flow(
    volume_flow_m3_s: Reading,
    hot_inlet_degC: Reading,
    hot_outlet_degC: Reading,
    cold_inlet_degC: Reading,
    cold_outlet_degC: Reading,
    side: MeteredSide,
    arrangement: str = COUNTERFLOW,
) -> Propagated:
    """UA from one side's flow and the four thermometers that give both its duty and the LMTD. [W/K]

    The shared thermometers matter: a primary return that reads high lowers the duty and raises the
    LMTD, so UA falls twice.
    """

    def of(V: Array, hot_in: Array, hot_out: Array, cold_in: Array, cold_out: Array) -> Array:
        Q = side.duty(V, hot_in, hot_out, cold_in, cold_out)
        return conductance_from_outlets(hot_in, hot_out, cold_in, cold_out, Q, arrangement)

    temperatures = (hot_inlet_degC, hot_outlet_degC, cold_inlet_degC, cold_outlet_degC)
    return propagate(of, (volume_flow_m3_s, *temperatures))


def overall_coefficient(UA_W_K: Propagated, area_m2: Reading) -> Propagated:
    """U from UA and an area of which the data sheet is the only witness. [W/(m2 K)]"""
    inputs = (Reading(UA_W_K.value, UA_W_K.standard_uncertainty), area_m2)
    return propagate(np.divide, inputs)


def effectiveness(
    hot_inlet_degC: Reading,
    hot_outlet_degC: Reading,
    cold_inlet_degC: Reading,
    cold_outlet_degC: Reading,
) -> Propagated:
    """Effectiveness from four temperatures: the larger temperature change over the inlets' gap.

    NaN where the inlets' gap is not positive. The larger change is that of the smaller capacity rate;
    where both are equal within their doubt, taking the larger one errs upwards by a part of it.
    """

    def of(hot_in: Array, hot_out: Array, cold_in: Array, cold_out: Array) -> Array:
        span = hot_in - cold_in
        change = np.maximum(hot_in - hot_out, cold_out - cold_in)
        return np.asarray(change / np.where(span > 0, span, np.nan))

    return propagate(of, (hot_inlet_degC, hot_outlet_degC, cold_inlet_degC, cold_outlet_degC))


def balance_residual(primary_duty_W: Reading, secondary_duty_W: Reading) -> Propagated:
    """Balance residual of two duties that share no instrument."""
    return propagate(balance.balance_residual, (primary_duty_W, secondary_duty_W))
