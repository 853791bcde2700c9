"""How a deposit grows, and what visits leave of it."""

from datetime import datetime

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.optimize import brentq

from demo_data.simulator.plate import (
    Films,
    deposit_profile,
    design_flows,
    design_inlets,
    outlets,
)
from demo_data.simulator.scenario import Cleaning, Deposit, PlantUnit
from demo_data.simulator.water import Array

_DAY_S = 86400.0


def kern_seaton(days: ArrayLike, asymptote: float, time_constant_days: float) -> Array:
    """Return the fouling resistance of Kern and Seaton's law, in the unit of ``asymptote``.

    References
    ----------
    .. [1] D. Q. Kern, R. E. Seaton, A theoretical analysis of thermal surface fouling,
       British Chemical Engineering 4 (1959) 258-262.
    """
    t = np.maximum(np.asarray(days, dtype=float), 0.0)
    return np.asarray(asymptote * -np.expm1(-t / time_constant_days))


def growth(law: Deposit, days: ArrayLike) -> Array:
    """Return the deposit over its amount at ``law.reached``, by days since it began to grow."""
    t = np.maximum(np.asarray(days, dtype=float), 0.0)
    span = (law.reached - law.start).total_seconds() / _DAY_S
    if law.law == "linear":
        return np.asarray(t / span)
    if law.law == "falling":
        return np.asarray((t / span) ** law.power)
    if law.law == "asymptotic":
        at_span = float(kern_seaton(span, 1.0, law.time_constant_days))
        return kern_seaton(t, 1.0, law.time_constant_days) / at_span
    return np.asarray((np.asarray(days, dtype=float) >= 0.0).astype(float))


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


def fouling_resistance(
    unit: PlantUnit,
    films: Films,
    deposit: Deposit | None,
    cleanings: tuple[Cleaning, ...],
    index: pd.DatetimeIndex,
) -> Array:
    """Return the mean fouling resistance at each instant, shape (n,)."""
    if deposit is None:
        return np.zeros(len(index))
    profile = deposit_profile(unit.cells, deposit.unevenness)
    full = resistance_of_share(unit, films, deposit.share_lost, profile)

    def days_since(moment: datetime) -> Array:
        return np.asarray((index - pd.Timestamp(moment)).total_seconds(), dtype=float) / _DAY_S

    result = full * growth(deposit, days_since(deposit.start))
    kept, started = 0.0, deposit.start
    for visit in sorted(cleanings, key=lambda c: c.at):
        before = kept + full * float(growth(deposit, (visit.at - started).total_seconds() / _DAY_S))
        kept, started = before * (1.0 - visit.share_recovered), visit.at
        since = days_since(visit.at)
        # a step deposit does not come back by itself
        again = np.zeros_like(since) if deposit.law == "step" else full * growth(deposit, since)
        result = np.where(since >= 0.0, kept + again, result)
    return np.asarray(result)
