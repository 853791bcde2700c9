"""Properties of water, and of glycol mixtures, along the plate, as polynomials in temperature.

CoolProp (IAPWS-95) is asked once; the fits hold from 2 to 150 degC at 16 bar, to 2e-4 in density and
heat capacity and to 2e-3 in viscosity and conductivity.
"""

from dataclasses import dataclass
from functools import cache
from typing import Literal

import CoolProp.CoolProp as coolprop
import numpy as np
from numpy.polynomial import Polynomial
from numpy.typing import NDArray

from demo_data.simulator.scenario import Liquid

Array = NDArray[np.float64]
PRESSURE_Pa = 16e5
_LOW_degC, _HIGH_degC = 2.0, 150.0
_DEGREE = 7
# Sieder and Tate's exponent of the viscosity ratio.
WALL_EXPONENT = 0.14


@dataclass(frozen=True)
class Water:
    """Polynomials in degC; ``enthalpy`` is in J/kg, ``ln_``-values are natural logarithms of SI."""

    density: Polynomial
    enthalpy: Polynomial
    heat_capacity: Polynomial
    ln_viscosity: Polynomial
    ln_conductivity: Polynomial
    ln_heat_capacity: Polynomial

    def film_property(self, flow_exponent: float) -> Polynomial:
        """Return ln of the property group of Nu ~ Re^n Pr^(1/3) (mu/mu_wall)^0.14, bulk part."""
        return (
            self.ln_conductivity * (2.0 / 3.0)
            + self.ln_heat_capacity / 3.0
            + self.ln_viscosity * (1.0 / 3.0 - flow_exponent + WALL_EXPONENT)
        )


@cache
def water() -> Water:
    """Return the properties of water at 16 bar."""
    # Chebyshev points keep the fit even up to the ends.
    nodes = np.cos(np.linspace(0.0, np.pi, 121))
    t = 0.5 * (_LOW_degC + _HIGH_degC) + 0.5 * (_HIGH_degC - _LOW_degC) * nodes

    def fitted(values: Array) -> Polynomial:
        return Polynomial.fit(t, values, _DEGREE).convert()

    def of(name: str) -> Array:
        return np.asarray(
            coolprop.PropsSI(name, "T", t + 273.15, "P", PRESSURE_Pa, "Water"), dtype=float
        )

    enthalpy = fitted(of("H"))
    return Water(
        density=fitted(of("D")),
        enthalpy=enthalpy,
        heat_capacity=enthalpy.deriv(),  # so that heat along the plate and at its ends agree
        ln_viscosity=fitted(np.log(of("V"))),
        ln_conductivity=fitted(np.log(of("L"))),
        ln_heat_capacity=fitted(np.log(of("C"))),
    )


@cache
def glycol(kind: Literal["MEG", "MPG"], mass_fraction: float) -> Water:
    """Return the properties of a glycol mixture at 16 bar.

    CoolProp's incompressible mixtures (Melinder's fits) hold to 100 degC; above, the polynomials
    run on evenly, so of low degree.
    """
    fluid = f"INCOMP::{kind}[{mass_fraction:g}]"
    t = 51.0 - 49.0 * np.cos(np.linspace(0.0, np.pi, 121))

    def fitted(values: Array) -> Polynomial:
        return Polynomial.fit(t, values, 4).convert()

    def of(name: str) -> Array:
        return np.asarray(
            coolprop.PropsSI(name, "T", t + 273.15, "P", PRESSURE_Pa, fluid), dtype=float
        )

    heat_capacity = fitted(of("C"))
    return Water(
        density=fitted(of("D")),
        enthalpy=heat_capacity.integ(),
        heat_capacity=heat_capacity,
        ln_viscosity=fitted(np.log(of("V"))),
        ln_conductivity=fitted(np.log(of("L"))),
        ln_heat_capacity=fitted(np.log(of("C"))),
    )


def liquid_of(liquid: Liquid) -> Water:
    """Return the properties of the liquid on one side."""
    return water() if liquid.kind == "water" else glycol(liquid.kind, liquid.fraction)


@cache
def constant_water(at_degC: float) -> Water:
    """Return water whose properties stay those at ``at_degC``, for comparison with closed forms."""
    w = water()

    def frozen(p: Polynomial) -> Polynomial:
        return Polynomial([float(p(at_degC))])

    return Water(
        density=frozen(w.density),
        enthalpy=Polynomial([0.0, float(w.heat_capacity(at_degC))]),
        heat_capacity=frozen(w.heat_capacity),
        ln_viscosity=frozen(w.ln_viscosity),
        ln_conductivity=frozen(w.ln_conductivity),
        ln_heat_capacity=frozen(w.ln_heat_capacity),
    )


def evaluate(polynomial: Polynomial, x: Array) -> Array:
    """Return the polynomial's values by Horner's rule in place; fast on large arrays."""
    coefficients = polynomial.coef
    result = np.full(np.shape(x), coefficients[-1], dtype=float)
    for c in coefficients[-2::-1]:
        result *= x
        result += c
    return result
