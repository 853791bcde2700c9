"""Properties of the liquids in the circuits: density, enthalpy, heat capacity, viscosity, conductivity.

Lives here: every call of the property library, absolute temperature, and the limits within which a
property may be asked for. Not here: mass flow and duty (balance.py), film coefficients (film.py).

Asking the library once per sample costs tens of microseconds; so each liquid is sampled once at
Chebyshev nodes, and every sample after that is a short polynomial.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache
from typing import Any

import numpy as np
from numpy.polynomial import Chebyshev
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import PchipInterpolator

from analytics.physics import water
from analytics.vocabulary.errors import EvaluationError
from analytics.vocabulary.records import Fluid, PropertyTable, Stream

Array = NDArray[np.float64]

ZERO_degC_K = 273.15
DEGREE = 14  # enough for 1e-7 in density and enthalpy over 0 to 160 degC
NEARLY_EQUAL_K = 1e-3  # below it a difference of enthalpies loses more digits than a mean loses

# Water by IAPWS-IF97, the formulation on which EN 1434 founds the heat coefficient of heat meters:
# what a meter shows and what is computed here then rest on the same water. Glycol mixtures are told
# apart by how the fraction is counted, since the library keeps one set of fits for each.
_MIXTURES = {
    ("ethylene glycol", "mass"): "MEG",
    ("ethylene glycol", "volume"): "AEG",
    ("propylene glycol", "mass"): "MPG",
    ("propylene glycol", "volume"): "APG",
}


@dataclass(frozen=True, slots=True)
class _Polynomial:
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

    def antiderivative(self) -> "_Polynomial":
        """Return the integral over temperature in kelvin, zero in the middle of the range."""
        scale = (self.high_degC - self.low_degC) / 2
        integral = np.polyint(self.coefficients) * scale
        return _Polynomial(self.low_degC, self.high_degC, tuple(float(c) for c in integral))


@dataclass(frozen=True, slots=True)
class _Exponential:
    """The exponential of a curve: viscosity falls by decades, its logarithm is nearly straight."""

    logarithm: Callable[[ArrayLike], Array]

    def __call__(self, temperature_degC: ArrayLike) -> Array:
        return np.asarray(np.exp(self.logarithm(temperature_degC)))


@dataclass(frozen=True, slots=True)
class _OverInverse:
    """A curve over the inverse of absolute temperature, where ln viscosity bends the least (Andrade)."""

    curve: Callable[[ArrayLike], Array]

    def __call__(self, temperature_degC: ArrayLike) -> Array:
        t = np.asarray(temperature_degC, dtype=float)
        return self.curve(_inverse(t))


def _inverse(temperature_degC: Array) -> Array:
    # the sign keeps the order; far below zero there is no liquid, and no division by zero either
    return np.asarray(-1.0 / np.maximum(temperature_degC + ZERO_degC_K, 1.0))


@dataclass(frozen=True, slots=True)
class _Curves:
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
    _curves: _Curves = field(compare=False, repr=False)

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


# Relative standard uncertainty of density times heat capacity, by kind: water by IAPWS-IF97, on which the
# meters agree by convention; glycol by how far
# the two published sources lie apart, and two points of concentration either way (a hand refractometer,
# common practice); a table by the usual data sheet (common practice).
DOUBT = {"water": 0.0, "ethylene glycol": 0.010, "propylene glycol": 0.010, "table": 0.015}

# The fractions for which there are fits, by how they are counted.
FRACTIONS = {"mass": (0.0, 0.6), "volume": (0.1, 0.6)}
MIXTURES_TO_degC = 100.0  # where the fits end

# Density of the pure glycol at 20 degC in kg/m3 and its slope in kg/(m3 K) (Lange's Handbook, by way of the
# specific gravities 1.1155 and 1.038 of glycol concentration guides; slopes from memory).
_PURE_GLYCOL = {"ethylene glycol": (1113.5, -0.70), "propylene glycol": (1036.3, -0.76)}


def mass_fraction(
    kind: str, volume_fraction: ArrayLike, temperature_degC: ArrayLike = 20.0
) -> Array:
    """Mass fraction of a glycol mixture made up of volumes measured at one temperature.

        w = v rho_glycol/(v rho_glycol + (1 - v) rho_water)

    Parameters
    ----------
    kind : {"ethylene glycol", "propylene glycol"}
    volume_fraction : array_like
        Glycol's volume over the sum of both volumes before mixing, 0 to 1: mixing shrinks them by up to
        one per cent, which does not enter.
    temperature_degC : array_like, optional
        At which the volumes were measured, 0 to 100. [degC]

    Returns
    -------
    ndarray
        NaN outside 0 to 1.

    Raises
    ------
    EvaluationError
        If the glycol is not known.
    """
    glycol, water_density = _pure_densities(kind, temperature_degC)
    v = np.asarray(volume_fraction, dtype=float)
    v = np.where((v >= 0) & (v <= 1), v, np.nan)
    return np.asarray(v * glycol / (v * glycol + (1.0 - v) * water_density))


def volume_fraction(
    kind: str, mass_fraction: ArrayLike, temperature_degC: ArrayLike = 20.0
) -> Array:
    """Volume fraction of a glycol mixture; inverse of :func:`mass_fraction`."""
    glycol, water_density = _pure_densities(kind, temperature_degC)
    w = np.asarray(mass_fraction, dtype=float)
    w = np.where((w >= 0) & (w <= 1), w, np.nan)
    return np.asarray(w / glycol / (w / glycol + (1.0 - w) / water_density))


def _pure_densities(kind: str, temperature_degC: ArrayLike) -> tuple[Array, Array]:
    if kind not in _PURE_GLYCOL:
        raise EvaluationError(
            f"{kind!r} is no glycol known here. Use one of {sorted(_PURE_GLYCOL)}."
        )
    at_20, slope = _PURE_GLYCOL[kind]
    t = np.asarray(temperature_degC, dtype=float)
    return np.asarray(at_20 + slope * (t - 20.0)), fluid_properties(Fluid()).density(t)


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
    (:func:`mass_fraction`) their heat per volume and kelvin differs by up to 1.3 %: see ``DOUBT``.

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
        return _from_table(fluid, pressure_Pa)
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
    kept = {name: _Polynomial(low, high, c) for name, c in water.COEFFICIENTS.items()}
    viscosity = _Exponential(kept.pop("ln_viscosity"))
    return FluidProperties(
        fluid, water.PRESSURE_Pa, low, high, _Curves(viscosity=viscosity, **kept)
    )


def _library() -> Any:
    """Return the property library, loaded when first needed: that takes seconds."""
    from CoolProp import CoolProp

    return CoolProp


def sampled(fluid: Fluid, pressure_Pa: float) -> FluidProperties:
    """Sample water or a glycol mixture from the library; see :func:`fluid_properties`."""
    name, low, high = _range(fluid, pressure_Pa)
    heat_capacity = _sample(name, "C", low, high, pressure_Pa)
    curves = _Curves(
        density=_sample(name, "D", low, high, pressure_Pa),
        enthalpy=(
            _sample(name, "H", low, high, pressure_Pa)
            if fluid.kind == "water"
            else heat_capacity.antiderivative()
        ),
        heat_capacity=heat_capacity,
        viscosity=_Exponential(_sample(name, "V", low, high, pressure_Pa, np.log)),
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
) -> _Polynomial:
    """Interpolate one property at Chebyshev nodes of the first kind, all inside the range."""
    library = _library()

    def values(t: Array) -> Array:
        kelvin = np.asarray(t, dtype=float) + ZERO_degC_K
        return transform(library.PropsSI(quantity, "T", kelvin, "P", pressure_Pa, name))

    series = Chebyshev.interpolate(values, DEGREE, domain=[low_degC, high_degC])
    powers = np.polynomial.chebyshev.cheb2poly(series.coef)[::-1]
    return _Polynomial(low_degC, high_degC, tuple(float(c) for c in powers))


def _from_table(fluid: Fluid, pressure_Pa: float) -> FluidProperties:
    """Join a user's table by monotone cubics, which never overshoot between its rows."""
    if fluid.table is None:
        raise EvaluationError("fluid of kind 'table': no table is given. Give a property table.")
    columns = _checked_columns(fluid.table)
    t = columns["temperature_degC"]

    def curve(values: Array) -> PchipInterpolator:
        return PchipInterpolator(t, values, extrapolate=False)

    heat_capacity = curve(columns["heat_capacity_J_kgK"])
    over_inverse = PchipInterpolator(
        _inverse(t), np.log(columns["viscosity_Pa_s"]), extrapolate=False
    )
    curves = _Curves(
        density=curve(columns["density_kg_m3"]),
        enthalpy=heat_capacity.antiderivative(),
        heat_capacity=heat_capacity,
        viscosity=_Exponential(_OverInverse(over_inverse)),
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
