"""What the deposit costs: the same hours worked out again with clean plates.

Lives here: primary flow and return temperature that would have handed over the same heat, their
cost under a tariff, the sum so far, and a usual year at several levels of deposit. Not here: when a
visit pays (visit.py), the growth of the deposit (forecast.py).

The building is taken to want the same heat at the same secondary inlet and flow whatever the plates
look like; a controller then opens the primary valve until it gets it. What differs is

- *return temperature*: joules taken times the kelvins of primary return above the free level;
- *volume*: cubic metres of network water;
- *pumping*: electricity to push that water through the exchanger, pressure drop as flow squared;
- *unmet heat*: joules that even the largest flow does not hand over, at the price of going without;
- *heat*: nothing. The heat asked for is charged alike in both cases; a building that is left cold is
  not booked as a saving, so the price of unmet heat is one net of the network heat not taken.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal, Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.physics.effectiveness import temperature_effectiveness
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
_SOLVER_ROUNDS = 26  # halvings of ln flow: to 1e-7 of it


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
    """The largest primary flow the valve and the network allow, and what it takes to push it."""

    primary_most_kg_s: float
    pressure_drop_Pa: float = USUAL_PRESSURE_DROP_Pa
    at_kg_s: float | None = None  # flow of that pressure drop; None: the largest

    def __post_init__(self) -> None:
        if not self.primary_most_kg_s > 0:
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
    secondary_mean = cold + wanted / secondary_W_K / 2.0

    def delivered(flow: Floats) -> Floats:
        primary_W_K = flow * cp
        primary_mean = hot - np.minimum(wanted / primary_W_K, span) / 2.0
        UA = model.UA_W_K(flow, hours.secondary_kg_s, primary_mean, secondary_mean, fouling)
        ratio = primary_W_K / secondary_W_K
        effectiveness = temperature_effectiveness(UA / primary_W_K, ratio, model.arrangement)
        return np.asarray(effectiveness * primary_W_K * span)

    most = np.full(len(hours), hydraulics.primary_most_kg_s)
    low, high = np.log(np.minimum(wanted / (cp * span), most)), np.log(most)
    for _ in range(_SOLVER_ROUNDS):
        middle = (low + high) / 2.0
        enough = delivered(np.exp(middle)) >= wanted
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    at_most = delivered(most)
    short = at_most < wanted
    flow = np.where(short, most, np.exp(high))
    given = np.where(short, at_most, wanted)
    return PrimarySide(
        primary_kg_s=flow, primary_return_degC=hot - given / (flow * cp), delivered_W=given
    )


def cost_by_line(
    hours: RunningHours, side: PrimarySide, tariff: Tariff, hydraulics: Hydraulics
) -> dict[LineCode, Floats]:
    """Return the cost of each row by line of the account, arrays (n,), in the tariff's currency."""
    seconds = hours.hours * SECONDS_PER_HOUR
    volume_m3_s = side.primary_kg_s / hours.primary_density_kg_m3
    above = np.maximum(side.primary_return_degC - tariff.return_temperature_free_degC, 0.0)
    at = hydraulics.at_kg_s or hydraulics.primary_most_kg_s
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
    clean = _costs(hours, np.zeros(len(hours)), model, tariff, hydraulics)
    extra = {
        name: _costs(hours, fouling, model, tariff, hydraulics) - clean
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


def _costs(
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


# --- a usual year ----------------------------------------------------------------------------------

_DAYS_IN_MONTH = np.array([31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
# How cold the months are, January 1, July -1: what a month that was not seen is taken to be like.
_COLDNESS = np.cos(2.0 * np.pi * np.arange(12) / 12.0)
_COLDNESS_OF_NO_HEATING = -0.6
_LEVELS = 7
_ROWS_MOST = 1500


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TypicalYear:
    """Rows whose ``hours`` add up to a usual year's running hours, with their calendar month."""

    rows: RunningHours
    month: NDArray[np.intp]  # 0 to 11, the month each row stands for
    share_observed: float  # of the year's days whose months were seen; the rest stands in


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CostTable:
    """Cost of a deposit a day, by line, level of deposit and calendar month."""

    levels: Floats  # (k,), evenly spaced from nought, in the unit of the conductance model
    per_day: Floats  # (lines, k, 12)
    share_observed: float

    def cost_rate(self, fouling: Floats, month: NDArray[np.intp]) -> Floats:
        """Return cost a day by line, shape (lines, *shape); beyond the last level on the last slope.

        ``month`` 0 to 11, broadcasts with ``fouling``. A negative deposit costs nothing.
        """
        fouling, month = np.broadcast_arrays(np.maximum(fouling, 0.0), month)
        position = fouling / self.levels[1]
        at = np.minimum(position.astype(int), len(self.levels) - 2)
        lower, upper = self.per_day[:, at, month], self.per_day[:, at + 1, month]
        return np.asarray(lower + (position - at) * (upper - lower))


def typical_year(
    hours: RunningHours, logged_days: NDArray[np.datetime64] | None = None
) -> TypicalYear:
    """Make a usual year of the last twelve months of ``hours``, filling months that were not seen.

    A month seen for some days stands for all of them. A month not seen is given the rows of the seen
    one whose cold is nearest (November for March), fewer of them as the difference grows, and none
    in a summer whose like was not seen.

    Parameters
    ----------
    logged_days : ndarray of datetime64[D], optional
        Days with trends, running or not. Without: every day from the first hour to the last.
    """
    hours = hours.usable()
    if not len(hours):
        raise EvaluationError("money: no running hour to make a usual year of.")
    day = hours.time_utc.astype("datetime64[D]")
    last = day.max() if logged_days is None else logged_days.max()
    first = last - np.timedelta64(364, "D")
    hours = hours.subset(day >= first)
    if logged_days is None:
        logged_days = np.arange(max(first, day.min()), last + np.timedelta64(1, "D"))
    logged_days = np.unique(logged_days[logged_days >= first].astype("datetime64[D]"))
    seen_days = np.bincount(_month(logged_days), minlength=12).astype(float)
    seen = seen_days >= 3
    if not seen.any():
        seen = seen_days > 0
    month = _month(hours.time_utc)
    pieces, months = [], []
    for target in range(12):
        source, load = _stand_in(target, seen)
        rows = np.flatnonzero(month == source)
        piece = hours.subset(rows)
        scale = load * _DAYS_IN_MONTH[target] / seen_days[source]
        pieces.append(replace(piece, hours=piece.hours * scale))
        months.append(np.full(len(rows), target))
    joined = {
        name: np.concatenate([getattr(piece, name) for piece in pieces])
        for name in RunningHours.__slots__
    }
    return TypicalYear(
        rows=RunningHours(**joined),
        month=np.concatenate(months).astype(np.intp),
        share_observed=float(_DAYS_IN_MONTH[seen].sum() / _DAYS_IN_MONTH.sum()),
    )


def _month(time: NDArray[np.datetime64]) -> NDArray[np.intp]:
    return np.asarray(time.astype("datetime64[M]").astype(int) % 12, dtype=np.intp)


def _stand_in(target: int, seen: NDArray[np.bool_]) -> tuple[int, float]:
    """Return the month whose rows stand for ``target``, and the share of them."""
    if seen[target]:
        return target, 1.0
    apart = np.where(seen, np.abs(_COLDNESS - _COLDNESS[target]), np.inf)
    source = int(apart.argmin())
    load = (_COLDNESS[[target, source]] - _COLDNESS_OF_NO_HEATING).clip(min=0.0)
    if apart[source] < 0.3 or load[1] == 0.0:
        return source, 1.0
    return source, float(min(load[0] / load[1], 1.5))


def cost_table(
    year: TypicalYear,
    model: ConductanceModel,
    tariff: Tariff,
    hydraulics: Hydraulics,
    *,
    fouling_most: float,
) -> CostTable:
    """Work the usual year out at evenly spaced levels of deposit up to ``fouling_most``."""
    if not fouling_most > 0:
        raise EvaluationError(
            f"money: the largest deposit of a cost table must be positive, got {fouling_most!r}."
        )
    every = max(1, -(-len(year.rows) // _ROWS_MOST))
    chosen = np.arange(every // 2, len(year.rows), every)
    month = year.month[chosen]
    rows = year.rows.subset(chosen)
    whole = np.bincount(year.month, weights=year.rows.hours, minlength=12)
    part = np.bincount(month, weights=rows.hours, minlength=12)
    thinned = np.divide(whole, part, out=np.zeros(12), where=part > 0)
    rows = replace(rows, hours=rows.hours * thinned[month])
    levels = np.linspace(0.0, fouling_most, _LEVELS)
    cost = [_costs(rows, np.full(len(rows), level), model, tariff, hydraulics) for level in levels]
    into_months = (month[:, None] == np.arange(12)).astype(float) / _DAYS_IN_MONTH
    extra = (np.array(cost) - cost[0]) @ into_months
    return CostTable(
        levels=levels,
        per_day=np.ascontiguousarray(extra.transpose(1, 0, 2)),
        share_observed=year.share_observed,
    )
