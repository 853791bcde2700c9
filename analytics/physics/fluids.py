"""Properties of the liquids in the circuits: density, enthalpy, heat capacity, viscosity, conductivity.

Lives here: every call of the property library, absolute temperature, and the limits within which a
property may be asked for. Not here: the curves themselves (curves.py), tables (property_table.py), how
a mixture is counted (mixtures.py), mass flow and duty (balance.py), film coefficients (film.py).

Asking the library once per sample costs tens of microseconds; so each liquid is sampled once at
Chebyshev nodes, and every sample after that is a short polynomial.
"""

from collections.abc import Callable
from functools import cache
from typing import Any

import numpy as np
from numpy.polynomial import Chebyshev
from numpy.typing import NDArray

from analytics.physics import water
from analytics.physics.curves import Curves, Exponential, FluidProperties, Polynomial, ZERO_degC_K
from analytics.physics.property_table import from_table
from analytics.vocabulary.errors import EvaluationError
from analytics.vocabulary.records import Fluid, Stream

__all__ = ["DOUBT", "FluidProperties", "fluid_properties", "liquid_of", "sampled"]

Array = NDArray[np.float64]

DEGREE = 14  # enough for 1e-7 in density and enthalpy over 0 to 160 degC

# Water by IAPWS-IF97, the formulation on which EN 1434 founds the heat coefficient of heat meters:
# what a meter shows and what is computed here then rest on the same water. Glycol mixtures are told
# apart by how the fraction is counted, since the library keeps one set of fits for each.
_MIXTURES = {
    ("ethylene glycol", "mass"): "MEG",
    ("ethylene glycol", "volume"): "AEG",
    ("propylene glycol", "mass"): "MPG",
    ("propylene glycol", "volume"): "APG",
}

# Relative standard uncertainty of density times heat capacity, by kind: water by IAPWS-IF97, on which the
# meters agree by convention; glycol by how far
# the two published sources lie apart, and two points of concentration either way (a hand refractometer,
# common practice); a table by the usual data sheet (common practice).
DOUBT = {"water": 0.0, "ethylene glycol": 0.010, "propylene glycol": 0.010, "table": 0.015}


@cache
def fluid_properties(fluid: Fluid, pressure_Pa: float = 6e5) -> FluidProperties:
    """Sample a liquid's properties once and return them as fast curves of temperature.

    Parameters
    ----------
    fluid : Fluid
        Water follows IAPWS-IF97 with IAPWS R12-08 viscosity and R15-11 conductivity; glycol mixtures
        the library's incompressible fits by mass or by volume fraction, from freezing to 100 degC; a
        table is joined by monotone cubics (PCHIP; ln viscosity over the inverse of absolute
        temperature) and ends where it ends.
    pressure_Pa : float, optional
        Absolute; liquids hardly feel it, but it sets the boiling point. [Pa]

    Returns
    -------
    FluidProperties
        The same object for the same arguments.

    Raises
    ------
    EvaluationError
        If the fraction is outside the range of the fits, the pressure is not that of a liquid, or
        the table cannot be joined.

    Notes
    -----
    Up to 16 bar the curves for water keep within 1e-8 of the library in density, 1e-6 in heat
    capacity and viscosity and 3e-4 in conductivity (whose critical enhancement is not smooth). A table
    with rows 10 K apart keeps within 5e-6 of a heat-transfer oil's fits in density and heat capacity
    and 1.3e-3 in viscosity.

    The two ways to count a glycol are two sources: by mass, fits to pure mixtures (Melinder); by
    volume, to inhibited ones as they are sold (ASHRAE). Where they speak of one mixture
    (:func:`analytics.physics.mixtures.mass_fraction`) their heat per volume and kelvin differs by up to 1.3 %: see ``DOUBT``.

    The enthalpy of a glycol mixture is the integral of its heat capacity. The library adds the second
    derivative of its density fit times the pressure, which makes its enthalpy differ from its own
    heat capacity by 3e-4 at 6 bar, without any measurement behind it.

    References
    ----------
    .. [1] IAPWS R7-97(2012), Revised Release on the IAPWS Industrial Formulation 1997.
    .. [2] IAPWS R12-08 (viscosity) and R15-11 (thermal conductivity).
    .. [3] I. H. Bell et al., Ind. Eng. Chem. Res. 53(6), 2014, doi:10.1021/ie4033999 (CoolProp).
    """
    if fluid.kind == "table":
        return from_table(fluid, pressure_Pa)
    if fluid == Fluid() and pressure_Pa == water.PRESSURE_Pa:
        return _kept_water(fluid)
    return sampled(fluid, pressure_Pa)


def liquid_of(stream: Stream) -> FluidProperties:
    """Return the properties of a side's liquid, at a pressure at which it is one.

    At 6 bar water boils at 159 degC; a network designed for more than 150 degC is under 16 bar or more.
    Between the two, density differs by 5e-4 and heat capacity by 6e-4 (IAPWS-IF97).
    """
    hot = max(stream.design_inlet_degC or 0.0, stream.design_outlet_degC or 0.0)
    if stream.fluid.kind == "water" and hot > 150.0:
        return fluid_properties(stream.fluid, 16e5)
    return fluid_properties(stream.fluid)


def _kept_water(fluid: Fluid) -> FluidProperties:
    """Return the usual case, sampled beforehand."""
    low, high = water.RANGE_degC
    kept = {name: Polynomial(low, high, c) for name, c in water.COEFFICIENTS.items()}
    viscosity = Exponential(kept.pop("ln_viscosity"))
    return FluidProperties(fluid, water.PRESSURE_Pa, low, high, Curves(viscosity=viscosity, **kept))


def _library() -> Any:
    """Return the property library, loaded when first needed: that takes seconds."""
    from CoolProp import CoolProp

    return CoolProp


def sampled(fluid: Fluid, pressure_Pa: float) -> FluidProperties:
    """Sample water or a glycol mixture from the library; see :func:`fluid_properties`."""
    name, low, high = _range(fluid, pressure_Pa)
    heat_capacity = _sample(name, "C", low, high, pressure_Pa)
    curves = Curves(
        density=_sample(name, "D", low, high, pressure_Pa),
        enthalpy=(
            _sample(name, "H", low, high, pressure_Pa)
            if fluid.kind == "water"
            else heat_capacity.antiderivative()
        ),
        heat_capacity=heat_capacity,
        viscosity=Exponential(_sample(name, "V", low, high, pressure_Pa, np.log)),
        conductivity=_sample(name, "L", low, high, pressure_Pa),
    )
    return FluidProperties(fluid, pressure_Pa, low, high, curves)


def _range(fluid: Fluid, pressure_Pa: float) -> tuple[str, float, float]:
    """Return the library's name of the liquid and its lowest and highest temperature in degC."""
    library = _library()
    try:
        if fluid.kind == "water":
            name = "IF97::Water"
            low = 0.0
            high = library.PropsSI("T", "P", pressure_Pa, "Q", 0, name) - ZERO_degC_K
        else:
            name = f"INCOMP::{_MIXTURES[fluid.kind, fluid.basis]}[{fluid.fraction!r}]"
            state = ("T", 300.0, "P", pressure_Pa, name)
            least = max(library.PropsSI("Tmin", *state), library.PropsSI("T_freeze", *state))
            low = least - ZERO_degC_K
            high = library.PropsSI("Tmax", *state) - ZERO_degC_K
    except ValueError as exc:
        raise EvaluationError(
            f"{fluid.kind}: no properties for fraction {fluid.fraction!r} by {fluid.basis} "
            f"at {pressure_Pa!r} Pa. Give a fraction up to 0.6 (by volume from 0.1), or a property table."
        ) from exc
    if not low < high:
        raise EvaluationError(
            f"{fluid.kind}: not liquid at {pressure_Pa!r} Pa. Give the absolute pressure in Pa."
        )
    return name, low, high


def _sample(
    name: str,
    quantity: str,
    low_degC: float,
    high_degC: float,
    pressure_Pa: float,
    transform: Callable[[Array], Array] = np.asarray,
) -> Polynomial:
    """Interpolate one property at Chebyshev nodes of the first kind, all inside the range."""
    library = _library()

    def values(t: Array) -> Array:
        kelvin = np.asarray(t, dtype=float) + ZERO_degC_K
        return transform(library.PropsSI(quantity, "T", kelvin, "P", pressure_Pa, name))

    series = Chebyshev.interpolate(values, DEGREE, domain=[low_degC, high_degC])
    powers = np.polynomial.chebyshev.cheb2poly(series.coef)[::-1]
    return Polynomial(low_degC, high_degC, tuple(float(c) for c in powers))
