"""How a deposit grows, and what visits leave of it."""

from collections.abc import Callable
from datetime import datetime

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.optimize import brentq

from demo_data.simulator.cells import Films, deposit_profile
from demo_data.simulator.plate import design_flows, design_inlets, outlets
from demo_data.simulator.scenario import Deposit, PlantUnit, Scenario, Weather
from demo_data.simulator.water import Array
from demo_data.simulator.weather import outdoor_and_network

_DAY_S = 86400.0
_USUAL_SUPPLY_degC = 85.0
Clock = Callable[[pd.DatetimeIndex], Array]


def kern_seaton(days: ArrayLike, asymptote: float, time_constant_days: float) -> Array:
    """Return the fouling resistance of Kern and Seaton's law, in the unit of ``asymptote``.

    References
    ----------
    .. [1] D. Q. Kern, R. E. Seaton, A theoretical analysis of thermal surface fouling,
       British Chemical Engineering 4 (1959) 258-262.
    """
    t = np.maximum(np.asarray(days, dtype=float), 0.0)
    return np.asarray(asymptote * -np.expm1(-t / time_constant_days))


def growth(law: Deposit, days: ArrayLike, span: float | None = None) -> Array:
    """Return the deposit over its amount at ``law.reached``, by days since it began to grow.

    ``span`` is the time from ``law.start`` to ``law.reached``, in days of the deposit's own clock;
    ``None``: that clock runs as the calendar does.
    """
    t = np.maximum(np.asarray(days, dtype=float), 0.0)
    span = (law.reached - law.start).total_seconds() / _DAY_S if span is None else span
    if law.law == "linear":
        return np.asarray(t / span)
    if law.law == "stops":
        return np.asarray(np.minimum(t / span, 1.0))
    if law.law == "falling":
        return np.asarray((t / span) ** law.power)
    if law.law == "asymptotic":
        at_span = float(kern_seaton(span, 1.0, law.time_constant_days))
        return kern_seaton(t, 1.0, law.time_constant_days) / at_span
    return np.asarray((np.asarray(days, dtype=float) >= 0.0).astype(float))


def clock_of(law: Deposit, weather: Weather, until: pd.Timestamp) -> Clock:
    """Return the deposit's own clock: days it has counted since ``law.start``, by UTC stamps.

    Its rate is 1 + seasonal cos(turn of the year) + per_kelvin (network supply - 85 degC), not
    below 0.1; with neither it is the calendar.
    """
    start = pd.Timestamp(law.start)

    def calendar(index: pd.DatetimeIndex) -> Array:
        return np.asarray((index - start).total_seconds(), dtype=float) / _DAY_S

    if law.per_kelvin == 0.0 and law.seasonal == 0.0:
        return calendar
    daily = pd.date_range(start, max(until, pd.Timestamp(law.reached)) + pd.Timedelta(days=2))
    _, network = outdoor_and_network(weather, daily)
    turn = 2.0 * np.pi * (np.asarray(daily.day_of_year, dtype=float) - 18.0) / 365.25
    rate = 1.0 + law.seasonal * np.cos(turn) + law.per_kelvin * (network - _USUAL_SUPPLY_degC)
    rate = np.maximum(rate, 0.1)
    counted = np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]))])

    def own(index: pd.DatetimeIndex) -> Array:
        days = calendar(index)
        # before its start a clock that runs evenly is as good as any
        return np.where(days < 0.0, days, np.interp(days, np.arange(counted.size), counted))

    return own


def resistance_of_share(unit: PlantUnit, films: Films, share_lost: float, profile: Array) -> float:
    """Return the mean fouling resistance that costs ``share_lost`` of UA at the design state."""
    if share_lost <= 0.0:
        return 0.0
    flow = np.full(2, design_flows(unit)[0])

    def miss(resistance: float) -> float:
        inlets = design_inlets(unit, np.array([resistance, 0.0]), unit.plates)
        UA = outlets(films, profile, inlets, flow).UA_W_K
        return float(UA[0] / UA[1]) - (1.0 - share_lost)

    return float(brentq(miss, 0.0, 5e-3, xtol=1e-10))


def fouling_resistance(scenario: Scenario, films: Films, index: pd.DatetimeIndex) -> Array:
    """Return the mean fouling resistance at each instant, shape (n,)."""
    unit, deposit = scenario.unit, scenario.deposit
    if deposit is None:
        return np.zeros(len(index))
    profile = deposit_profile(unit.cells, deposit.unevenness)
    full = resistance_of_share(unit, films, deposit.share_lost, profile)
    visits = sorted(scenario.cleanings, key=lambda c: c.at)
    latest = max([index.max(), *(pd.Timestamp(v.at) for v in visits)])
    clock = clock_of(deposit, scenario.weather, latest)

    def reads(moment: datetime) -> float:
        return float(clock(pd.DatetimeIndex([pd.Timestamp(moment)]))[0])

    age, span = clock(index), reads(deposit.reached)
    result = full * growth(deposit, age, span)
    kept, started = 0.0, 0.0
    for visit in visits:
        at = reads(visit.at)
        before = kept + full * float(growth(deposit, at - started, span))
        if deposit.law == "step" and started > 0.0:
            before = kept
        kept, started = before * (1.0 - visit.share_recovered), max(at, 0.0)
        # a step deposit does not come back by itself
        stays = deposit.law == "step" and at >= 0.0
        again = np.zeros_like(age) if stays else full * growth(deposit, age - started, span)
        result = np.where(age >= at, kept + again, result)
    return np.asarray(result)
