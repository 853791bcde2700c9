"""Figures with their unit and interval, rounded for reading; the plant chooses the units.

A range is rounded so that its width keeps two significant figures, but never finer than the
quantity deserves (:attr:`Measure.finest`). Lives here: rounding and units. Not here: sentences.
"""

from dataclasses import dataclass
from math import floor, isfinite, log10

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analytics.vocabulary.records import Estimate
from analytics.vocabulary.units import convert, convert_difference
from service.register.plant import DisplayUnits

NBSP = "\u00a0"
MINUS = "\u2212"
EN_DASH = "\u2013"
CANNOT_TELL = "cannot tell"
_WORDS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten",
          "eleven", "twelve")  # fmt: skip

# How units are set in print where that differs from how they are typed.
_SYMBOLS: dict[str, str] = {
    "degC": "°C", "degF": "°F", "m3/h": "m³/h", "m3": "m³", "m3/s": "m³/s", "percent": "%",
}  # fmt: skip
_CURRENCY_SIGNS: dict[str, str] = {"EUR": "€", "GBP": "£", "USD": "$", "JPY": "¥"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """How one kind of quantity is shown: from the SI unit to the unit people see."""

    unit_from: str = ""
    unit_to: str = ""
    symbol: str = ""
    difference: bool = False
    finest: int = 2  # decimals beyond which digits mean nothing to a reader
    factor: float = 1.0  # for figures shown in powers of ten, whose symbol says so

    def shown(self, value: float) -> float:
        """Return ``value`` in the unit people see."""
        if not self.unit_from or self.unit_from == self.unit_to:
            return value * self.factor
        turn = convert_difference if self.difference else convert
        return float(turn(value, self.unit_from, self.unit_to)) * self.factor

    def shown_array(self, values: ArrayLike) -> NDArray[np.float64]:
        """Return ``values``, shape (n,), in the unit people see."""
        array = np.asarray(values, dtype=float)
        if not self.unit_from or self.unit_from == self.unit_to:
            return array * self.factor
        turn = convert_difference if self.difference else convert
        return turn(array, self.unit_from, self.unit_to) * self.factor

    def suffix(self) -> str:
        """Return the unit as it stands behind a figure, with its no-break space."""
        return f"{NBSP}{self.symbol}" if self.symbol else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A figure ready to be set: ``main`` with its unit, ``range`` without."""

    main: str
    range: str = ""
    bare: str = ""  # the figure without its unit, for columns that name it in their head

    @property
    def text(self) -> str:
        """The figure and its interval in one line, as in a sentence."""
        return f"{self.main} ({self.range})" if self.range else self.main


PERCENT = Measure(symbol="%", factor=100.0, finest=0)
FINE_PERCENT = Measure(symbol="%", factor=100.0, finest=1)
RATIO = Measure(finest=2)
PLAIN_COUNT = Measure(finest=0)
UNKNOWN = Figure(main=CANNOT_TELL, bare=CANNOT_TELL)


def symbol_of(unit: str) -> str:
    """Return how a unit of the register is set in print."""
    return _SYMBOLS.get(unit, unit.replace("m3", "m³"))


def measure_of(name: str, units: DisplayUnits) -> Measure:
    """Return how a quantity is shown whose SI unit ends its name (``offset_K``, ``short_W``)."""
    fahrenheit = symbol_of(units.temperature) == "°F"
    degrees = "°F" if fahrenheit else "K"
    match_by_ending: tuple[tuple[str, Measure], ...] = (
        ("_m2K_W", Measure(symbol=f"×{NBSP}10⁻⁴{NBSP}m²K/W", factor=1e4)),
        ("_W_m2K", Measure(symbol="W/m²K", finest=0)),
        ("_W_K", Measure(symbol="kW/K", factor=1e-3, finest=1)),
        ("_m3_s", _to("m**3/s", units.flow, 2)),
        ("_m3", _to("m**3", units.volume, 0)),
        ("_m2", Measure(symbol="m²", finest=1)),
        ("_degC", _to("degC", units.temperature, 1)),
        ("_Pa", _to("Pa", units.pressure, 1)),
        ("_mm", Measure(symbol="mm", finest=0)),
        ("_W", _to("W", units.power, 0 if symbol_of(units.power) != "MW" else 2)),
        ("_J", _to("J", units.energy, 0)),
        ("_K", Measure(unit_from="kelvin", unit_to="degF" if fahrenheit else "kelvin",
                       symbol=degrees, difference=True, finest=1)),
        ("_h", Measure(symbol="h", finest=0)),
        ("_m", Measure(symbol="mm", factor=1e3, finest=0)),
    )  # fmt: skip
    return next((m for ending, m in match_by_ending if name.endswith(ending)), RATIO)


def _to(unit_from: str, unit_to: str, finest: int) -> Measure:
    return Measure(unit_from=unit_from, unit_to=unit_to, symbol=symbol_of(unit_to), finest=finest)


def decimals_for(width: float, finest: int) -> int:
    """Return the decimals that leave two significant figures in ``width``, at most ``finest``.

    Negative decimals round to tens and hundreds.
    """
    if not (isfinite(width) and width > 0):
        return finest
    # 0.998 reads as 1.0: the width is rounded itself before its first figure is looked at
    return min(finest, 1 - floor(log10(float(f"{width:.1e}"))))


def number(value: float, decimals: int, *, signed: bool = False) -> str:
    """Return ``value`` with grouped thousands, a true minus sign and no negative zero."""
    if not isfinite(value):
        return CANNOT_TELL
    rounded = round(value, decimals)
    digits = f"{abs(rounded):,.{max(decimals, 0)}f}"
    if float(digits.replace(",", "")) == 0:
        return digits
    return f"{MINUS if rounded < 0 else '+' if signed else ''}{digits}"


def single(value: float, measure: Measure, *, signed: bool = False) -> str:
    """Return one figure with its unit and no interval."""
    if not isfinite(value):
        return CANNOT_TELL
    return number(measure.shown(value), measure.finest, signed=signed) + measure.suffix()


def bare_span(low: float, high: float, decimals: int) -> str:
    """Return a range: ``5.4–6.4``, or ``−0.1 to +0.5`` as soon as a minus appears."""
    if not (isfinite(low) and isfinite(high)):
        return ""
    signed = round(low, decimals) < 0 or round(high, decimals) < 0
    first, last = (number(v, decimals, signed=signed) for v in (low, high))
    if first == last:
        return first
    return f"{first}{NBSP}to{NBSP}{last}" if signed else f"{first}{EN_DASH}{last}"


def span(low: float, high: float, measure: Measure) -> str:
    """Return a range with its unit once."""
    lower, upper = measure.shown(low), measure.shown(high)
    if not (isfinite(lower) and isfinite(upper)):
        return CANNOT_TELL
    decimals = decimals_for(upper - lower, measure.finest)
    return bare_span(lower, upper, decimals) + measure.suffix()


def plain(value: float, measure: Measure) -> str:
    """Return an agreed figure (a design temperature) with its unit and no needless zeros."""
    if not isfinite(value):
        return CANNOT_TELL
    shown = round(measure.shown(value), measure.finest)
    decimals = 0 if shown == round(shown) else measure.finest
    return number(shown, decimals) + measure.suffix()


def with_power(estimate: Estimate | None, measure: Measure) -> str:
    """Return ``0.88 (0.79–0.98) × 10⁻⁴ m²K/W``: the power of ten belongs to the range too."""
    shown = figure(estimate, measure)
    if shown.main == CANNOT_TELL or not shown.range:
        return shown.main
    return f"{shown.bare} ({shown.range}){measure.suffix()}"


def figure(estimate: Estimate | None, measure: Measure, *, signed: bool = False) -> Figure:
    """Return an estimate ready to be set, its figure and range rounded alike."""
    if estimate is None or not isfinite(estimate.value):
        return UNKNOWN
    value, low, high = (measure.shown(v) for v in (estimate.value, estimate.low, estimate.high))
    decimals = decimals_for(high - low, measure.finest)
    bare = number(value, decimals, signed=signed)
    return Figure(main=bare + measure.suffix(), range=bare_span(low, high, decimals), bare=bare)


def counted(count: int, noun: str) -> str:
    """Return ``1 cell``, ``1,200 cells``: a count with its noun, in the plural but for one."""
    return f"{count:,} {noun}" if count == 1 else f"{count:,} {noun}s"


def currency_sign(currency: str) -> str:
    """Return what stands before a sum: a sign, or the code and a space where there is no sign."""
    return _CURRENCY_SIGNS.get(currency, f"{currency}{NBSP}")


def sum_of_money(value: float, currency: str, decimals: int = 0) -> str:
    """Return one sum with its currency: ``€1,450``, ``−€30``."""
    if not isfinite(value):
        return CANNOT_TELL
    digits = number(value, decimals)
    sign = MINUS if digits.startswith(MINUS) else ""
    return f"{sign}{currency_sign(currency)}{digits.removeprefix(MINUS)}"


def money(estimate: Estimate | None, currency: str) -> Figure:
    """Return a sum of money with its interval: ``€390`` and ``310–480``."""
    if estimate is None or not isfinite(estimate.value):
        return UNKNOWN
    decimals = decimals_for(estimate.high - estimate.low, 0)
    return Figure(
        main=sum_of_money(estimate.value, currency, decimals),
        range=bare_span(estimate.low, estimate.high, decimals),
        bare=number(estimate.value, decimals),
    )


def rounded_to_add_up(values: list[float], total: float) -> list[int]:
    """Round sums to whole units so that they add up by eye to the rounded total.

    What rounding leaves over goes to the lines whose fraction was largest, one unit each.
    """
    whole = [floor(v) for v in values]
    left_over = round(total) - sum(whole)
    by_fraction = sorted(range(len(values)), key=lambda i: values[i] - whole[i], reverse=True)
    for position in by_fraction[: max(0, left_over)]:
        whole[position] += 1
    return whole


def count_word(count: int) -> str:
    """Return a count as a word up to twelve, then as a figure."""
    return _WORDS[count] if 0 <= count < len(_WORDS) else f"{count:,}"
