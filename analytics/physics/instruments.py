"""What the classes of heat meters and platinum thermometers allow, and what that is worth as doubt.

Lives here: EN 1434 limits of error, EN 60751 resistance and tolerances, limit to standard
uncertainty. Not here: what a register says of one instrument, and how doubt travels into a result
(uncertainty.py).

All limits of error of heat meters are ratios, not per cent.
"""

from math import sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analytics.vocabulary.errors import EvaluationError
from analytics.vocabulary.records import FlowMeter

Array = NDArray[np.float64]

# EN 1434-1 flow sensors, class -> (constant part, part that grows as the flow falls); and the cap.
FLOW_SENSOR_LIMITS: dict[int, tuple[float, float]] = {
    1: (0.01, 0.0001),
    2: (0.02, 0.0002),
    3: (0.03, 0.0005),
}
FLOW_SENSOR_CAP = 0.05
# What a meter in service may err by over what it may at its verification: the rule of several
# countries' metrology law, not of EN 1434 (common practice, from memory).
IN_SERVICE = 2.0

# EN 60751: R(t) = R0 (1 + A t + B t^2) from 0 to 850 degC, and below with C (t - 100) t^3 added.
PLATINUM_A, PLATINUM_B, PLATINUM_C = 3.9083e-3, -5.775e-7, -4.183e-12
# Class -> (tolerance at 0 degC in K, growth per K away from it).
PLATINUM_TOLERANCES: dict[str, tuple[float, float]] = {
    "AA": (0.10, 0.0017),
    "A": (0.15, 0.002),
    "B": (0.30, 0.005),
    "C": (0.60, 0.01),
}


def _refuse(where: str, seen: object, known: object) -> EvaluationError:
    return EvaluationError(f"{where}: class {seen!r} is not known. Use one of {known}.")


def flow_sensor_limit(
    flow_m3_s: ArrayLike, nominal_flow_m3_s: ArrayLike, accuracy_class: int
) -> Array:
    """Maximum permissible error of a flow sensor at verification, as a ratio.

    Parameters
    ----------
    flow_m3_s, nominal_flow_m3_s : array_like
        Flow, and the meter's permanent flow qp. [m3/s]
    accuracy_class : {1, 2, 3}

    Returns
    -------
    ndarray
        Capped at 5 %; NaN where a flow is not positive, since a standing meter has no relative error.

    Raises
    ------
    EvaluationError
        If the class is not known.

    References
    ----------
    .. [1] EN 1434-1; classes 2 and 3 as technical descriptions of meters cite it, class 1 from memory.
    """
    if accuracy_class not in FLOW_SENSOR_LIMITS:
        raise _refuse("flow sensor", accuracy_class, sorted(FLOW_SENSOR_LIMITS))
    constant, growth = FLOW_SENSOR_LIMITS[accuracy_class]
    q, qp = (np.asarray(v, dtype=float) for v in (flow_m3_s, nominal_flow_m3_s))
    good = (q > 0) & (qp > 0)
    ratio = np.where(good, qp, np.nan) / np.where(good, q, np.nan)
    return np.minimum(constant + growth * ratio, FLOW_SENSOR_CAP)


def temperature_pair_limit(difference_K: ArrayLike, least_difference_K: float = 3.0) -> Array:
    """Maximum permissible error of a pair of thermometers, 0.5 % + 3 % dT_min/dT, as a ratio.

    NaN where the difference is not positive. Source: EN 1434-1, as technical descriptions of meters cite it.
    """
    return 0.005 + 0.03 * _least_over(difference_K, least_difference_K)


def calculator_limit(difference_K: ArrayLike, least_difference_K: float = 3.0) -> Array:
    """Maximum permissible error of a calculator, 0.5 % + 1 % dT_min/dT, as a ratio.

    NaN where the difference is not positive. Source: EN 1434-1, as technical descriptions of meters cite it.
    """
    return 0.005 + 0.01 * _least_over(difference_K, least_difference_K)


def _least_over(difference_K: ArrayLike, least_difference_K: float) -> Array:
    difference = np.asarray(difference_K, dtype=float)
    return least_difference_K / np.where(difference > 0, difference, np.nan)


def heat_meter_limit(
    flow_m3_s: ArrayLike,
    nominal_flow_m3_s: ArrayLike,
    difference_K: ArrayLike,
    accuracy_class: int,
    least_difference_K: float = 3.0,
) -> Array:
    """Maximum permissible error of a complete heat meter: the three parts added, as a ratio.

    References
    ----------
    .. [1] Directive 2014/32/EU, Annex VI (MI-004), point 3: the arithmetic sum.
    """
    return (
        flow_sensor_limit(flow_m3_s, nominal_flow_m3_s, accuracy_class)
        + temperature_pair_limit(difference_K, least_difference_K)
        + calculator_limit(difference_K, least_difference_K)
    )


def flow_meter_uncertainty(meter: FlowMeter, flow_m3_s: ArrayLike) -> Array:
    """Relative standard uncertainty of a registered flow meter at a flow.

    By its EN 1434 class where class and permanent flow are registered: twice the limit at verification,
    as in service, taken as rectangular; else what the register says at any flow. Below the limit of low
    flow that is registered, and at no flow, NaN.
    """
    flow = np.asarray(flow_m3_s, dtype=float)
    low = 0.0 if meter.low_flow_m3_s is None else meter.low_flow_m3_s
    flow = np.where((flow > 0) & (flow >= low), flow, np.nan)
    if meter.accuracy_class is None or meter.nominal_flow_m3_s is None:
        return meter.relative_standard_uncertainty + 0.0 * flow
    limit = flow_sensor_limit(flow, meter.nominal_flow_m3_s, meter.accuracy_class)
    return IN_SERVICE * standard_uncertainty_of_limit(limit)


def heat_meter_difference_uncertainty(difference_K: ArrayLike, least_difference_K: float) -> Array:
    """Relative standard uncertainty of the rest of a heat meter: its matched pair and calculator.

    Independent of the two thermometers' classes, as EN 1434 judges the pair by its difference; in
    service, and rectangular, as in :func:`flow_meter_uncertainty`.
    """
    limits = np.hypot(
        temperature_pair_limit(difference_K, least_difference_K),
        calculator_limit(difference_K, least_difference_K),
    )
    return IN_SERVICE * standard_uncertainty_of_limit(limits)


def platinum_resistance(temperature_degC: ArrayLike, resistance_0_ohm: float = 100.0) -> Array:
    """Resistance of an industrial platinum thermometer, EN 60751; NaN outside -200..850 degC. [ohm]"""
    t = np.asarray(temperature_degC, dtype=float)
    t = np.where((t >= -200.0) & (t <= 850.0), t, np.nan)
    cold = PLATINUM_C * (t - 100.0) * t**3
    return np.asarray(
        resistance_0_ohm * (1.0 + PLATINUM_A * t + PLATINUM_B * t**2 + np.where(t < 0, cold, 0.0))
    )


def platinum_temperature(resistance_ohm: ArrayLike, resistance_0_ohm: float = 100.0) -> Array:
    """Temperature from the resistance of a platinum thermometer; inverse of the above. [degC]

    Closed form from 0 degC up; NaN below, where no liquid here is, and above 850 degC.
    """
    ratio = np.asarray(resistance_ohm, dtype=float) / resistance_0_ohm
    root = PLATINUM_A**2 - 4.0 * PLATINUM_B * (1.0 - ratio)
    root = np.where((ratio >= 1.0) & (root > 0), root, np.nan)
    # The textbook root loses digits near 0 degC; its conjugate does not.
    t = 2.0 * (ratio - 1.0) / (PLATINUM_A + np.sqrt(root))
    return np.where(t <= 850.0, t, np.nan)


def platinum_tolerance(temperature_degC: ArrayLike, accuracy_class: str) -> Array:
    """Tolerance of a platinum thermometer of class AA, A, B or C, plus or minus. [K]

    Raises
    ------
    EvaluationError
        If the class is not known.

    References
    ----------
    .. [1] EN 60751 (IEC 60751), tolerance classes (from memory).
    """
    if accuracy_class not in PLATINUM_TOLERANCES:
        raise _refuse("platinum thermometer", accuracy_class, sorted(PLATINUM_TOLERANCES))
    constant_K, per_K = PLATINUM_TOLERANCES[accuracy_class]
    return np.asarray(constant_K + per_K * np.abs(np.asarray(temperature_degC, dtype=float)))


def standard_uncertainty_of_limit(limit: ArrayLike) -> Array:
    """Standard uncertainty of a quantity of which only plus-or-minus limits are known.

    Nothing inside the limits is likelier than the rest, so the distribution is rectangular and the
    limit is divided by the square root of three.

    References
    ----------
    .. [1] JCGM 100:2008 (GUM), 4.3.7.
    """
    return np.asarray(limit, dtype=float) / sqrt(3.0)
