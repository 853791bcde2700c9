"""What the deposit costs: the same hours worked out again with clean plates.

Lives here: primary flow and return temperature that would have handed over the same heat, their
cost under a tariff, and the sum so far. Not here: a usual year (usual_year.py), when a visit pays
(visit.py), the growth of the deposit (forecast.py).

The building is taken to want the same heat at the same secondary inlet and flow whatever the plates
look like; a controller then opens the primary valve until it gets it. What differs is

- *return temperature*: joules taken times the kelvins of primary return above the free level;
- *volume*: cubic metres of network water;
- *pumping*: electricity to push that water through the exchanger, pressure drop as flow squared;
- *unmet heat*: joules that even the largest flow does not hand over, at the price of going without;
- *heat*: nothing. The heat asked for is charged alike in both cases; a building that is left cold is
  not booked as a saving, so the price of unmet heat is one net of the network heat not taken.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.physics.effectiveness import temperature_effectiveness
from analytics.physics.temperature_difference import surface_mean_temperatures
from analytics.vocabulary.errors import EvaluationError
from analytics.vocabulary.records import Estimate, Tariff

Floats = NDArray[np.float64]
LineCode = Literal["heat", "return temperature", "volume", "pumping", "unmet heat"]

COST_LINES: tuple[LineCode, ...] = (
    "heat", "return temperature", "volume", "pumping", "unmet heat",
)  # fmt: skip
PUMP_EFFICIENCY = 0.5  # of pump and motor together; usual for circulators of this size
USUAL_PRESSURE_DROP_Pa = 20_000.0  # at the largest flow, where the register has none
SECONDS_PER_HOUR = 3600.0
_SOLVER_ROUNDS = 11  # of regula falsi on logarithms, which are nearly straight: to 1e-9 of the flow


class ConductanceModel(Protocol):
    """This very exchanger: UA from flows, temperatures and deposit."""

    @property
    def arrangement(self) -> str:
        """Name of the pass arrangement, as in ``analytics.physics.effectiveness``."""

    def UA_W_K(
        self,
        primary_kg_s: Floats,
        secondary_kg_s: Floats,
        primary_mean_degC: Floats,
        secondary_mean_degC: Floats,
        fouling: Floats,
    ) -> Floats:
        """Return UA, shape (n,), all inputs (n,); ``fouling`` in the unit the caller keeps to. [W/K]"""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RunningHours:
    """Hours in which the exchanger ran; all arrays (n,). Rows with a NaN are not used.

    ``heat_W`` is the heat the building wants: what it took, or what its set point asked for.
    ``hours`` is how many hours a row stands for. Fouling in the unit of the conductance model.
    """

    time_utc: NDArray[np.datetime64]
    hours: Floats
    primary_inlet_degC: Floats
    secondary_inlet_degC: Floats
    heat_W: Floats
    secondary_kg_s: Floats
    secondary_cp_J_kgK: Floats
    primary_cp_J_kgK: Floats
    primary_density_kg_m3: Floats  # where the network's meter sits
    fouling: Floats
    fouling_low: Floats
    fouling_high: Floats

    def __len__(self) -> int:
        return len(self.time_utc)

    def subset(self, chosen: NDArray[np.bool_] | NDArray[np.intp]) -> "RunningHours":
        """Return the rows that a mask or an index array picks."""
        return RunningHours(**{name: getattr(self, name)[chosen] for name in self.__slots__})

    def usable(self) -> "RunningHours":
        """Return the rows that can be worked out: nothing missing, and heat that can flow."""
        columns = np.column_stack(
            [getattr(self, name) for name in self.__slots__ if name != "time_utc"]
        )
        runs = (self.heat_W > 0) & (self.primary_inlet_degC > self.secondary_inlet_degC)
        return self.subset(np.isfinite(columns).all(axis=1) & runs & (self.secondary_kg_s > 0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Hydraulics:
    """The largest primary flow the valve and the network allow, and what it takes to push it.

    ``primary_most_kg_s`` is one number, or one for each of the hours it is used with.
    """

    primary_most_kg_s: float | Floats
    pressure_drop_Pa: float = USUAL_PRESSURE_DROP_Pa
    at_kg_s: float | None = None  # flow of that pressure drop; None: the largest

    def __post_init__(self) -> None:
        if not np.all(np.asarray(self.primary_most_kg_s) > 0):
            raise EvaluationError(
                f"money: the largest primary flow must be positive, got {self.primary_most_kg_s!r}. "
                "Give the design flow in the register."
            )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PrimarySide:
    """What the network side does in each hour; arrays (n,)."""

    primary_kg_s: Floats
    primary_return_degC: Floats
    delivered_W: Floats


def solve_primary(
    hours: RunningHours, fouling: Floats, model: ConductanceModel, hydraulics: Hydraulics
) -> PrimarySide:
    """Find the primary flow that hands over the wanted heat, hour by hour.

    The heat handed over rises with the flow, so the root is bracketed: below by the flow whose water
    would leave at the secondary inlet temperature, above by the largest flow. Where that one does
    not do, the hour runs at it and delivers less. Film temperatures are those of the wanted heat.
    """
    hot, cold, wanted = hours.primary_inlet_degC, hours.secondary_inlet_degC, hours.heat_W
    cp = hours.primary_cp_J_kgK
    secondary_W_K = hours.secondary_kg_s * hours.secondary_cp_J_kgK
    span = hot - cold
    warm = cold + wanted / secondary_W_K

    def delivered(flow: Floats) -> Floats:
        primary_W_K = flow * cp
        cooled = hot - np.minimum(wanted / primary_W_K, span)
        means = surface_mean_temperatures(hot, cooled, cold, warm)
        UA = model.UA_W_K(flow, hours.secondary_kg_s, *means, fouling)
        ratio = primary_W_K / secondary_W_K
        effectiveness = temperature_effectiveness(UA / primary_W_K, ratio, model.arrangement)
        return np.asarray(effectiveness * primary_W_K * span)

    most = np.full(len(hours), hydraulics.primary_most_kg_s)
    at_most = delivered(most)
    short = at_most < wanted
    least = np.log(np.minimum(wanted / (cp * span), most))
    flow = np.where(
        short, most, _root(lambda x: delivered(np.exp(x)) / wanted, least, np.log(most))
    )
    given = np.where(short, at_most, wanted)
    return PrimarySide(
        primary_kg_s=flow, primary_return_degC=hot - given / (flow * cp), delivered_W=given
    )


def _root(share: Callable[[Floats], Floats], low: Floats, high: Floats) -> Floats:
    """Return exp(x) where the logarithm of a rising share passes nought, by Illinois' regula falsi.

    References
    ----------
    .. [1] M. Dowell and P. Jarratt, A modified regula falsi method, BIT 11 (1971), 168-174.
    """
    x, y = low, high
    with np.errstate(divide="ignore", invalid="ignore"):
        at_x, at_y = np.log(share(x)), np.log(share(y))
        for _ in range(_SOLVER_ROUNDS):
            step = np.where(at_y == at_x, 0.0, at_y * (y - x) / (at_y - at_x))
            z = np.clip(y - step, low, high)
            at_z = np.log(share(z))
            crossed = at_z * at_y < 0
            # the end that stays put for two rounds loses half its weight
            x, at_x = np.where(crossed, y, x), np.where(crossed, at_y, at_x / 2.0)
            y, at_y = z, at_z
    return np.exp(y)


def cost_by_line(
    hours: RunningHours, side: PrimarySide, tariff: Tariff, hydraulics: Hydraulics
) -> dict[LineCode, Floats]:
    """Return the cost of each row by line of the account, arrays (n,), in the tariff's currency."""
    seconds = hours.hours * SECONDS_PER_HOUR
    volume_m3_s = side.primary_kg_s / hours.primary_density_kg_m3
    above = np.maximum(side.primary_return_degC - tariff.return_temperature_free_degC, 0.0)
    at = hydraulics.primary_most_kg_s if hydraulics.at_kg_s is None else hydraulics.at_kg_s
    drop_Pa = hydraulics.pressure_drop_Pa * (side.primary_kg_s / at) ** 2
    return {
        "heat": tariff.heat_per_J * hours.heat_W * seconds,
        "return temperature": tariff.return_temperature_per_J_K
        * side.delivered_W
        * seconds
        * above,
        "volume": tariff.volume_per_m3 * volume_m3_s * seconds,
        "pumping": tariff.electricity_per_J * drop_Pa * volume_m3_s / PUMP_EFFICIENCY * seconds,
        "unmet heat": tariff.unmet_heat_per_J
        * np.maximum(hours.heat_W - side.delivered_W, 0.0)
        * seconds,
    }


def recompute_hours(
    hours: RunningHours, model: ConductanceModel, tariff: Tariff, hydraulics: Hydraulics
) -> pd.DataFrame:
    """Work every usable hour out with its deposit and with clean plates.

    Returns
    -------
    DataFrame, index ``time_utc``
        ``primary_kg_s``, ``primary_return_degC``, ``delivered_W`` and one cost a line of the account,
        each with ``_now`` and ``_clean``; ``avoidable_cost`` is the sum of the differences.
    """
    hours = hours.usable()
    out: dict[str, Floats] = {}
    total = {}
    for name, fouling in (("now", hours.fouling), ("clean", np.zeros(len(hours)))):
        side = solve_primary(hours, fouling, model, hydraulics)
        out[f"primary_kg_s_{name}"] = side.primary_kg_s
        out[f"primary_return_degC_{name}"] = side.primary_return_degC
        out[f"delivered_W_{name}"] = side.delivered_W
        lines = cost_by_line(hours, side, tariff, hydraulics)
        out |= {f"{code} {name}": cost for code, cost in lines.items()}
        total[name] = np.sum(list(lines.values()), axis=0)
    out["avoidable_cost"] = total["now"] - total["clean"]
    return pd.DataFrame(out, index=pd.DatetimeIndex(hours.time_utc, name="time_utc", tz="UTC"))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AvoidableCost:
    """What clean plates would have saved: by line, in all, and by hour (value, low, high)."""

    lines: Mapping[LineCode, Estimate]
    total: Estimate
    by_hour: pd.DataFrame  # index time_utc; avoidable_cost, avoidable_cost_low, avoidable_cost_high


def avoidable(
    hours: RunningHours,
    model: ConductanceModel,
    tariff: Tariff,
    hydraulics: Hydraulics,
    *,
    model_relative_sd: float = 0.05,
) -> AvoidableCost:
    """Sum what the deposit has cost over ``hours``, with an interval.

    The bounds take the fouling of all hours at its low, then at its high end, as what makes them
    uncertain (the clean reference) is common to all; ``model_relative_sd`` is the doubt about the
    rest of the sum (film exponents, tariff periods, the pump), added in quadrature.
    """
    hours = hours.usable()
    clean = costs_of_hours(hours, np.zeros(len(hours)), model, tariff, hydraulics)
    extra = {
        name: costs_of_hours(hours, fouling, model, tariff, hydraulics) - clean
        for name, fouling in (
            ("value", hours.fouling), ("low", hours.fouling_low), ("high", hours.fouling_high),
        )
    }  # fmt: skip
    doubt = 1.645 * model_relative_sd
    sums = {name: cost.sum(axis=1) for name, cost in extra.items()}
    lines = {
        code: _widened(sums["value"][i], sums["low"][i], sums["high"][i], doubt)
        for i, code in enumerate(COST_LINES)
    }
    hourly = {name: cost.sum(axis=0) for name, cost in extra.items()}
    return AvoidableCost(
        lines=lines,
        total=_widened(sums["value"].sum(), sums["low"].sum(), sums["high"].sum(), doubt),
        by_hour=pd.DataFrame(
            {
                "avoidable_cost": hourly["value"],
                "avoidable_cost_low": np.minimum(hourly["low"], hourly["value"]),
                "avoidable_cost_high": np.maximum(hourly["high"], hourly["value"]),
            },
            index=pd.DatetimeIndex(hours.time_utc, name="time_utc", tz="UTC"),
        ),
    )


def costs_of_hours(
    hours: RunningHours,
    fouling: Floats,
    model: ConductanceModel,
    tariff: Tariff,
    hydraulics: Hydraulics,
) -> Floats:
    """Return cost by line and row, shape (lines, n)."""
    side = solve_primary(hours, fouling, model, hydraulics)
    lines = cost_by_line(hours, side, tariff, hydraulics)
    return np.array([lines[code] for code in COST_LINES])


def _widened(value: float, low: float, high: float, doubt: float) -> Estimate:
    """Widen an interval by a relative doubt about its value."""
    low, high = min(low, value), max(high, value)
    more = abs(value) * doubt
    return Estimate(
        value=float(value),
        low=float(value - np.hypot(value - low, more)),
        high=float(value + np.hypot(high - value, more)),
    )
