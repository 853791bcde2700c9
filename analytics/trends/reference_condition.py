"""The reference condition: the flows and inlets at which clean and present plates are compared.

Lives here: where that is, and what the exchanger does there with a given deposit, so that weather
and load no longer move the figures. Not here: the deposit itself (``account``).
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analytics.physics.effectiveness import temperature_effectiveness
from analytics.trends.model import DEPOSIT, SIZE, Array, Model, film_temperatures
from analytics.trends.priors import design_streams
from analytics.vocabulary.records import Estimate, ReferenceCondition

if TYPE_CHECKING:
    from analytics.trends.account import Account

# Unwidened, the nine-in-ten intervals of UA clean and of small deposits held on 92 to 94 of 100 simulated
# exchangers; large ones are read some percent low, as they sit unevenly on the plates.
WIDEN_REFERENCE, WIDEN_DEPOSIT, UNEVEN = 1.1, 1.15, 0.1
NINE_IN_TEN = 1.645


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferencePoint:
    """The condition, and the exchanger's behaviour there as a function of the deposit."""

    condition: ReferenceCondition
    model: Model
    point: Array
    mass_flow_kg_s: Array  # (2,)
    capacity_W_K: Array  # (2,)
    mean_degC: Array  # (2,)
    ln_properties: tuple[Array, Array, Array]
    clean_sd: float  # standard deviation of ln UA clean, widened

    def UA_clean_W_K(
        self, p: Array, area: Array | float = 1.0, channels: Array | float = 1.0
    ) -> Array:
        """Return the clean conductance for unknowns ``p``, by area and channel ratio."""
        area, channels = np.broadcast_arrays(np.atleast_1d(area), np.atleast_1d(channels))
        n = len(area)
        return self.model.conductance(
            p, np.tile(self.mass_flow_kg_s, (n, 1)), np.tile(self.mean_degC, (n, 1)),
            (*[np.tile(x, (n, 1)) for x in self.ln_properties],),  # type: ignore[arg-type]
            area, channels, deposit=0.0,
        )  # fmt: skip

    def cleanliness(self, deposit: Array, UA_clean: Array, area: Array | float = 1.0) -> Array:
        """U over clean U there. ``deposit`` is R_f times U0 for the plates at the start."""
        resistance = deposit / self.model.scale_UA_W_K / area
        return np.asarray(1.0 / np.maximum(1.0 + resistance * UA_clean, 0.05))

    def deposit_for(self, cleanliness: float, UA_clean: float, area: float = 1.0) -> float:
        """Deposit at which the cleanliness factor has a value; the inverse of the above."""
        return (1.0 / cleanliness - 1.0) / UA_clean * self.model.scale_UA_W_K * area

    def U_clean_over_U0(self, area: Array | float = 1.0, channels: Array | float = 1.0) -> Array:
        """Return what turns a deposit times U0 into one times U clean there, of plates as they then were."""
        UA_clean = self.UA_clean_W_K(self.point, area, channels)
        return np.asarray(UA_clean / self.model.scale_UA_W_K / area)

    def approach_K(self, UA: Array) -> Array:
        """Return the cold-end approach there, K."""
        return self._span() * (1.0 - self._effectiveness(UA))

    def duty_W(self, UA: Array) -> Array:
        """Return the duty there, W."""
        return np.asarray(self.capacity_W_K[0] * self._span() * self._effectiveness(UA))

    def cleanliness_at_approach(self, approach_K: float, UA_clean: float) -> float:
        """Return the cleanliness factor at which the approach there has a value."""
        trial = np.geomspace(0.1, 3.0, 600)
        reached = self.approach_K(trial * UA_clean)  # falls as the plates get cleaner
        return float(np.interp(-approach_K, -reached, trial))

    def _span(self) -> float:
        return self.condition.primary_inlet_degC - self.condition.secondary_inlet_degC

    def _effectiveness(self, UA: Array) -> Array:
        ratio = self.capacity_W_K[0] / self.capacity_W_K[1]
        return temperature_effectiveness(UA / self.capacity_W_K[0], ratio, self.model.arrangement)


def reference_point(account: "Account") -> ReferencePoint:
    """Build the reference point of an account that has a clean fit."""
    fit = account.fit
    assert fit is not None
    condition, mass, means, capacity = _condition(account)
    primary, secondary = account.fluids
    logs = tuple(
        np.array(
            [np.log(getattr(f, name)(m)) for f, m in ((primary, means[0]), (secondary, means[1]))]
        )
        for name in ("conductivity", "heat_capacity", "viscosity")
    )
    found = ReferencePoint(
        condition=condition, model=fit.model, point=fit.point, mass_flow_kg_s=mass,
        capacity_W_K=capacity, mean_degC=means, ln_properties=(logs[0], logs[1], logs[2]), clean_sd=0.0,
    )  # fmt: skip
    return ReferencePoint(
        **{n: getattr(found, n) for n in found.__slots__ if n != "clean_sd"},
        clean_sd=_clean_sd(account, found),
    )


def _condition(account: "Account") -> tuple[ReferenceCondition, Array, Array, Array]:
    """Design flows and inlets; where the register has none, a cold day of the reference period."""
    primary, secondary = account.fluids
    design = design_streams(account.exchanger, primary, secondary)
    if design is not None:
        hot_in, hot_out, cold_in, cold_out, C1, C2 = design
        means = _film_means(hot_in, hot_out, cold_out, cold_in)
        capacity, source = np.array([C1, C2]), "design"
    else:
        hot_in, cold_in, means, capacity = _cold_days(account)
        source = "clean period"
    cp = np.array([primary.heat_capacity(means[0]), secondary.heat_capacity(means[1])])
    mass = capacity / cp
    known = account.assumed_secondary_m3_s is None
    density = np.array([primary.density(means[0]), secondary.density(means[1])])
    condition = ReferenceCondition(
        primary_flow_m3_s=float(mass[0] / density[0]) if known or source == "design" else None,
        secondary_flow_m3_s=float(mass[1] / density[1]) if known or source == "design" else None,
        primary_inlet_degC=float(hot_in), secondary_inlet_degC=float(cold_in),
        source="design" if source == "design" else "clean period",
    )  # fmt: skip
    return condition, mass, means, capacity


def _film_means(hot_in: float, hot_out: float, cold_out: float, cold_in: float) -> Array:
    return np.asarray(film_temperatures(np.array([[hot_in, hot_out, cold_out, cold_in]]))[0])


def _cold_days(account: "Account") -> tuple[float, float, Array, Array]:
    """The fifth of the reference period's hours with most flow: where the plates work hardest."""
    assert account.hours is not None
    assert account.fit is not None
    assert account.hour_rows is not None
    assert account.ready is not None
    inside = account.table.day[account.hour_rows] < account.ready
    hours = account.hours.subset(inside)
    t, mass = account.fit.model.streams(account.fit.point, hours)
    busy = mass[:, 0] >= np.nanquantile(mass[:, 0], 0.8)
    middle = np.nanmedian(t[busy], axis=0)
    capacity = np.nanmedian(mass[busy] * hours.heat_capacity[busy], axis=0)
    means = _film_means(*middle)
    return float(middle[0]), float(middle[3]), means, capacity


def _clean_sd(account: "Account", at: ReferencePoint) -> float:
    """Standard deviation of ln UA clean there, from the information up to the end of the reference."""
    info, fit = account.info, account.fit
    assert info is not None
    assert fit is not None
    assert account.ready is not None
    A = info.prior_matrix + info.matrix[info.day < account.ready].sum(axis=0)
    gradient = np.zeros(info.size)
    for i in range(SIZE):
        if i == DEPOSIT:
            continue
        step = np.zeros(SIZE)
        step[i] = 1e-3 * fit.model.prior_sd[i]
        up, down = (np.log(at.UA_clean_W_K(fit.point + s * step)[0]) for s in (1, -1))
        gradient[i] = (up - down) / (2 * step[i])
    return float(WIDEN_REFERENCE * np.sqrt(gradient @ np.linalg.solve(A, gradient)))


def deposit_doubt(deposit: Array, sd: Array) -> Array:
    """Return the standard deviation of an account's deposit, widened by what its filter does not know."""
    return np.asarray(np.hypot(WIDEN_DEPOSIT * sd, UNEVEN * deposit))


def estimate(value: float, sd: float) -> Estimate:
    """Return a value with its nine-in-ten interval."""
    return Estimate(value=value, low=value - NINE_IN_TEN * sd, high=value + NINE_IN_TEN * sd)


def ordered(value: float, one: float, other: float) -> Estimate:
    """Return an estimate whose bounds come in either order."""
    return Estimate(value=float(value), low=float(min(one, other)), high=float(max(one, other)))


def days_to_index(days: NDArray[np.int64]) -> NDArray[np.datetime64]:
    """Return days since 1970 as datetime64."""
    return days.astype("datetime64[D]")
