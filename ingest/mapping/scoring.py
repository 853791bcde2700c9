"""How badly a mapping of points to roles offends physics, as a penalty in nats.

Order: heat flows from the hotter to the colder stream, so the primary supply is the hottest and the
secondary return, but for the thermometers' errors, the coldest. Cold end: more primary water for more
load leaves it further from the secondary return, whatever constant errors the thermometers have.
Balance: what one side gives the other takes, and the heat meter shows. The size of a penalty is minus the logarithm of how probable
ordinary instruments make what is seen; the scales below are common practice, not of a standard.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import product
from math import log

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

MAIN = (
    "primary_supply_temperature",
    "primary_return_temperature",
    "secondary_supply_temperature",
    "secondary_return_temperature",
)
FLOWS = ("primary_flow", "secondary_flow")
POWER = "heat_power"
# Water between 20 and 100 degC holds 4.05 to 4.17 MJ/(m3 K) (density by heat capacity); thirty
# per cent of glycol takes a tenth off, which the scale of the balance allows for.
HEAT_PER_VOLUME_J_m3K = 4.1e6

_THERMOMETER_K = 0.8  # two thermometers of a plant against each other, one standard deviation
_BALANCE = 0.08  # logarithm of the duty of one side over the other's
_SCATTER_LEAST = 0.05
_SCATTER_WEIGHT = 8.0
_DRIVING_K = 8.0  # inlet against inlet; below it the exchanger idles
_DIFFERENCE_K = 2.0  # a smaller one says little of a duty
_HOURS_LEAST = 24
# The cold end against load: how far a quarter of the hours may fall behind by chance, in kelvin.
_COLD_END_K = 0.15
_LOADS_APART = (
    1.15  # capacity rate of the primary at much over little load; below it nothing is told
)
_MOST = 25.0  # no single observation is surer than this
# Medians in use; outside: no such stream of a building. (low, high) in degC
_MEDIANS = {
    "primary_supply_temperature": (40.0, 150.0),
    "primary_return_temperature": (15.0, 95.0),
    "secondary_supply_temperature": (22.0, 105.0),
    "secondary_return_temperature": (12.0, 85.0),
}
# Logarithm of secondary over primary flow in plants in use: 0.7 to 4.4 times; common practice.
_FLOWS_RATIO, _FLOWS_RATIO_BAND, _FLOWS_RATIO_SCALE = 0.56, 0.92, 0.3
# hotter and colder of each pair
_ORDER = (
    ("primary_supply_temperature", "primary_return_temperature"),
    ("primary_supply_temperature", "secondary_supply_temperature"),
    ("primary_return_temperature", "secondary_return_temperature"),
    ("secondary_supply_temperature", "secondary_return_temperature"),
)


@dataclass(frozen=True, slots=True)
class Relation:
    """One balance: the median of its logarithm, by which units show, and its scatter."""

    name: str
    median: float
    scatter: float


def order_penalty(T: Mapping[str, Array]) -> tuple[float, NDArray[np.bool_]]:
    """Return the penalty of the four temperatures' order, and the hours in which heat was moved.

    Infinite where too few hours have all four, or a median is none of such a stream.
    """
    stack = np.vstack([T[r] for r in MAIN])
    running = np.isfinite(stack).all(axis=0) & (stack[0] - stack[3] > _DRIVING_K)
    if np.count_nonzero(running) < _HOURS_LEAST:
        return np.inf, running
    penalty = 0.0
    for role, values in zip(MAIN, stack, strict=True):
        low, high = _MEDIANS[role]
        if not low <= float(np.median(values[running])) <= high:
            return np.inf, running
    for hotter, colder in _ORDER:
        difference = T[hotter][running] - T[colder][running]
        short = max(0.0, -float(np.median(difference)))
        # a stream that is often, if not mostly, on the wrong side belongs there even less
        often = float(np.mean(difference < -3.0 * _THERMOMETER_K))
        penalty += min(_MOST, 0.5 * (short / _THERMOMETER_K) ** 2 + 12.0 * often)
    # plates bring the outgoing primary near the incoming secondary, or else are far too few: a
    # difference at the cold end that is most of the driving one has two roles mixed up
    share = np.median((T[MAIN[1]] - T[MAIN[3]])[running] / (T[MAIN[0]] - T[MAIN[3]])[running])
    penalty += 10.0 * max(0.0, float(share) - 0.45)
    # what one side cools and the other warms stand in the inverse ratio of their flows
    fall, rise = T[MAIN[0]] - T[MAIN[1]], T[MAIN[2]] - T[MAIN[3]]
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = float(np.median(np.log(np.maximum(fall, 0.1) / np.maximum(rise, 0.1))[running]))
    beyond = max(0.0, abs(ratio - _FLOWS_RATIO) - _FLOWS_RATIO_BAND)
    penalty += min(_MOST, 0.5 * (beyond / _FLOWS_RATIO_SCALE) ** 2)
    return penalty, running


def cold_end_penalty(
    T: Mapping[str, Array], other: Mapping[str, Array], running: NDArray[np.bool_]
) -> float:
    """Return the penalty of a cold end that closes as the load rises, which two mixed-up returns show.

    Both returns lie within a kelvin or two of each other, so that their order alone tells little. With
    more primary flow the plates have fewer transfer units, and the primary leaves warmer above the
    secondary return; a difference that moves the other way is that of the returns taken for each
    other. Zero where no load is metered, or the primary's flow hardly follows it: at a constant primary
    flow more secondary water closes the cold end, rightly.
    """
    fall, rise = T[MAIN[0]] - T[MAIN[1]], T[MAIN[2]] - T[MAIN[3]]
    if POWER in other:
        load = other[POWER]
    elif FLOWS[0] in other:
        load = other[FLOWS[0]] * fall
    elif FLOWS[1] in other:
        load = other[FLOWS[1]] * rise
    else:
        return 0.0
    used = running & (load > 0) & (fall > _DIFFERENCE_K)
    if np.count_nonzero(used) < 4 * _HOURS_LEAST:
        return 0.0
    load, cold_end = load[used], (T[MAIN[1]] - T[MAIN[3]])[used]
    rate = load / fall[used]
    low, high = np.quantile(load, [0.25, 0.75])
    little, much = load <= low, load >= high
    if not np.median(rate[much]) > _LOADS_APART * np.median(rate[little]):
        return 0.0
    closes_by = float(np.median(cold_end[little]) - np.median(cold_end[much]))
    return min(_MOST, 0.5 * (max(0.0, closes_by) / _COLD_END_K) ** 2)


def relations(
    T: Mapping[str, Array], other: Mapping[str, Array], running: NDArray[np.bool_]
) -> list[Relation]:
    """Return the balances that the points allow; ``other`` holds flows and power in SI units."""
    duties: dict[str, Array] = {}
    for flow, warm, cold in ((FLOWS[0], MAIN[0], MAIN[1]), (FLOWS[1], MAIN[2], MAIN[3])):
        if flow in other:
            difference = np.where(T[warm] - T[cold] > _DIFFERENCE_K, T[warm] - T[cold], np.nan)
            duties[flow] = HEAT_PER_VOLUME_J_m3K * other[flow] * difference
    if POWER in other:
        duties[POWER] = other[POWER]
    names = list(duties)
    found: list[Relation] = []
    for i, first in enumerate(names):
        for second in names[i + 1 :]:
            both = running & (duties[first] > 0) & (duties[second] > 0)
            if np.count_nonzero(both) < _HOURS_LEAST:
                found.append(Relation(f"{first}/{second}", 9.9, 9.9))
                continue
            ratio = np.log(duties[first][both] / duties[second][both])
            median = float(np.median(ratio))
            scatter = 1.4826 * float(np.median(np.abs(ratio - median)))
            found.append(Relation(f"{first}/{second}", median, scatter))
    return found


def balance_penalty(
    found: Iterable[Relation], factors: Mapping[str, Mapping[str, tuple[float, float]]]
) -> tuple[float, dict[str, str]]:
    """Return the least penalty of the balances over the units that the points may have.

    ``factors`` gives for each flow and power the units it may have: the factor on its values, and the
    penalty of that unit. The second value names the units chosen.
    """
    found = list(found)
    fixed = sum(
        min(_MOST, _SCATTER_WEIGHT * log(max(r.scatter, _SCATTER_LEAST) / _SCATTER_LEAST))
        for r in found
    )
    names = list(factors)
    best, chosen = np.inf, {}
    for units in product(*(factors[n] for n in names)):
        used = dict(zip(names, units, strict=True))
        penalty = sum(factors[n][u][1] for n, u in used.items())
        for r in found:
            first, second = r.name.split("/")
            shift = log(factors[first][used[first]][0] / factors[second][used[second]][0])
            penalty += min(_MOST, 0.5 * ((r.median + shift) / _BALANCE) ** 2)
        if penalty < best:
            best, chosen = penalty, used
    return (best if names else 0.0) + fixed, chosen
