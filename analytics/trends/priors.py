"""What is held of an exchanger before its readings are seen: the nameplate, and the trade's usual ranges.

Lives here: the prior of every unknown, the pivot, what the nameplate says of the clean conductance at
the design condition. Not here: the fit (``clean_reference``).
"""

import numpy as np
from numpy.typing import NDArray

from analytics.physics.effectiveness import temperature_effectiveness
from analytics.physics.fluids import DOUBT, FluidProperties
from analytics.physics.heat_loss import pack_loss_W_K
from analytics.trends.model import (
    DEPOSIT,
    INDEX,
    LAGS,
    SIZE,
    Array,
    Model,
    ModelHours,
    NameplateStatement,
    film_temperatures,
)
from analytics.vocabulary.quantities import TEMPERATURES
from analytics.vocabulary.records import Exchanger

CAPACITY_MARGIN = 0.10  # makers oversize by 5 to 15 % (common practice); a prior mean, not a claim
CAPACITY_SPREAD = 0.10
FILM_SPREAD = 0.3
LAG_h = 0.03  # of an outlet at usual flow: minutes of water and steel, and a pocket's own lag


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
    plate = _nameplate_statement(exchanger, primary, secondary, arrangement)
    if plate is not None:
        # equal films at the design point carried to the pivot with the usual exponent
        shrink = float(np.prod((pivot / plate.mass_flow_kg_s) ** 0.35))
        scale, spread = shrink * float(np.exp(plate.ln_UA)), FILM_SPREAD
    else:
        scale = _UA_from_readings(t[good], mass[good], hours, good)
        spread = float(np.hypot(FILM_SPREAD, 0.5))
    mean, sd = _priors(
        exchanger, scale, spread, assumed=bool((~np.isfinite(hours.volume_flow)).all())
    )
    model = Model(
        arrangement=arrangement, pivot_kg_s=(float(pivot[0]), float(pivot[1])),
        pivot_degC=(float(warm[0]), float(warm[1])), pivot_properties=(properties[0], properties[1]),
        scale_UA_W_K=scale, prior_mean=mean, prior_sd=sd, nameplate=plate,
    )  # fmt: skip
    return model if plate is None else _films_to_nameplate(model)


def _films_to_nameplate(model: Model) -> Model:
    """Shift both films' prior means alike until they give the nameplate's conductance there.

    The design state is warmer than the pivot, and the wall does not thin with the flow: equal films
    carried over by the flow alone would contradict the statement on the nameplate.
    """
    assert model.nameplate is not None
    mean = model.prior_mean.copy()
    films = [INDEX["film_primary"], INDEX["film_secondary"]]
    for _ in range(8):
        reached, gradient = model.at_nameplate(mean)
        mean[films] += (model.nameplate.ln_UA - reached) / gradient[films].sum()
    return model.with_prior(mean, model.prior_sd)


def _nameplate_statement(
    exchanger: Exchanger, primary: FluidProperties, secondary: FluidProperties, arrangement: str
) -> NameplateStatement | None:
    """Say what the nameplate implies of the clean conductance; None where it says too little."""
    UA = nameplate_UA(exchanger, primary, secondary, arrangement)
    design = design_streams(exchanger, primary, secondary)
    if UA is None or design is None:
        return None
    hot_in, hot_out, cold_in, cold_out, C1, C2 = design
    means = film_temperatures(np.array([[hot_in, hot_out, cold_out, cold_in]]))[0]
    fluids = (primary, secondary)
    cp = (
        primary.mean_heat_capacity(hot_in, hot_out),
        secondary.mean_heat_capacity(cold_in, cold_out),
    )
    ln_properties = tuple(
        np.array([np.log(getattr(f, name)(m)) for f, m in zip(fluids, means, strict=True)])
        for name in ("conductivity", "heat_capacity", "viscosity")
    )
    return NameplateStatement(
        ln_UA=float(np.log(UA * (1 + CAPACITY_MARGIN))), sd=CAPACITY_SPREAD,
        mass_flow_kg_s=np.array([C1, C2]) / np.array(cp, dtype=float).ravel(), mean_degC=means,
        ln_properties=(ln_properties[0], ln_properties[1], ln_properties[2]),
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
    sd[INDEX["film_primary"]] = sd[INDEX["film_secondary"]] = spread
    mean[INDEX["exponent_primary"]] = mean[INDEX["exponent_secondary"]] = 0.70
    sd[INDEX["exponent_primary"]] = sd[INDEX["exponent_secondary"]] = 0.08
    mean[INDEX["wall"]] = np.log(wall_share / scale)
    sd[INDEX["wall"]] = 0.15 if exchanger.area_m2 else 0.5
    sd[INDEX["bend_primary"]] = sd[INDEX["bend_secondary"]] = 0.04
    mean[INDEX["jacket_loss"]] = sd[INDEX["jacket_loss"]] = jacket_loss_guess(exchanger, scale)
    sd[INDEX["curve_primary_meter"]] = sd[INDEX["curve_secondary_meter"]] = 0.01
    mean[LAGS] = sd[LAGS] = LAG_h
    sd[INDEX["temperature_slope"]] = 0.0008
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
