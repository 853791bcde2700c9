"""A unit at work: what leaves for given flows, or for a set point; its design state and its films.

The cells themselves are in ``cells.py``.
"""

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq

from demo_data.simulator.cells import Cells, Films, Inlets, Outlets, TwoPass, cells_of
from demo_data.simulator.scenario import PlantUnit
from demo_data.simulator.water import (
    WALL_EXPONENT,
    Array,
    Water,
    constant_water,
    liquid_of,
    water,
)

_BLOCK = 2048  # instants treated together: their fields stay in the processor's cache
_ROUNDS = 4  # of the fixed point on local properties; the change in UA is then below 1e-5
_SEARCH_ROUNDS = 14


def _blocks(inlets: Inlets) -> list[tuple[slice, Inlets]]:
    n = inlets.primary_degC.size
    slices = [slice(i, min(i + _BLOCK, n)) for i in range(0, n, _BLOCK)]
    return [(s, Inlets(**{k: v[s] for k, v in vars(inlets).items()})) for s in slices]


def _joined(parts: list[Outlets]) -> Outlets:
    if not parts:
        return Outlets(*(np.empty(0) for _ in range(6)))
    return Outlets(**{k: np.concatenate([getattr(p, k) for p in parts]) for k in vars(parts[0])})


def _finish(cells: Cells | TwoPass, primary_kg_s: Array, rounds: int) -> Outlets:
    for _ in range(rounds):
        primary_out, secondary_out, duty = cells.advance(primary_kg_s)
    UA, clean = cells.conductances(primary_kg_s)
    return Outlets(primary_kg_s, primary_out, secondary_out, duty, UA, clean)


def outlets(films: Films, profile: Array, inlets: Inlets, primary_kg_s: Array) -> Outlets:
    """Return what leaves for given flows (both positive)."""
    parts = [
        _finish(cells_of(films, profile, block), primary_kg_s[s], _ROUNDS)
        for s, block in _blocks(inlets)
    ]
    return _joined(parts)


def controlled(
    films: Films, profile: Array, inlets: Inlets, target_degC: Array, least: Array, most: Array
) -> Outlets:
    """Return what leaves when the primary flow, from ``least`` to ``most``, holds the target.

    ``target_degC`` is the secondary outlet wanted. Where even ``most`` does not reach it, the
    flow is ``most``.
    """
    parts = []
    for s, block in _blocks(inlets):
        cells = cells_of(films, profile, block)
        flow = _search(cells, target_degC[s], np.log(least[s]), np.log(most[s]))
        parts.append(_finish(cells, flow, 1))
    return _joined(parts)


def _search(cells: Cells | TwoPass, target: Array, low: Array, high: Array) -> Array:
    """Find the flow by regula falsi (Illinois) in ln(flow); the fields settle on the way."""

    def miss(ln_flow: Array) -> Array:
        return cells.advance(np.exp(ln_flow))[1] - target

    miss(high)
    at_high, at_low = miss(high), miss(low)
    out_of_reach, too_much = at_high <= 0.0, at_low >= 0.0
    for _ in range(_SEARCH_ROUNDS):
        span = np.where(at_high - at_low == 0.0, 1.0, at_high - at_low)
        middle = np.clip((low * at_high - high * at_low) / span, low, high)
        at_middle = miss(middle)
        above = at_middle > 0.0
        # halving the value at the end that stays keeps both ends moving
        at_low = np.where(above, at_low * 0.5, at_middle)
        at_high = np.where(above, at_middle, at_high * 0.5)
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    flow = np.where(out_of_reach, high, np.where(too_much, low, middle))
    return np.exp(flow)


def design_flows(unit: PlantUnit) -> tuple[float, float]:
    """Return the primary and secondary mass flow of the design state in kg/s."""
    h1, h2 = (liquid.enthalpy for liquid in liquids_of(unit))
    hot_in, hot_out = unit.design_primary_degC
    cold_in, cold_out = unit.design_secondary_degC
    return (
        unit.design_duty_W / float(h1(hot_in) - h1(hot_out)),
        unit.design_duty_W / float(h2(cold_out) - h2(cold_in)),
    )


def channels_of(plates: ArrayLike) -> Array:
    """Return the channels of one side of a single-pass pack."""
    return np.asarray((np.asarray(plates) - 1.0) / 2.0)


def area_of(unit: PlantUnit, plates: ArrayLike) -> Array:
    """Return the area with ``plates`` plates; the two end plates transfer nothing."""
    return np.asarray(unit.area_m2 * (np.asarray(plates) - 2.0) / (unit.plates - 2))


def liquids_of(unit: PlantUnit) -> tuple[Water, Water]:
    """Return the properties of the primary and the secondary liquid."""
    if not unit.constant_properties:
        return water(), liquid_of(unit.secondary_fluid)
    middle = 0.25 * sum((*unit.design_primary_degC, *unit.design_secondary_degC))
    return constant_water(middle), constant_water(middle)


def needed_UA_W_K(unit: PlantUnit) -> float:
    """Return the UA that the design duty needs, at constant heat capacities.

    From the log mean temperature difference; with two passes, from a parallel and a counterflow
    half in series.

    Raises
    ------
    ValueError
        If two passes cannot reach the design temperatures however large they are.
    """
    hot_in, hot_out = unit.design_primary_degC
    cold_in, cold_out = unit.design_secondary_degC
    end_a, end_b = hot_in - cold_out, hot_out - cold_in
    lmtd = end_a if abs(end_a - end_b) < 1e-6 else (end_a - end_b) / np.log(end_a / end_b)
    single = float(unit.design_duty_W / lmtd)
    if unit.secondary_passes == 1:
        return single
    C1, C2 = unit.design_duty_W / (hot_in - hot_out), unit.design_duty_W / (cold_out - cold_in)

    def short(UA: float) -> float:
        return cold_out - two_pass_outlet_degC(UA, C1, C2, hot_in, cold_in)

    most = 30.0 * single
    if short(most) > 0.0:
        raise ValueError(f"{unit.tag}: two passes cannot reach {cold_out:g} degC from {hot_in:g}.")
    return float(brentq(short, 0.5 * single, most))


def two_pass_outlet_degC(UA: float, C1: float, C2: float, hot_in: float, cold_in: float) -> float:
    """Return the outlet of a stream in two passes against one in a single pass (W/K, degC).

    Each half of the single-pass stream meets one pass: first in parallel flow, then in counterflow;
    the effectiveness of either as in Bergman et al., Introduction to Heat Transfer, table 11.3.
    """
    half, ratio = 0.5 * C1, 0.5 * C1 / C2
    NTU = 0.5 * UA / half
    parallel = -np.expm1(-NTU * (1.0 + ratio)) / (1.0 + ratio)
    decay = np.exp(-NTU * (1.0 - ratio))
    counter = (
        NTU / (1.0 + NTU) if abs(ratio - 1.0) < 1e-9 else (1.0 - decay) / (1.0 - ratio * decay)
    )
    between = cold_in + ratio * parallel * (hot_in - cold_in)
    return float(between + ratio * counter * (hot_in - between))


def design_inlets(unit: PlantUnit, fouling_resistance_m2K_W: Array, plates: ArrayLike) -> Inlets:
    """Return the design state's inlets, once for each fouling resistance given."""
    one = np.ones_like(fouling_resistance_m2K_W)
    return Inlets(
        primary_degC=one * unit.design_primary_degC[0],
        secondary_degC=one * unit.design_secondary_degC[0],
        secondary_kg_s=one * design_flows(unit)[1],
        fouling_resistance_m2K_W=fouling_resistance_m2K_W,
        area_m2=one * area_of(unit, plates),
        channels=one * channels_of(plates),
        counterflow=one,
    )


def films_of(unit: PlantUnit) -> Films:
    """Return the film laws that give the unit's clean UA at the design state."""
    liquids = liquids_of(unit)
    exponents = (unit.primary_exponent, unit.secondary_exponent)
    groups = (liquids[0].film_property(exponents[0]), liquids[1].film_property(exponents[1]))
    flows = design_flows(unit)
    wanted = needed_UA_W_K(unit) * (1.0 + unit.oversizing)
    films_resistance = unit.area_m2 / wanted - unit.wall_resistance_m2K_W
    if not films_resistance > 0:
        raise ValueError(
            f"{unit.tag}: area_m2 = {unit.area_m2:g} is too small, the wall alone takes all."
        )
    h2 = (1.0 + 1.0 / unit.film_ratio) / films_resistance
    middles = (np.mean(unit.design_primary_degC), np.mean(unit.design_secondary_degC))
    wall_groups = (liquids[0].ln_viscosity * WALL_EXPONENT, liquids[1].ln_viscosity * WALL_EXPONENT)
    constants = [
        float(np.log(h * channels_of(unit.plates) ** n / flow**n) - (group - wall)(middle))
        for h, n, flow, group, wall, middle in zip(
            (h2 * unit.film_ratio, h2), exponents, flows, groups, wall_groups, middles, strict=True
        )
    ]

    def with_shift(shift: float) -> Films:
        return Films(
            liquids=liquids,
            ln_constants=(constants[0] + shift, constants[1] + shift),
            exponents=exponents,
            groups=groups,
            wall_groups=wall_groups,
            wall_resistance_m2K_W=unit.wall_resistance_m2K_W,
            secondary_passes=unit.secondary_passes,
        )

    # The properties along the plate are not those of the mean temperature: correct both films alike.
    shift, inlets = 0.0, design_inlets(unit, np.zeros(1), unit.plates)
    for _ in range(6):
        films = with_shift(shift)
        UA = outlets(films, np.ones(unit.cells), inlets, np.full(1, flows[0])).UA_clean_W_K[0]
        shift += float(np.log(wanted / UA)) / (
            1.0 - unit.wall_resistance_m2K_W * wanted / unit.area_m2
        )
    return with_shift(shift)
