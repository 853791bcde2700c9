"""Which instrument would help most, and by how much it would narrow what is told of the plates.

Lives here: the spread that the loss of heat transfer (and the clean level) will be known to after a
reference period and a month of evidence, for a given set of instruments, expected from the exchanger's own
design state (or its reference condition) before anything is bought. Not here: what the present readings say.

The expectation needs no readings: the information of an hour depends on where the exchanger runs and on
what is measured there, not on what it shows. A thermometer that is not there is one that tells nothing; a
flow that is not measured follows from the balance; with no flow at all the building's is taken as steady.
Since the reference period each instrument may have drifted (0.3 K, 2 %): with less than that, a single
meter would pass for as good as two.
"""

from dataclasses import dataclass, replace

import numpy as np

from analytics.physics.effectiveness import arrangement_of, outlet_temperatures
from analytics.physics.fluids import fluid_properties
from analytics.trends.account import Account
from analytics.trends.day_effects import day_effect_sd, integrate_day_effects
from analytics.trends.model import (
    ASSUMED_FLOW_NOISE,
    DEPOSIT,
    NOISE_FLOW,
    NOISE_TEMPERATURE_K,
    SIZE,
    Array,
    Model,
    ModelHours,
    film_temperatures,
    inverse_covariance,
)
from analytics.trends.priors import build_model, design_streams, nameplate_UA
from analytics.trends.reference_condition import (
    NINE_IN_TEN,
    WIDEN_DEPOSIT,
    WIDEN_REFERENCE,
    reference_point,
)
from analytics.vocabulary.quantities import PRIMARY_FLOW, SECONDARY_FLOW, TEMPERATURES
from analytics.vocabulary.records import Exchanger, Instrumentation, Remark

AUTOCORRELATED_HOURS = 6.0  # hours that tell as much as one independent hour
ROLES = (*TEMPERATURES, PRIMARY_FLOW, SECONDARY_FLOW)
LOADS = np.array([0.2, 0.35, 0.5, 0.65, 0.8, 1.0])
REFERENCE_DAYS, LATER_DAYS = 35, 30
DRIFT = np.array([0.3, 0.3, 0.3, 0.3, 0.02, 0.02])  # since the reference: K, ln flow
BLIND_K = 300.0  # scatter of a thermometer that is not there
ASSUMED_FLOW_DRIFT = 0.10  # of a building's flow that nobody measures, from season to season
DEPOSIT_PRIOR = 0.5  # times 1/U0: wider than any deposit that is left to grow
USEFUL = 0.35  # a loss known to no better than that, nine in ten, is not known


@dataclass(frozen=True, slots=True, kw_only=True)
class Worth:
    """What the loss of heat transfer will be known to, half of the nine-in-ten range, as a ratio of UA.

    ``role`` ``None``: with the instruments that are there. ``None`` for a half width: cannot be told.
    """

    role: str | None
    loss_half: float | None
    UA_clean_half: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _State:
    hot_in: float
    cold_in: float
    capacity_W_K: tuple[float, float]
    UA_W_K: float


def instruments_there(account: Account) -> frozenset[str]:
    """Return the roles, of thermometers and flows, that the exchanger has any reading of."""
    table = account.table
    there = {r for r, column in zip(TEMPERATURES, table.temperature.T, strict=True)
             if np.isfinite(column).any()}  # fmt: skip
    there |= {r for r, column in zip((PRIMARY_FLOW, SECONDARY_FLOW), table.flow.T, strict=True)
              if np.isfinite(column).any()}  # fmt: skip
    metered = np.isfinite(table.power_W).any()
    return frozenset(there | ({PRIMARY_FLOW} if metered else set()))


def worths(account: Account) -> tuple[Worth, ...]:
    """Return what is known now and with each single instrument added, the most helpful first.

    Empty where nothing is missing, or neither the design nor the readings tell where the exchanger runs.
    """
    there = instruments_there(account)
    missing = [r for r in ROLES if r not in there]
    state = _state_of(account) if missing else None
    if state is None:
        return ()
    hours = _hours(account.exchanger, state)
    if account.fit is not None and account.table.instrumentation is not Instrumentation.INCOMPLETE:
        model, point = account.fit.model, account.fit.point
    else:
        arrangement = _arrangement(account.exchanger)
        fluids = account.fluids
        model = build_model(account.exchanger, hours, *fluids, arrangement)
        point = model.prior_mean
    now = _worth(model, point, hours, there, None)
    added = [_worth(model, point, hours, there | {r}, r) for r in missing]
    return (now, *sorted(added, key=lambda w: np.inf if w.loss_half is None else w.loss_half))


def most_helpful(account: Account) -> Remark | None:
    """Say which single instrument would help most and by how much; None where none would."""
    found = worths(account)
    useful = [w for w in found[1:] if w.loss_half is not None]
    if not useful:
        return None
    now, best = found[0], useful[0]
    numbers = {"with_it": float(best.loss_half or np.nan)}
    if best.UA_clean_half is not None:
        numbers["clean_with_it"] = best.UA_clean_half
    if now.loss_half is None:
        return Remark(code="would_let_tell", numbers=numbers, words={"role": str(best.role)})
    numbers["now"] = now.loss_half
    if now.UA_clean_half is not None:
        numbers["clean_now"] = now.UA_clean_half
    code = "would_help_most" if now.UA_clean_half is not None else "would_help_and_give_U"
    return Remark(code=code, numbers=numbers, words={"role": str(best.role)})


def _arrangement(exchanger: Exchanger) -> str:
    return arrangement_of(exchanger.primary.passes, exchanger.secondary.passes)


def _state_of(account: Account) -> _State | None:
    exchanger, fluids = account.exchanger, account.fluids
    design = design_streams(exchanger, *fluids)
    if design is not None:
        UA = nameplate_UA(exchanger, *fluids, _arrangement(exchanger))
        if UA is not None:
            return _State(hot_in=design[0], cold_in=design[2], capacity_W_K=design[4:], UA_W_K=UA)
    if account.fit is None or account.assumed_secondary_m3_s is not None:
        return None
    at = reference_point(account)
    return _State(
        hot_in=at.condition.primary_inlet_degC, cold_in=at.condition.secondary_inlet_degC,
        capacity_W_K=(float(at.capacity_W_K[0]), float(at.capacity_W_K[1])),
        UA_W_K=float(at.UA_clean_W_K(at.point)[0]),
    )  # fmt: skip


def _hours(exchanger: Exchanger, state: _State) -> ModelHours:
    """A day's hours over the loads of a heating season, from the design state downwards."""
    fluids = [fluid_properties(s.fluid) for s in (exchanger.primary, exchanger.secondary)]
    share = np.repeat(LOADS, 2)
    n = len(share)
    # the network and the curve come down with the load; the flows more slowly than it
    hot_in = state.hot_in - 12.0 * (1.0 - share)
    cold_in = state.cold_in - 10.0 * (1.0 - share)
    capacity = np.column_stack(
        [state.capacity_W_K[0] * share**0.9, state.capacity_W_K[1] * share**0.6]
    )
    UA = state.UA_W_K * np.sqrt(share**0.9 * share**0.6) ** 0.65
    hot_out, cold_out = outlet_temperatures(
        hot_in, cold_in, capacity[:, 0], capacity[:, 1], UA, _arrangement(exchanger)
    )
    t = np.column_stack([hot_in, hot_out, cold_out, cold_in])
    means = film_temperatures(t)
    cp = np.column_stack([f.heat_capacity(m) for f, m in zip(fluids, means.T, strict=True)])
    density = np.column_stack([fluids[0].density(hot_out), fluids[1].density(cold_in)])
    flows = capacity / cp / density
    logs = {
        f"ln_{name}": np.log(np.column_stack(
            [getattr(f, name)(m) for f, m in zip(fluids, means.T, strict=True)]
        ))
        for name in ("conductivity", "heat_capacity", "viscosity")
    }  # fmt: skip
    noise = np.tile([*[1.5 * NOISE_TEMPERATURE_K] * 4, 2 * NOISE_FLOW, 2 * NOISE_FLOW], (n, 1))
    return ModelHours(
        temperature=t, volume_flow=flows, density=density, heat_capacity=cp, noise=noise,
        area_ratio=np.ones(n), channel_ratio=np.ones(n), both=np.ones(n, dtype=bool),
        outlet_slope=np.zeros((n, 2)), **logs,
    )  # fmt: skip


def _worth(
    model: Model,
    point: Array,
    hours: ModelHours,
    there: frozenset[str] | set[str],
    role: str | None,
) -> Worth:
    """Expected spreads with the instruments ``there``."""
    flow, noise = hours.volume_flow.copy(), hours.noise.copy()
    drift = DRIFT.copy()
    assumed = not {PRIMARY_FLOW, SECONDARY_FLOW} & set(there)
    for side, name in enumerate((PRIMARY_FLOW, SECONDARY_FLOW)):
        if name not in there:
            flow[:, side] = np.nan
    if assumed:
        flow[:, 1] = hours.volume_flow[:, 1]
        noise[:, 5] = ASSUMED_FLOW_NOISE
        drift[5] = ASSUMED_FLOW_DRIFT
    for i, name in enumerate(TEMPERATURES):
        if name not in there:
            noise[:, i] = BLIND_K
    measured = replace(
        hours, volume_flow=flow, noise=noise, both=np.asarray(np.isfinite(flow).all(axis=1))
    )
    J = model.jacobian(point, measured)
    W = inverse_covariance(J, noise, measured.both)
    one_day = 2 * np.einsum("nij,nik,nkl->jl", J, W, J) / AUTOCORRELATED_HOURS
    no_readings = np.zeros((1, len(one_day)))
    (one_day,), _ = integrate_day_effects(one_day[None], no_readings, *day_effect_sd(assumed))
    before = np.diag(model.prior_sd**-2.0) + REFERENCE_DAYS * one_day
    if model.nameplate is not None:
        _, gradient = model.at_nameplate(point)
        before += np.outer(gradient, gradient) / model.nameplate.sd**2
    P = np.linalg.inv(before)
    P[np.arange(6), np.arange(6)] += drift**2
    P[DEPOSIT, DEPOSIT] += DEPOSIT_PRIOR**2
    after = np.linalg.inv(np.linalg.inv(P) + LATER_DAYS * one_day)
    # at the middle of the loads a deposit of d/U0 takes about d of UA
    loss = NINE_IN_TEN * WIDEN_DEPOSIT * float(np.sqrt(after[DEPOSIT, DEPOSIT]))
    clean = (
        NINE_IN_TEN
        * WIDEN_REFERENCE
        * _clean_sd(model, point, hours, np.asarray(np.linalg.inv(before)))
    )
    # a verdict asks for all four temperatures, however well the balance might stand in for one
    known = loss < USEFUL and set(TEMPERATURES) <= set(there)
    return Worth(
        role=role, loss_half=loss if known else None,
        UA_clean_half=clean if known and not assumed else None,
    )  # fmt: skip


def _clean_sd(model: Model, point: Array, hours: ModelHours, P: Array) -> float:
    """Standard deviation of ln UA clean at the full load."""
    means = film_temperatures(hours.temperature)
    logs = (hours.ln_conductivity, hours.ln_heat_capacity, hours.ln_viscosity)
    mass = hours.volume_flow * hours.density
    gradient = np.zeros(SIZE)
    for i in range(SIZE):
        step = np.zeros(SIZE)
        step[i] = 1e-3 * model.prior_sd[i]
        up, down = (
            np.log(model.conductance(point + s * step, mass, means, logs, deposit=0.0)[-1])
            for s in (1, -1)
        )
        gradient[i] = (up - down) / (2 * step[i])
    return float(np.sqrt(gradient @ P @ gradient))
