"""Are there enough plates: heat load against outdoor temperature, and what the plates deliver.

Lives here: the load line, deliveries clean, now and with more plates, and how often the set point
is missed. Not here: what a deposit costs (money.py).
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.decisions.money import ConductanceModel
from analytics.physics.effectiveness import temperature_effectiveness
from analytics.physics.temperature_difference import surface_mean_temperatures
from analytics.vocabulary.errors import EvaluationError
from analytics.vocabulary.records import Capacity, Estimate

Floats = NDArray[np.float64]

LEAST_DAYS = 20
CHANGED_DAYS, CHANGED_BELOW_K = (
    20,
    3.0,
)  # on either side of a change of use; below the heating limit
CHANGED_LEAST = 0.12  # ln of the load: seasons differ by less (sun, habits)
BENT_PER_K = 0.004  # how far a load may bend away from its line, as a standard deviation of ln
COLDEST = 0.02  # share of the days beyond which the line is carried on
LEAST_RANGE_K = 5.0  # of daily outdoor temperature below the heating limit
HEATING_LIMITS_degC = np.arange(8.0, 20.5, 0.5)
SET_POINT_MISSED_K = 3.0
VALVE_OPEN = 0.85
_HUBER = 1.345  # in robust standard deviations: 95 % efficient on clean normal scatter
_ROUNDS = 8
_TURNS = 10


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LoadLine:
    """Daily mean load as ``base + slope * max(heating limit - outdoor, 0)``; W, W/K, degC."""

    base_W: float
    slope_W_K: float
    heating_limit_degC: float
    scatter_W: float  # robust standard deviation of a day about the line
    covariance: Floats  # (2, 2) of base and slope
    coldest_degC: float = -np.inf  # to which days were seen

    def load_W(self, outdoor_degC: Floats) -> Floats:
        """Return the fitted load."""
        below = np.maximum(self.heating_limit_degC - outdoor_degC, 0.0)
        return np.asarray(self.base_W + self.slope_W_K * below)

    def at(self, outdoor_degC: float) -> Estimate:
        """Return the load that days at that outdoor temperature have in the mean; single ones scatter.

        Beyond the coldest days that were seen it may bend away from its line.
        """
        below = max(self.heating_limit_degC - outdoor_degC, 0.0)
        row = np.array([1.0, below])
        sd = float(np.sqrt(row @ self.covariance @ row))
        value = float(row @ (self.base_W, self.slope_W_K))
        bend = value * BENT_PER_K * max(self.coldest_degC - outdoor_degC, 0.0)
        sd = float(np.hypot(sd, bend))
        return Estimate(value=value, low=max(value - 1.645 * sd, 0.0), high=value + 1.645 * sd)


def fit_load_line(outdoor_degC: Floats, load_W: Floats) -> LoadLine | None:
    """Fit the load line to daily means, robustly; ``None`` where the days cannot tell.

    Huber weights (a holiday or a day of repair does not bend it); the heating limit is the one of
    the grid with the least robust loss. The covariance allows for days that resemble the day before.

    Parameters
    ----------
    outdoor_degC, load_W : ndarray, shape (n,)
        Daily means over whole days, standstill counted as nought; NaN: not known.
    """
    known = np.isfinite(outdoor_degC) & np.isfinite(load_W)
    outdoor, load = outdoor_degC[known], load_W[known]
    if len(load) < LEAST_DAYS:
        return None
    fits = [_huber_line(np.maximum(limit - outdoor, 0.0), load) for limit in HEATING_LIMITS_degC]
    best = int(np.argmin([loss for _, _, _, loss in fits]))
    limit = float(HEATING_LIMITS_degC[best])
    below = np.maximum(limit - outdoor, 0.0)
    if np.ptp(below) < LEAST_RANGE_K:
        return None
    coefficients, weight, scatter, _ = fits[best]
    design = np.column_stack([np.ones_like(below), below])
    rest = (load - design @ coefficients) * weight
    power = float(rest @ rest)
    alike = float(rest[1:] @ rest[:-1]) / power if power > 0 else 0.0
    alike = min(max(alike, 0.0), 0.8)
    covariance = scatter**2 * np.linalg.inv((design * weight[:, None]).T @ design)
    return LoadLine(
        base_W=float(coefficients[0]),
        slope_W_K=float(coefficients[1]),
        heating_limit_degC=limit,
        scatter_W=scatter,
        covariance=covariance * (1.0 + alike) / (1.0 - alike),
        coldest_degC=float(np.quantile(outdoor, COLDEST)),
    )


def as_used_now(outdoor_degC: Floats, load_W: Floats) -> Floats:
    """Return the loads before a lasting change of use scaled to what they would be today, W.

    Line, day of the change and its size are settled by turns, as a line through both uses would hide
    the change in its slope where the seasons differ. It counts if it is an eighth at least, far
    beyond the days' scatter.

    Parameters
    ----------
    outdoor_degC, load_W : ndarray, shape (n,)
        Daily means in order of time; NaN: not known.
    """
    scaled, found = load_W, None
    for _ in range(_TURNS):
        line = fit_load_line(outdoor_degC, scaled)
        found = None if line is None else _change_of_use(line, outdoor_degC, load_W)
        if found is None:
            return load_W
        scaled = load_W.copy()
        scaled[: found.row] *= np.exp(found.change)
    assert found is not None
    return scaled if abs(found.change) >= CHANGED_LEAST and found.clear else load_W


@dataclass(frozen=True, slots=True)
class _ChangeOfUse:
    row: int  # first day of the new use
    change: float  # ln of the load
    clear: bool


def _change_of_use(line: LoadLine, outdoor_degC: Floats, load_W: Floats) -> _ChangeOfUse | None:
    """Return the split of the heating days between which the load over the line differs most clearly."""
    with np.errstate(invalid="ignore", divide="ignore"):
        heats = outdoor_degC < line.heating_limit_degC - CHANGED_BELOW_K
        ratio = np.where(heats & (load_W > 0), np.log(load_W / line.load_W(outdoor_degC)), np.nan)
    rows = np.flatnonzero(np.isfinite(ratio))
    if len(rows) < 2 * CHANGED_DAYS:
        return None
    y, count = ratio[rows], len(rows)
    splits = np.arange(CHANGED_DAYS, count - CHANGED_DAYS + 1)
    total = np.cumsum(y)
    apart = (total[-1] - total[splits - 1]) / (count - splits) - total[splits - 1] / splits
    clearness = np.abs(apart) * np.sqrt(splits * (count - splits) / count)
    split = int(splits[clearness.argmax()])
    scatter = 1.4826 * float(np.median(np.abs(np.diff(y)))) / np.sqrt(2.0)
    # days resemble each other: a third of them counts
    noise = np.sqrt(3.0) * max(scatter, 1e-6)
    # a load that is no straight line of the weather differs between seasons as well: that is not the use
    later = (np.arange(count) >= split).astype(float)
    design = np.column_stack(
        [np.ones(count), outdoor_degC[rows] - outdoor_degC[rows].mean(), later]
    )
    precision = design.T @ design / noise**2 + np.diag([0.0, BENT_PER_K**-2.0, 0.0])
    change = float(np.linalg.solve(precision, design.T @ y / noise**2)[2])
    spread = float(np.sqrt(np.linalg.inv(precision)[2, 2]))
    return _ChangeOfUse(row=int(rows[split]), change=change, clear=bool(abs(change) > 4.0 * spread))


def _huber_line(below: Floats, load: Floats) -> tuple[Floats, Floats, float, float]:
    """Return coefficients (base, slope), weights, robust scatter and mean Huber loss in W."""
    design = np.column_stack([np.ones_like(below), below])
    weight = np.ones_like(load)
    coefficients, scatter = np.zeros(2), 0.0
    for _ in range(_ROUNDS):
        root = np.sqrt(weight)[:, None]
        coefficients = np.linalg.lstsq(design * root, load * root[:, 0], rcond=None)[0]
        # heat is neither given off when it is warm nor less wanted when it is colder
        coefficients = np.maximum(coefficients, 0.0)
        rest = np.abs(load - design @ coefficients)
        scatter = max(1.4826 * float(np.median(rest)), 1e-6 * float(np.abs(load).max()) + 1e-9)
        weight = np.minimum(1.0, _HUBER * scatter / np.maximum(rest, 1e-12))
    cap = 1.345 * float(np.median(np.abs(load - np.median(load)))) + 1e-9
    loss = np.where(rest <= cap, rest**2 / (2.0 * cap), rest - cap / 2.0)
    return coefficients, weight, scatter, float(loss.mean())


@dataclass(frozen=True, slots=True, kw_only=True)
class DesignPoint:
    """Flows and inlets at which deliveries are compared; capacity rates follow from both."""

    primary_kg_s: float
    secondary_kg_s: float
    primary_cp_J_kgK: float
    secondary_cp_J_kgK: float
    primary_inlet_degC: float
    secondary_inlet_degC: float


def delivered_W(
    model: ConductanceModel,
    point: DesignPoint,
    fouling: float,
    *,
    UA_factor: float = 1.0,
    area_ratio: float = 1.0,
    channel_ratio: float = 1.0,
) -> float:
    """Return the duty at the design point, for a pack whose area and channels differ by the ratios.

    Every channel of the larger pack sees the flow over ``channel_ratio``; per area it then has the
    UA of today's pack at that smaller flow, film law and all.
    """
    primary_W_K = point.primary_kg_s * point.primary_cp_J_kgK
    secondary_W_K = point.secondary_kg_s * point.secondary_cp_J_kgK
    span = point.primary_inlet_degC - point.secondary_inlet_degC
    duty = 0.8 * min(primary_W_K, secondary_W_K) * span
    for _ in range(4):  # film temperatures move UA by little: settles at once
        means = surface_mean_temperatures(
            np.array([point.primary_inlet_degC]),
            np.array([point.primary_inlet_degC - duty / primary_W_K]),
            np.array([point.secondary_inlet_degC]),
            np.array([point.secondary_inlet_degC + duty / secondary_W_K]),
        )
        UA = UA_factor * area_ratio * model.UA_W_K(
            np.array([point.primary_kg_s / channel_ratio]),
            np.array([point.secondary_kg_s / channel_ratio]),
            *means,
            np.array([fouling]),
        )  # fmt: skip
        effectiveness = temperature_effectiveness(
            UA / primary_W_K, np.array([primary_W_K / secondary_W_K]), model.arrangement
        )
        duty = float(effectiveness[0]) * primary_W_K * span
    return duty


def assess_capacity(
    outdoor_degC: Floats,
    load_W: Floats,
    *,
    design_outdoor_degC: float,
    model: ConductanceModel,
    point: DesignPoint,
    fouling: Estimate,
    UA_relative_sd: float = 0.05,
    plates: int | None = None,
    plates_most: int | None = None,
    passes: int = 1,
) -> Capacity | None:
    """Set the load at the design outdoor temperature against what the plates deliver there.

    Plates are added by twos for each pass, so that both sides keep like channels; a pack that is
    opened for that is also cleaned. ``None`` where the days cannot tell the load.

    Raises
    ------
    EvaluationError
        If the inlets at the design point leave no temperature difference.
    """
    if not point.primary_inlet_degC > point.secondary_inlet_degC:
        raise EvaluationError(
            f"capacity: the primary design inlet ({point.primary_inlet_degC} degC) must be above the "
            f"secondary one ({point.secondary_inlet_degC} degC). Correct the register."
        )
    line = fit_load_line(outdoor_degC, as_used_now(outdoor_degC, load_W))
    if line is None:
        return None
    load = line.at(design_outdoor_degC)
    doubt = 1.645 * UA_relative_sd

    def deliver(fouled: Estimate, area: float = 1.0, channels: float = 1.0) -> Estimate:
        ends = ((fouled.value, 1.0), (fouled.high, 1.0 - doubt), (fouled.low, 1.0 + doubt))
        value, low, high = (
            delivered_W(
                model, point, level, UA_factor=factor, area_ratio=area, channel_ratio=channels
            )
            for level, factor in ends
        )
        return Estimate(value=value, low=low, high=high)

    none = Estimate(value=0.0, low=0.0, high=0.0)
    clean = deliver(none)
    to_add: int | None = None
    with_more: Estimate | None = None
    if plates is not None and plates > 2 and plates_most is not None and clean.value < load.value:
        for more in range(2 * passes, plates_most - plates + 1, 2 * passes):
            # the two end plates carry no heat; between p plates lie p - 1 channels
            with_more = deliver(
                none, (plates + more - 2) / (plates - 2), (plates + more - 1) / (plates - 1)
            )
            if with_more.value >= load.value:
                to_add = more
                break
    known = np.isfinite(outdoor_degC) & np.isfinite(load_W)
    days = pd.DataFrame({"outdoor_degC": outdoor_degC[known], "load_W": load_W[known]})
    days["fitted_W"] = line.load_W(outdoor_degC[known])
    return Capacity(
        design_outdoor_degC=design_outdoor_degC,
        load_at_design_W=load,
        delivers_clean_W=clean,
        delivers_now_W=deliver(fouling),
        plates_to_add=to_add,
        delivers_with_more_W=with_more,
        line=days,
    )


def set_point_missed(
    secondary_supply_degC: Floats,
    set_point_degC: Floats,
    valve_position: Floats | None,
    running: NDArray[np.bool_],
    *,
    window_hours: int = 720,
) -> Floats:
    """Return, by hour, the share of running hours of the last 30 days that missed the set point.

    Missed: colder than the set point by more than 3 K with the valve more than 85 % open, or its
    opening not known. NaN with fewer than 24 running hours in the window. Causal.
    """
    counts = running & np.isfinite(secondary_supply_degC) & np.isfinite(set_point_degC)
    short = set_point_degC - secondary_supply_degC > SET_POINT_MISSED_K
    wide = np.ones_like(counts)
    if valve_position is not None:
        wide = ~(valve_position <= VALVE_OPEN)  # NaN: not known
    hours = pd.DataFrame({"missed": counts & short & wide, "running": counts}, dtype=float)
    window = hours.rolling(window_hours, min_periods=1).sum()
    share = window["missed"] / window["running"]
    return share.where(window["running"] >= 24).to_numpy(dtype=float)
