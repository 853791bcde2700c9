"""The only place where units are converted, both on the way in and on the way out.

Conversions come from the units library; nothing here is a factor typed by hand. A temperature is
degC at every boundary, a temperature difference kelvin, everything else plain SI.
"""

from functools import cache
from tokenize import TokenError

import numpy as np
import pint
from numpy.typing import ArrayLike, NDArray

from analytics.vocabulary.errors import UnitError

_REGISTRY: pint.UnitRegistry[float] = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)

# Conventional metre of water column (ISO 80000-4 remarks: 1 mmH2O = 9.806 65 Pa).
_REGISTRY.define("meter_of_water = 9806.65 pascal")

# What the units library raises for a word that is no unit.
_NOT_A_UNIT = (
    pint.PintError, ValueError, TypeError, AttributeError, TokenError, AssertionError,
    ArithmeticError, RecursionError,
)  # fmt: skip

# How building-management systems spell units, beside what the units library knows already.
SPELLINGS: dict[str, str] = {
    "°c": "degC", "c": "degC", "degc": "degC", "deg c": "degC", "celsius": "degC", "grad c": "degC",
    "degrees-celsius": "degC", "℃": "degC",
    "°f": "degF", "f": "degF", "degf": "degF", "deg f": "degF", "degrees-fahrenheit": "degF", "℉": "degF",
    "k": "kelvin", "degrees-kelvin": "kelvin",
    "l/s": "liter/second", "l/sec": "liter/second", "liters-per-second": "liter/second",
    "l/min": "liter/minute", "liters-per-minute": "liter/minute", "lpm": "liter/minute",
    "l/h": "liter/hour", "l/hr": "liter/hour", "lph": "liter/hour", "liters-per-hour": "liter/hour",
    "m3/h": "meter**3/hour", "m³/h": "meter**3/hour", "m3/hr": "meter**3/hour", "cbm/h": "meter**3/hour",
    "m^3/h": "meter**3/hour", "cubic-meters-per-hour": "meter**3/hour",
    "m3/s": "meter**3/second", "m³/s": "meter**3/second", "cubic-meters-per-second": "meter**3/second",
    "gpm": "gallon/minute", "gal/min": "gallon/minute", "us gpm": "gallon/minute", "usgpm": "gallon/minute",
    "us-gallons-per-minute": "gallon/minute",
    "m3": "meter**3", "m³": "meter**3", "cbm": "meter**3", "l": "liter", "cubic-meters": "meter**3",
    "w": "watt", "kw": "kilowatt", "mw": "megawatt", "kilowatts": "kilowatt", "megawatts": "megawatt",
    "gj": "gigajoule", "mj": "megajoule", "kj": "kilojoule", "j": "joule",
    "wh": "watt_hour", "kwh": "kilowatt_hour", "mwh": "megawatt_hour", "gwh": "gigawatt_hour",
    "kilowatt-hours": "kilowatt_hour", "megawatt-hours": "megawatt_hour",
    "btu/h": "Btu/hour", "btu/hr": "Btu/hour", "mbh": "kBtu/hour", "kbtu/h": "kBtu/hour",
    "pa": "pascal", "kpa": "kilopascal", "mbar": "millibar", "bar": "bar", "psi": "psi",
    "mh2o": "meter_of_water", "mws": "meter_of_water",
    "%": "percent", "percent": "percent", "pct": "percent", "": "dimensionless", "-": "dimensionless",
    "1": "dimensionless", "bool": "dimensionless", "on/off": "dimensionless",
    "mm": "millimeter", "m2": "meter**2", "m²": "meter**2",
    "m2 k/w": "meter**2*kelvin/watt", "m²k/w": "meter**2*kelvin/watt",
    "w/m2k": "watt/meter**2/kelvin", "kw/k": "kilowatt/kelvin",
}  # fmt: skip


@cache
def parse_unit(text: str) -> pint.Unit:
    """Return the unit that ``text`` spells; case and blanks do not matter for known spellings.

    Raises
    ------
    UnitError
        If neither the spellings above nor the units library know it.
    """
    spelling = " ".join(text.strip().lower().split())
    try:
        return _REGISTRY.Unit(SPELLINGS.get(spelling, text.strip()))
    except _NOT_A_UNIT as exc:
        raise UnitError(
            f"unit {text!r} is not known. Write it as in degC, degF, m3/h, l/s, gpm, kW, MWh, kPa, bar, %."
        ) from exc


def is_unit(text: str) -> bool:
    """Tell whether ``text`` spells a unit that :func:`parse_unit` knows."""
    try:
        parse_unit(text)
    except UnitError:
        return False
    return bool(text.strip())


def convert(values: ArrayLike, unit_from: str, unit_to: str) -> NDArray[np.float64]:
    """Convert absolute values (a temperature keeps its zero point) from one unit to another.

    Raises
    ------
    UnitError
        If a unit is unknown or the two differ in dimension.
    """
    source, target = parse_unit(unit_from), parse_unit(unit_to)
    array = np.asarray(values, dtype=float)
    try:
        return np.asarray(_REGISTRY.Quantity(array, source).to(target).magnitude, dtype=float)
    except pint.DimensionalityError as exc:
        raise UnitError(
            f"unit {as_written(unit_from)!r} cannot be turned into {as_written(unit_to)!r}: "
            "they measure different things."
        ) from exc


def as_written(unit: str) -> str:
    """Return a unit as people write it: ``m**3/s`` of the code is m³/s to them."""
    return unit.replace("**3", "³").replace("**2", "²").replace("*", "·")


def convert_difference(values: ArrayLike, unit_from: str, unit_to: str) -> NDArray[np.float64]:
    """Convert differences: 1 K is 1.8 degF, whatever the zero points are."""
    zero = convert(0.0, unit_from, unit_to)
    return convert(values, unit_from, unit_to) - zero
