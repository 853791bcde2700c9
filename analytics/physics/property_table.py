"""A liquid by a table of its properties: monotone cubics between the rows, nothing beyond them."""

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from analytics.physics.curves import (
    Curves,
    Exponential,
    FluidProperties,
    OverInverse,
    inverse_kelvin,
)
from analytics.vocabulary.errors import EvaluationError
from analytics.vocabulary.records import Fluid, PropertyTable

Array = NDArray[np.float64]


def from_table(fluid: Fluid, pressure_Pa: float) -> FluidProperties:
    """Join a user's table by monotone cubics, which never overshoot between its rows."""
    if fluid.table is None:
        raise EvaluationError("fluid of kind 'table': no table is given. Give a property table.")
    columns = _checked_columns(fluid.table)
    t = columns["temperature_degC"]

    def curve(values: Array) -> PchipInterpolator:
        return PchipInterpolator(t, values, extrapolate=False)

    heat_capacity = curve(columns["heat_capacity_J_kgK"])
    overinverse_kelvin = PchipInterpolator(
        inverse_kelvin(t), np.log(columns["viscosity_Pa_s"]), extrapolate=False
    )
    curves = Curves(
        density=curve(columns["density_kg_m3"]),
        enthalpy=heat_capacity.antiderivative(),
        heat_capacity=heat_capacity,
        viscosity=Exponential(OverInverse(overinverse_kelvin)),
        conductivity=curve(columns["conductivity_W_mK"]),
    )
    return FluidProperties(fluid, pressure_Pa, float(t[0]), float(t[-1]), curves)


def _checked_columns(table: PropertyTable) -> dict[str, Array]:
    """Return the columns as arrays, or refuse a table between whose rows nothing can be said."""
    columns = {
        name: np.asarray(getattr(table, name), dtype=float)
        for name in table.__slots__
        if name != "name"
    }
    lengths = {name: len(values) for name, values in columns.items()}
    t = columns["temperature_degC"]
    if len(t) < 2 or len(set(lengths.values())) != 1:
        raise EvaluationError(
            f"property table: columns of equal length with two rows or more are needed, got {lengths}."
        )
    if not np.all(np.diff(t) > 0):
        raise EvaluationError("property table: temperature_degC must rise from row to row.")
    for name, values in columns.items():
        if name != "temperature_degC" and not np.all(values > 0):
            raise EvaluationError(
                f"property table: {name} must be positive, got {float(values.min())!r}."
            )
    return columns
