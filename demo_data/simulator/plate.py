"""The plate cut into cells: both streams, two films, wall and deposit, for many instants at once.

In each cell the heat capacities and the local U are constant, so the temperature difference of the
streams changes as an exponential there and the cells chain up in closed form; local properties follow
from the temperatures found, by fixed point. No call of a property library, no loop over instants.
"""

from dataclasses import dataclass

import numpy as np
from numpy.polynomial import Polynomial

from demo_data.simulator.scenario import PlantUnit
from demo_data.simulator.water import (
    WALL_EXPONENT,
    Array,
    Water,
    constant_water,
    evaluate,
    water,
)

_BLOCK = 2048  # instants treated together: their fields stay in the processor's cache
_ROUNDS = 4  # of the fixed point on local properties; the change in UA is then below 1e-5
_SEARCH_ROUNDS = 14
# Beyond this exponent in a single cell the streams have met for all purposes.
_EXPONENT_MOST = 25.0


@dataclass(frozen=True)
class Films:
    """Film laws of both sides: ln h = constant + exponent ln(flow per channel) + property group."""

    water: Water
    ln_constants: tuple[float, float]
    exponents: tuple[float, float]
    groups: tuple[Polynomial, Polynomial]
    wall_group: Polynomial
    wall_resistance_m2K_W: float


@dataclass(frozen=True)
class Inlets:
    """What enters, and the state of the plates; arrays of shape (n,)."""

    primary_degC: Array
    secondary_degC: Array
    secondary_kg_s: Array
    fouling_resistance_m2K_W: Array  # mean over the plate
    area_m2: Array
    channels: Array  # of each side
    counterflow: Array  # 1, or -1 for parallel flow


@dataclass(frozen=True)
class Outlets:
    """What leaves; arrays of shape (n,)."""

    primary_kg_s: Array
    primary_degC: Array
    secondary_degC: Array
    duty_W: Array
    UA_W_K: Array
    UA_clean_W_K: Array  # same temperatures and flows, no deposit


class _Cells:
    """The fields of one block of instants, warm from one evaluation to the next."""

    def __init__(self, films: Films, profile: Array, inlets: Inlets) -> None:
        self.films, self.inlets = films, inlets
        self.deposit = inlets.fouling_resistance_m2K_W[:, None] * profile
        self.cell_area = (inlets.area_m2 / profile.size)[:, None]
        self.sign = inlets.counterflow[:, None]
        hot, cold = inlets.primary_degC[:, None], inlets.secondary_degC[:, None]
        slope = np.linspace(0.9, 0.15, profile.size)
        self.primary = cold + (hot - cold) * slope
        self.secondary = cold + (hot - cold) * (slope - 0.1)
        self.wall = (0.5 * (self.primary + self.secondary),) * 2
        self.flow_terms = self._flow_term(1, inlets.secondary_kg_s)

    def _flow_term(self, side: int, flow: Array) -> Array:
        f = self.films
        per_channel = flow / self.inlets.channels
        return np.asarray((f.ln_constants[side] + f.exponents[side] * np.log(per_channel))[:, None])

    def resistances(self, primary_kg_s: Array) -> tuple[Array, Array]:
        """Return both films' resistances at the fields known so far."""
        f = self.films
        terms = (self._flow_term(0, primary_kg_s), self.flow_terms)
        bulk = (self.primary, self.secondary)
        r = [
            np.exp(evaluate(f.wall_group, self.wall[j]) - evaluate(f.groups[j], bulk[j]) - terms[j])
            for j in (0, 1)
        ]
        return r[0], r[1]

    def advance(self, primary_kg_s: Array) -> tuple[Array, Array, Array]:
        """Solve the chain of cells once; return both outlets and the duty, renew the fields."""
        r1, r2 = self.resistances(primary_kg_s)
        UA = self.cell_area / (r1 + r2 + self.films.wall_resistance_m2K_W + self.deposit)
        cp = self.films.water.heat_capacity
        C1 = primary_kg_s[:, None] * evaluate(cp, self.primary)
        C2 = self.inlets.secondary_kg_s[:, None] * evaluate(cp, self.secondary)
        x = UA * (1.0 / C1 - self.sign / C2)
        np.clip(x, -_EXPONENT_MOST, _EXPONENT_MOST, out=x)
        x[np.abs(x) < 1e-9] = 1e-9
        decay = np.exp(-np.cumsum(x, axis=1))
        before = np.empty_like(decay)
        before[:, 0], before[:, 1:] = 1.0, decay[:, :-1]
        heat = UA * (before - decay) / x  # for one kelvin of difference at the hot end
        hot, cold = self.inlets.primary_degC, self.inlets.secondary_degC
        counter = self.inlets.counterflow > 0
        rise = np.sum(heat / C2, axis=1)
        heat *= ((hot - cold) / np.where(counter, 1.0 + rise, 1.0))[:, None]
        fall_1, rise_2 = np.cumsum(heat / C1, axis=1), np.cumsum(heat / C2, axis=1)
        at_hot_end = np.where(counter, cold + rise_2[:, -1], cold)
        secondary_out = cold + rise_2[:, -1]
        self.primary = hot[:, None] - fall_1 + 0.5 * heat / C1
        self.secondary = at_hot_end[:, None] - self.sign * (rise_2 - 0.5 * heat / C2)
        flux = heat / self.cell_area
        self.wall = (self.primary - flux * r1, self.secondary + flux * r2)
        return hot - fall_1[:, -1], secondary_out, heat.sum(axis=1)

    def conductances(self, primary_kg_s: Array) -> tuple[Array, Array]:
        """Return UA as it is and clean."""
        r1, r2 = self.resistances(primary_kg_s)
        clean = r1 + r2 + self.films.wall_resistance_m2K_W
        total = np.sum(self.cell_area / (clean + self.deposit), axis=1)
        return total, np.sum(self.cell_area / clean, axis=1)


def deposit_profile(cells: int, unevenness: float) -> Array:
    """Return the deposit by cell over its mean: thickest where the plate is hottest."""
    middle = (np.arange(cells) + 0.5) / cells
    return np.asarray(1.0 + unevenness * (1.0 - 2.0 * middle))


def _blocks(inlets: Inlets) -> list[tuple[slice, Inlets]]:
    n = inlets.primary_degC.size
    slices = [slice(i, min(i + _BLOCK, n)) for i in range(0, n, _BLOCK)]
    return [(s, Inlets(**{k: v[s] for k, v in vars(inlets).items()})) for s in slices]


def _joined(parts: list[Outlets]) -> Outlets:
    if not parts:
        return Outlets(*(np.empty(0) for _ in range(6)))
    return Outlets(**{k: np.concatenate([getattr(p, k) for p in parts]) for k in vars(parts[0])})


def _finish(cells: _Cells, primary_kg_s: Array, rounds: int) -> Outlets:
    for _ in range(rounds):
        primary_out, secondary_out, duty = cells.advance(primary_kg_s)
    UA, clean = cells.conductances(primary_kg_s)
    return Outlets(primary_kg_s, primary_out, secondary_out, duty, UA, clean)


def outlets(films: Films, profile: Array, inlets: Inlets, primary_kg_s: Array) -> Outlets:
    """Return what leaves for given flows (both positive)."""
    parts = [
        _finish(_Cells(films, profile, block), primary_kg_s[s], _ROUNDS)
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
        cells = _Cells(films, profile, block)
        flow = _search(cells, target_degC[s], np.log(least[s]), np.log(most[s]))
        parts.append(_finish(cells, flow, 1))
    return _joined(parts)


def _search(cells: _Cells, target: Array, low: Array, high: Array) -> Array:
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
    h = _water_of(unit).enthalpy
    hot_in, hot_out = unit.design_primary_degC
    cold_in, cold_out = unit.design_secondary_degC
    return (
        unit.design_duty_W / float(h(hot_in) - h(hot_out)),
        unit.design_duty_W / float(h(cold_out) - h(cold_in)),
    )


def channels_of(plates: int) -> float:
    """Return the channels of one side of a single-pass pack."""
    return (plates - 1) / 2.0


def area_of(unit: PlantUnit, plates: int) -> float:
    """Return the area with ``plates`` plates; the two end plates transfer nothing."""
    return unit.area_m2 * (plates - 2) / (unit.plates - 2)


def _water_of(unit: PlantUnit) -> Water:
    if not unit.constant_properties:
        return water()
    return constant_water(0.25 * sum((*unit.design_primary_degC, *unit.design_secondary_degC)))


def needed_UA_W_K(unit: PlantUnit) -> float:
    """Return the UA that the design duty needs, from the log mean temperature difference."""
    hot_in, hot_out = unit.design_primary_degC
    cold_in, cold_out = unit.design_secondary_degC
    end_a, end_b = hot_in - cold_out, hot_out - cold_in
    lmtd = end_a if abs(end_a - end_b) < 1e-6 else (end_a - end_b) / np.log(end_a / end_b)
    return float(unit.design_duty_W / lmtd)


def design_inlets(unit: PlantUnit, fouling_resistance_m2K_W: Array, plates: int) -> Inlets:
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
    w = _water_of(unit)
    exponents = (unit.primary_exponent, unit.secondary_exponent)
    groups = (w.film_property(exponents[0]), w.film_property(exponents[1]))
    flows = design_flows(unit)
    wanted = needed_UA_W_K(unit) * (1.0 + unit.oversizing)
    films_resistance = unit.area_m2 / wanted - unit.wall_resistance_m2K_W
    if not films_resistance > 0:
        raise ValueError(
            f"{unit.tag}: area_m2 = {unit.area_m2:g} is too small, the wall alone takes all."
        )
    h2 = (1.0 + 1.0 / unit.film_ratio) / films_resistance
    middles = (np.mean(unit.design_primary_degC), np.mean(unit.design_secondary_degC))
    wall_group = w.ln_viscosity * WALL_EXPONENT
    constants = [
        float(np.log(h * channels_of(unit.plates) ** n / flow**n) - (group - wall_group)(middle))
        for h, n, flow, group, middle in zip(
            (h2 * unit.film_ratio, h2), exponents, flows, groups, middles, strict=True
        )
    ]

    def with_shift(shift: float) -> Films:
        return Films(
            water=w,
            ln_constants=(constants[0] + shift, constants[1] + shift),
            exponents=exponents,
            groups=groups,
            wall_group=wall_group,
            wall_resistance_m2K_W=unit.wall_resistance_m2K_W,
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
