"""From what a register says of an instrument to a standard uncertainty.

A tolerance is read as a half-width that holds 95 times in 100, so the standard uncertainty is half of
it; a limit of error of a standard's class is read as a rectangular distribution (JCGM 100:2008,
4.3.7), so it is divided by the square root of three.
"""

from math import sqrt

from analytics.physics.instruments import (
    IN_SERVICE,
    flow_sensor_limit,
    platinum_tolerance,
    standard_uncertainty_of_limit,
)
from analytics.vocabulary.records import FlowMeter, Thermometer

# Where the tolerance is taken: the middle of what a building heat network runs at.
_CLASS_TEMPERATURE_degC = 60.0
# Pocket, paste, cable and input card add to the sensor itself; a sensor's class speaks of none of them.
_MOUNTING_K = 0.2


def describe_thermometer(
    accuracy_class: str | None, tolerance_K: float | None
) -> tuple[float, str]:
    """Return the standard uncertainty of a thermometer in K, and how it was come by."""
    if tolerance_K is not None:
        return tolerance_K / 2.0, f"tolerance ±{tolerance_K:g} K"
    if accuracy_class is None:
        bare = Thermometer(role="primary_supply_temperature")
        return bare.standard_uncertainty_K, bare.described
    sensor_K = float(platinum_tolerance(_CLASS_TEMPERATURE_degC, accuracy_class)) / sqrt(3.0)
    return (
        sqrt(sensor_K**2 + _MOUNTING_K**2),
        f"EN 60751 class {accuracy_class}, with {_MOUNTING_K:g} K for mounting",
    )


def describe_meter(
    accuracy_class: int | None, tolerance_percent: float | None
) -> tuple[float, str]:
    """Return the relative standard uncertainty of a flow meter, and how it was come by."""
    bare = FlowMeter(role="primary_flow")
    if tolerance_percent is not None:
        return tolerance_percent / 200.0, f"tolerance ±{tolerance_percent:g} %"
    if accuracy_class is None:
        return bare.relative_standard_uncertainty, bare.described
    limit = IN_SERVICE * flow_sensor_limit(1.0, 1.0, accuracy_class)
    return (
        float(standard_uncertainty_of_limit(limit)),
        f"EN 1434 class {accuracy_class}, in service twice its limit",
    )
