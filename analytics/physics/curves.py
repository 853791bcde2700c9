"""Curves of temperature, and the record of a liquid's five properties that is made of them.

Lives here: polynomials, exponentials, :class:`FluidProperties` and what follows from the properties alone. Not
here: where they come from (``fluids.py``), how a mixture is counted (``mixtures.py``).
"""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analytics.vocabulary.records import Fluid

Array = NDArray[np.float64]

ZERO_degC_K = 273.15
NEARLY_EQUAL_K = 1e-3  # below it a difference of enthalpies loses more digits than a mean loses


@dataclass(frozen=True, slots=True)
class Polynomial:
    """A polynomial in temperature scaled to -1..1; NaN outside ``low_degC`` to ``high_degC``."""

    low_degC: float
    high_degC: float
    coefficients: tuple[float, ...]  # highest power first

    def __call__(self, temperature_degC: ArrayLike) -> Array:
        t = np.asarray(temperature_degC, dtype=float)
        within = (t >= self.low_degC) & (t <= self.high_degC)
        x = np.where(within, t, np.nan)
        x *= 2.0 / (self.high_degC - self.low_degC)
        x -= (self.high_degC + self.low_degC) / (self.high_degC - self.low_degC)
        y = np.full_like(x, self.coefficients[0])
        for c in self.coefficients[1:]:
            y *= x
            y += c
        return y

    def antiderivative(self) -> "Polynomial":
        """Return the integral over temperature in kelvin, zero in the middle of the range."""
        scale = (self.high_degC - self.low_degC) / 2
        integral = np.polyint(self.coefficients) * scale
        return Polynomial(self.low_degC, self.high_degC, tuple(float(c) for c in integral))


@dataclass(frozen=True, slots=True)
class Exponential:
    """The exponential of a curve: viscosity falls by decades, its logarithm is nearly straight."""

    logarithm: Callable[[ArrayLike], Array]

    def __call__(self, temperature_degC: ArrayLike) -> Array:
        return np.asarray(np.exp(self.logarithm(temperature_degC)))


@dataclass(frozen=True, slots=True)
class OverInverse:
    """A curve over the inverse of absolute temperature, where ln viscosity bends the least (Andrade)."""

    curve: Callable[[ArrayLike], Array]

    def __call__(self, temperature_degC: ArrayLike) -> Array:
        t = np.asarray(temperature_degC, dtype=float)
        return self.curve(inverse_kelvin(t))


def inverse_kelvin(temperature_degC: Array) -> Array:
    # the sign keeps the order; far below zero there is no liquid, and no division by zero either
    return np.asarray(-1.0 / np.maximum(temperature_degC + ZERO_degC_K, 1.0))


@dataclass(frozen=True, slots=True)
class Curves:
    """The five curves of a liquid, each from degC to SI."""

    density: Callable[[ArrayLike], Array]
    enthalpy: Callable[[ArrayLike], Array]
    heat_capacity: Callable[[ArrayLike], Array]
    viscosity: Callable[[ArrayLike], Array]
    conductivity: Callable[[ArrayLike], Array]


@dataclass(frozen=True, slots=True)
class FluidProperties:
    """Properties of one liquid at one pressure; made by :func:`fluid_properties`.

    All methods take temperatures of any shape in degC and give an array of that shape. A temperature
    below freezing, above boiling or outside the range of the source, or NaN, gives NaN.

    Attributes
    ----------
    fluid : Fluid
    pressure_Pa : float
        Absolute. Of no effect for a property table.
    low_degC, high_degC : float
        The range in which properties exist.
    """

    fluid: Fluid
    pressure_Pa: float
    low_degC: float = field(compare=False)
    high_degC: float = field(compare=False)
    _curves: Curves = field(compare=False, repr=False)

    def density(self, temperature_degC: ArrayLike) -> Array:
        """Density. [kg/m3]"""
        return self._curves.density(temperature_degC)

    def enthalpy(self, temperature_degC: ArrayLike) -> Array:
        """Specific enthalpy; only differences mean anything, as the zero is the source's. [J/kg]"""
        return self._curves.enthalpy(temperature_degC)

    def heat_capacity(self, temperature_degC: ArrayLike) -> Array:
        """Isobaric specific heat capacity at one temperature. [J/(kg K)]"""
        return self._curves.heat_capacity(temperature_degC)

    def viscosity(self, temperature_degC: ArrayLike) -> Array:
        """Dynamic viscosity. [Pa s]"""
        return self._curves.viscosity(temperature_degC)

    def conductivity(self, temperature_degC: ArrayLike) -> Array:
        """Thermal conductivity. [W/(m K)]"""
        return self._curves.conductivity(temperature_degC)

    def prandtl(self, temperature_degC: ArrayLike) -> Array:
        """Prandtl number, viscosity times heat capacity over conductivity."""
        t = np.asarray(temperature_degC, dtype=float)
        return self.viscosity(t) * self.heat_capacity(t) / self.conductivity(t)

    def mean_heat_capacity(self, first_degC: ArrayLike, second_degC: ArrayLike) -> Array:
        """Heat capacity between two temperatures, the enthalpy difference over the temperature's.

        This is the heat capacity that makes ``C dT`` the exact duty; the value at the mean
        temperature is off by up to 0.1 % at network temperatures. Finite when the two are equal.

        Parameters
        ----------
        first_degC, second_degC : array_like
            In either order; shapes broadcast. [degC]

        Returns
        -------
        ndarray
            NaN where either temperature is out of range. [J/(kg K)]
        """
        first, second = np.broadcast_arrays(
            np.asarray(first_degC, dtype=float), np.asarray(second_degC, dtype=float)
        )
        difference_K = second - first
        equal = np.abs(difference_K) < NEARLY_EQUAL_K
        rise = self.enthalpy(second) - self.enthalpy(first)
        # The sum keeps out-of-range inputs NaN even where the mean falls back into the range.
        middle = self.heat_capacity((first + second) / 2) + 0.0 * rise
        return np.where(equal, middle, rise / np.where(equal, 1.0, difference_K))

    def film_group(self, temperature_degC: ArrayLike, exponent: ArrayLike) -> Array:
        """How a film coefficient depends on the liquid's temperature at a fixed mass flow.

        With ``Nu = C Re^n Pr^(1/3)``, ``Re = G d / mu`` and ``Pr = mu cp / k`` for a mass flow
        density ``G`` and a hydraulic diameter ``d``,

            h = C (k/d) (G d/mu)^n (mu cp/k)^(1/3) = C d^(n-1) G^n [k^(2/3) cp^(1/3) mu^(1/3-n)].

        The bracket is returned; ratios of it between two temperatures are what is meant.

        Parameters
        ----------
        temperature_degC : array_like
            Mean bulk temperature of the stream. [degC]
        exponent : array_like
            The exponent ``n`` of the Reynolds number; broadcasts.
        """
        t = np.asarray(temperature_degC, dtype=float)
        n = np.asarray(exponent, dtype=float)
        group = (
            2 / 3 * np.log(self.conductivity(t))
            + np.log(self.heat_capacity(t)) / 3
            + (1 / 3 - n) * np.log(self.viscosity(t))
        )
        return np.asarray(np.exp(group))
