"""The plate cut into cells: both streams, two films, wall and deposit, for many instants at once.

In each cell the heat capacities and the local U are constant, so the temperature difference of the
streams changes as an exponential there and the cells chain up in closed form; local properties follow
from the temperatures found, by fixed point. No call of a property library, no loop over instants.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.polynomial import Polynomial

from demo_data.simulator.water import Array, Water, evaluate

# Beyond this exponent in a single cell the streams have met for all purposes.
_EXPONENT_MOST = 25.0


@dataclass(frozen=True)
class Films:
    """Film laws of both sides: ln h = constant + exponent ln(flow per channel) + property group."""

    liquids: tuple[Water, Water]  # primary, secondary
    ln_constants: tuple[float, float]
    exponents: tuple[float, float]
    groups: tuple[Polynomial, Polynomial]
    wall_groups: tuple[Polynomial, Polynomial]
    wall_resistance_m2K_W: float
    secondary_passes: int = 1


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


class Cells:
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
            np.exp(
                evaluate(f.wall_groups[j], self.wall[j]) - evaluate(f.groups[j], bulk[j]) - terms[j]
            )
            for j in (0, 1)
        ]
        return r[0], r[1]

    def advance(self, primary_kg_s: Array) -> tuple[Array, Array, Array]:
        """Solve the chain of cells once; return both outlets and the duty, renew the fields."""
        r1, r2 = self.resistances(primary_kg_s)
        UA = self.cell_area / (r1 + r2 + self.films.wall_resistance_m2K_W + self.deposit)
        cp = [liquid.heat_capacity for liquid in self.films.liquids]
        C1 = primary_kg_s[:, None] * evaluate(cp[0], self.primary)
        C2 = self.inlets.secondary_kg_s[:, None] * evaluate(cp[1], self.secondary)
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


class TwoPass:
    """The secondary stream in two passes, the primary in one: half of its channels at each pass.

    At the first pass the streams run the same way, at the second in counterflow; the halves of the
    primary stream mix behind the plates.
    """

    def __init__(self, films: Films, profile: Array, inlets: Inlets) -> None:
        half = replace(inlets, area_m2=0.5 * inlets.area_m2, channels=0.5 * inlets.channels)
        self.first = Cells(films, profile, replace(half, counterflow=-inlets.counterflow))
        self.second = Cells(films, profile, half)

    def advance(self, primary_kg_s: Array) -> tuple[Array, Array, Array]:
        """Solve both passes once; return both outlets and the duty, renew the fields."""
        out_first, between, duty_first = self.first.advance(0.5 * primary_kg_s)
        self.second.inlets = replace(self.second.inlets, secondary_degC=between)
        out_second, secondary_out, duty_second = self.second.advance(0.5 * primary_kg_s)
        return 0.5 * (out_first + out_second), secondary_out, duty_first + duty_second

    def conductances(self, primary_kg_s: Array) -> tuple[Array, Array]:
        """Return UA as it is and clean, of both passes together."""
        first = self.first.conductances(0.5 * primary_kg_s)
        second = self.second.conductances(0.5 * primary_kg_s)
        return first[0] + second[0], first[1] + second[1]


def cells_of(films: Films, profile: Array, inlets: Inlets) -> Cells | TwoPass:
    """Return the cells of a block of instants, by the passes of the secondary stream."""
    kind = Cells if films.secondary_passes == 1 else TwoPass
    return kind(films, profile, inlets)
