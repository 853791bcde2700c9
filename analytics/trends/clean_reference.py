"""What this very exchanger does when clean: the unknowns at the end of the reference period.

Lives here: priors from the nameplate, the choice of the reference period, and the fit by maximum a
posteriori. Priors keep a short or narrow period usable, and the posterior says how usable.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from analytics.physics.effectiveness import temperature_effectiveness
from analytics.physics.fluids import DOUBT, FluidProperties
from analytics.physics.heat_loss import pack_loss_W_K
from analytics.trends.model import (
    DEPOSIT,
    INDEX,
    SIZE,
    Array,
    Model,
    ModelHours,
    inverse_covariance,
)
from analytics.vocabulary.quantities import TEMPERATURES
from analytics.vocabulary.records import Exchanger

ROUNDS = 8
STUDENT = 4.0  # degrees of freedom of the residuals' weights
AUTOCORRELATED_HOURS = 6.0  # hours that tell as much as one independent hour
REFERENCE_DAYS = 35  # days with evidence that make up the first weeks
EVIDENCE_DAY_HOURS = 3  # hours that make a day one with evidence
LEAST_REFERENCE_HOURS = 24
CAPACITY_MARGIN = 0.05  # makers oversize a little; a prior mean, not a claim


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferencePeriod:
    """Days, since 1970, from ``first`` to ``last`` inclusive; ready on the day after."""

    first: int
    last: int
    basis: Literal["known clean period", "first weeks"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CleanFit:
    """The fitted unknowns and the information that the reference period added."""

    model: Model
    point: Array  # (SIZE,) where everything later is linearised
    hours: int


def reference_period(
    day: NDArray[np.int64], usable: NDArray[np.bool_], registered: tuple[int, int] | None
) -> ReferencePeriod | None:
    """Choose the reference period from hours that carry evidence; None: too few as yet.

    At the most the first 45 days with evidence of a registered clean period, else the first 35 of
    the record: more would let a slow deposit hide in the yardstick.
    """
    days, counts = np.unique(day[usable], return_counts=True)
    good = days[counts >= EVIDENCE_DAY_HOURS]
    if registered is not None:
        inside = good[(good >= registered[0]) & (good < registered[1])]
        enough = usable & (day >= registered[0]) & (day < registered[1])
        if len(inside) and enough.sum() >= LEAST_REFERENCE_HOURS:
            # a period that still runs is not closed: wait for its end or for enough days
            closed = len(inside) >= 45 or day[-1] >= registered[1] - 1
            if not closed:
                return None
            return ReferencePeriod(
                first=int(inside[0]), last=int(inside[:45][-1]), basis="known clean period"
            )
    if len(good) < REFERENCE_DAYS:
        return None
    return ReferencePeriod(
        first=int(good[0]), last=int(good[REFERENCE_DAYS - 1]), basis="first weeks"
    )


def build_model(
    exchanger: Exchanger,
    hours: ModelHours,
    primary: FluidProperties,
    secondary: FluidProperties,
    arrangement: str,
) -> Model:
    """Set the pivot at the middle of the reference hours and the priors from the register.

    Parameters
    ----------
    hours : ModelHours
        The evidence of the reference period; at least a few hours.
    """
    neutral = Model(
        arrangement=arrangement, pivot_kg_s=(1.0, 1.0), pivot_degC=(55.0, 40.0),
        pivot_properties=((0.0, 0.0, 0.0), (0.0, 0.0, 0.0)), scale_UA_W_K=1.0,
        prior_mean=np.zeros(SIZE), prior_sd=np.ones(SIZE),
    )  # fmt: skip
    t, mass = neutral.streams(np.zeros(SIZE), hours)
    good = np.asarray(np.isfinite(mass).all(axis=1) & (mass > 0).all(axis=1))
    pivot = np.exp(np.median(np.log(mass[good]), axis=0))
    warm = np.median([t[good, 0] + t[good, 1], t[good, 2] + t[good, 3]], axis=1) / 2
    properties = tuple(
        (
            float(np.log(f.conductivity(w))),
            float(np.log(f.heat_capacity(w))),
            float(np.log(f.viscosity(w))),
        )
        for f, w in ((primary, warm[0]), (secondary, warm[1]))
    )
    nameplate = nameplate_UA(exchanger, primary, secondary, arrangement)
    if nameplate is not None:
        flows = _design_mass_flows(exchanger, primary, secondary)
        # equal films at the design point carried to the pivot with the usual exponent
        scale = float(np.prod((pivot / flows) ** 0.35)) * nameplate * (1 + CAPACITY_MARGIN)
        spread = 0.15
    else:
        scale, spread = _UA_from_readings(t[good], mass[good], hours, good), 0.5
    mean, sd = _priors(
        exchanger, scale, spread, assumed=bool((~np.isfinite(hours.volume_flow)).all())
    )
    return Model(
        arrangement=arrangement, pivot_kg_s=(float(pivot[0]), float(pivot[1])),
        pivot_degC=(float(warm[0]), float(warm[1])), pivot_properties=(properties[0], properties[1]),
        scale_UA_W_K=scale, prior_mean=mean, prior_sd=sd,
    )  # fmt: skip


def _priors(
    exchanger: Exchanger, scale: float, spread: float, *, assumed: bool
) -> tuple[Array, Array]:
    """Prior means and standard deviations of all unknowns; starting values stated where made."""
    mean, sd = np.zeros(SIZE), np.empty(SIZE)
    for i, role in enumerate(TEMPERATURES):
        described = exchanger.thermometers.get(role)
        sd[i] = described.standard_uncertainty_K if described else 0.5
    sd[:4] = np.clip(sd[:4], 0.15, 3.0)  # no thermometer in a pocket is better than that
    for side, stream in ((0, exchanger.primary), (1, exchanger.secondary)):
        # what is not known of a liquid's heat per volume acts like a gain of its meter
        meter = exchanger.meter_of(side).relative_standard_uncertainty
        sd[4 + side] = max(np.hypot(meter, DOUBT[stream.fluid.kind]), 0.005)
    wall_share = _wall_share(exchanger, scale)
    film = 2.0 * scale / (1.0 - wall_share)
    mean[INDEX["film_primary"]] = mean[INDEX["film_secondary"]] = np.log(film)
    sd[INDEX["film_primary"]] = sd[INDEX["film_secondary"]] = np.hypot(0.3, spread)
    mean[INDEX["exponent_primary"]] = mean[INDEX["exponent_secondary"]] = 0.70
    sd[INDEX["exponent_primary"]] = sd[INDEX["exponent_secondary"]] = 0.08
    mean[INDEX["wall"]] = np.log(wall_share / scale)
    sd[INDEX["wall"]] = 0.15 if exchanger.area_m2 else 0.5
    sd[INDEX["bend_primary"]] = sd[INDEX["bend_secondary"]] = 0.04
    mean[INDEX["jacket_loss"]] = sd[INDEX["jacket_loss"]] = jacket_loss_guess(exchanger, scale)
    sd[INDEX["curve_primary_meter"]] = sd[INDEX["curve_secondary_meter"]] = 0.01
    sd[INDEX["temperature_slope"]] = 0.0015
    sd[INDEX["stem_secondary_supply"]] = sd[INDEX["stem_secondary_return"]] = 0.004
    sd[DEPOSIT] = 1e-3  # clean, by the choice of the yardstick
    return mean, sd


def _wall_share(exchanger: Exchanger, scale: float) -> float:
    """Share of the plates in the whole resistance; a seventh where area is not known."""
    if exchanger.area_m2 is None:
        return 1 / 7
    wall = exchanger.plate_thickness_m / exchanger.plate_conductivity_W_mK / exchanger.area_m2
    return float(np.clip(wall * scale, 0.02, 0.6))


def jacket_loss_guess(exchanger: Exchanger, scale_UA_W_K: float) -> float:
    """Loss to the room, W/K; the plates' area from 5 kW/(m2 K) where it is not registered."""
    area = exchanger.area_m2 or scale_UA_W_K / 5000.0
    return pack_loss_W_K(area, exchanger.insulated)


def nameplate_UA(
    exchanger: Exchanger, primary: FluidProperties, secondary: FluidProperties, arrangement: str
) -> float | None:
    """Return the conductance that the design figures imply, W/K; None where they do not suffice."""
    design = design_streams(exchanger, primary, secondary)
    if design is None:
        return None
    hot_in, hot_out, cold_in, _, C1, C2 = design
    ratio = C1 / C2
    wanted = (hot_in - hot_out) / (hot_in - cold_in)
    NTU = np.geomspace(0.05, 40.0, 4000)
    reached = temperature_effectiveness(NTU, np.full_like(NTU, ratio), arrangement)
    if not reached[0] < wanted < reached[-1] * (1 - 1e-9):
        return None
    return float(np.interp(wanted, reached, NTU) * C1)


def design_streams(
    exchanger: Exchanger, primary: FluidProperties, secondary: FluidProperties
) -> tuple[float, float, float, float, float, float] | None:
    """Return the design temperatures and capacity rates, completing what duty and balance give."""
    a, b = exchanger.primary, exchanger.secondary
    if a.design_inlet_degC is None or b.design_inlet_degC is None:
        return None
    C1 = _capacity(a.design_flow_m3_s, primary, a.design_inlet_degC, a.design_outlet_degC)
    C2 = _capacity(b.design_flow_m3_s, secondary, b.design_inlet_degC, b.design_outlet_degC)
    duty = exchanger.design_duty_W
    fall = None if a.design_outlet_degC is None else a.design_inlet_degC - a.design_outlet_degC
    rise = None if b.design_outlet_degC is None else b.design_outlet_degC - b.design_inlet_degC
    if duty is None:
        if C1 is not None and fall is not None:
            duty = C1 * fall
        elif C2 is not None and rise is not None:
            duty = C2 * rise
        else:
            return None
    if fall is not None:
        C1 = duty / fall
    elif C1 is not None:
        fall = duty / C1
    if rise is not None:
        C2 = duty / rise
    elif C2 is not None:
        rise = duty / C2
    if fall is None or rise is None or C1 is None or C2 is None:
        return None
    return (
        a.design_inlet_degC, a.design_inlet_degC - fall,
        b.design_inlet_degC, b.design_inlet_degC + rise, C1, C2,
    )  # fmt: skip


def _capacity(
    flow: float | None, fluid: FluidProperties, inlet: float, outlet: float | None
) -> float | None:
    if flow is None:
        return None
    middle = inlet if outlet is None else (inlet + outlet) / 2
    return float(flow * fluid.density(middle) * fluid.heat_capacity(middle))


def _design_mass_flows(
    exchanger: Exchanger, primary: FluidProperties, secondary: FluidProperties
) -> Array:
    design = design_streams(exchanger, primary, secondary)
    assert design is not None  # the caller has a nameplate UA, which needs it
    hot_in, hot_out, cold_in, cold_out, C1, C2 = design
    return np.array(
        [
            C1 / primary.heat_capacity((hot_in + hot_out) / 2),
            C2 / secondary.heat_capacity((cold_in + cold_out) / 2),
        ]
    )


def _UA_from_readings(t: Array, mass: Array, hours: ModelHours, good: NDArray[np.bool_]) -> float:
    """Median UA of the reference hours by the textbook, the start where no nameplate is known."""
    capacity = mass * hours.heat_capacity[good]
    hot_end, cold_end = t[:, 0] - t[:, 2], t[:, 1] - t[:, 3]
    usual = np.maximum(cold_end, 0.3), np.maximum(hot_end, 0.3)
    with np.errstate(invalid="ignore", divide="ignore"):
        lmtd = np.where(
            np.abs(usual[1] - usual[0]) < 1e-6,
            usual[1],
            (usual[1] - usual[0]) / np.log(usual[1] / usual[0]),
        )
        UA = capacity[:, 0] * (t[:, 0] - t[:, 1]) / lmtd
    return float(np.nanmedian(UA))


def fit_clean(
    model: Model, hours: ModelHours, extra: Sequence[tuple[Array, float, float]] = ()
) -> CleanFit:
    """Fit the unknowns by maximum a posteriori (Gauss-Newton, Student weights).

    Parameters
    ----------
    extra : sequence of (row, value, sd)
        Further linear statements ``row @ p = value +- sd``, such as idle-hour differences.
    """
    p = model.prior_mean.copy()
    A0 = np.diag(model.prior_sd**-2.0)
    good = np.isfinite(hours.temperature).all(axis=1)
    for _ in range(ROUNDS):
        e, J = model.residuals(p, hours), model.jacobian(p, hours)
        finite = good & np.isfinite(e).all(axis=1) & np.isfinite(J).all(axis=(1, 2))
        e, J = e[finite], J[finite]
        W = inverse_covariance(J, hours.noise[finite], hours.both[finite])
        q = np.einsum("ni,nij,nj->n", e, W, e)
        w = (STUDENT + 2) / (STUDENT + q) / AUTOCORRELATED_HOURS
        WJ = np.einsum("n,nij,njk->nik", w, W, J)
        A = A0 + np.einsum("nij,nik->jk", J, WJ)
        b = A0 @ (model.prior_mean - p) - np.einsum("nik,ni->k", WJ, e)
        for row, value, sd in extra:
            A = A + np.outer(row, row) / sd**2
            b = b + row * (value - row @ p) / sd**2
        step = np.linalg.solve(A, b)
        # a long step leaves the region where the linear picture holds
        p = p + step * min(1.0, 3.0 / max(np.max(np.abs(step) / model.prior_sd), 1e-12))
        if np.max(np.abs(step) / model.prior_sd) < 1e-4:
            break
    return CleanFit(model=model, point=p, hours=len(hours))
