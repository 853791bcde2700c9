"""The indicators of each interval, each with its two standard uncertainties.

Lives here: duty, effectiveness, NTU, LMTD and the approaches as the instruments read (``as_read``); UA,
U, fouling resistance and cleanliness with the instruments corrected by what the reference period showed
(``as_corrected``). Every figure is a function of readings, or of the model's unknowns, and its doubt is
propagated from those, so that a thermometer in both duty and LMTD counts once, with its sign, and
what clean and present UA have in common drops out of the cleanliness.

Systematic: the constant errors of the instruments; as registered for what is read, and as the
reference period left them for what is corrected. Random: an hour's noise and the day's wander.
"""

from collections.abc import Callable

import numpy as np

from analytics.physics.balance import balance_residual_uncertainty
from analytics.physics.effectiveness import (
    arrangement_of,
    conductance_from_outlets,
    number_of_transfer_units,
)
from analytics.physics.fluids import DOUBT, FluidProperties
from analytics.physics.instruments import (
    flow_meter_uncertainty,
    heat_meter_difference_uncertainty,
)
from analytics.physics.temperature_difference import log_mean_temperature_difference
from analytics.physics.uncertainty import Doubt, doubt, sensitivities
from analytics.trends.account import Account
from analytics.trends.day_effects import DAY_EFFECT_METER, DAY_EFFECT_TEMPERATURE_K
from analytics.trends.hours import T1_IN, T1_OUT, T2_IN, T2_OUT, HourTable
from analytics.trends.model import DEPOSIT, INDEX, SIZE, Array, ModelHours, film_temperatures
from analytics.vocabulary.quantities import ROLE_NAMES
from analytics.vocabulary.records import Exchanger, Pipe, Thermometer

STEP_K, STEP_LN = 1e-3, 1e-4  # of the central differences
SEASON_WANDER = np.array([*[0.035] * 4, 0.002, 0.002])  # over weeks: K, ln flow
DAY_WANDER = np.array([*[DAY_EFFECT_TEMPERATURE_K] * 4, DAY_EFFECT_METER, DAY_EFFECT_METER])
_LEAST_CHANGE_K, _LEAST_SPAN_K = 0.5, 1.0  # below, a ratio of temperature changes says nothing


def registered_doubt(exchanger: Exchanger) -> Array:
    """Standard uncertainties of the constant errors of the four thermometers, K."""
    return np.array(
        [
            exchanger.thermometers.get(r, Thermometer(role=r)).standard_uncertainty_K
            for r in ROLE_NAMES[:4]
        ]
    )


def relative_duty_uncertainty(
    exchanger: Exchanger, side: int, flow: Array, difference_K: Array
) -> Array:
    """Constant part, relative: flow, temperature difference (as a pair in a heat meter) and liquid."""
    meter = exchanger.meter_of(side)
    kind = (exchanger.primary, exchanger.secondary)[side].fluid.kind
    difference_K = np.where(difference_K > 0, difference_K, np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):
        if meter.least_difference_K is not None:
            pair = heat_meter_difference_uncertainty(difference_K, meter.least_difference_K)
        else:
            pair = np.hypot(*registered_doubt(exchanger)[2 * side : 2 * side + 2]) / difference_K
        parts = flow_meter_uncertainty(meter, flow) ** 2 + pair**2 + DOUBT[kind] ** 2
    return np.asarray(np.sqrt(parts))


def _named(name: str, ending: str, value: Array, doubts: Doubt) -> dict[str, Array]:
    unknown = ~np.isfinite(value)
    return {
        f"{name}{ending}": value,
        f"{name}_u{ending}": np.where(unknown, np.nan, doubts.total),
        f"{name}_random_u{ending}": np.where(unknown, np.nan, doubts.random),
    }


def as_read(account: Account, table: HourTable, hours: ModelHours) -> dict[str, Array]:
    """Return the indicators that follow from the readings as they are."""
    exchanger = account.exchanger
    # the meters' part of the duties is put in afterwards, as it goes with the flow
    known = np.append(registered_doubt(exchanger), [0.0, 0.0])
    noise = np.hypot(hours.noise.T, DAY_WANDER[:, None])
    readings = [*table.temperature.T, *np.log(np.where(table.flow > 0, table.flow, np.nan)).T]
    steps = np.array([*[STEP_K] * 4, *[STEP_LN] * 2])
    found: dict[str, Array] = {}
    arrangement = arrangement_of(exchanger.primary.passes, exchanger.secondary.passes)
    for name, ending, function in _functions(exchanger, account.fluids, arrangement):
        uses = slice(0, 4) if ending != "_W" and name != "balance_residual" else slice(0, 6)
        with np.errstate(invalid="ignore", divide="ignore"):
            value = function(*readings[uses])
            slopes = sensitivities(function, readings[uses], steps[uses])
        # a figure of one side alone is there without the other side's flow
        used = np.isfinite(slopes)
        slopes = np.where(used, slopes, 0.0)
        found |= _named(name, ending, value, doubt(slopes, known[uses], noise[uses]))
    found |= _duties_as_registered(exchanger, table, found)
    # a standing meter reads no duty, not an unknown one
    for side, name in enumerate(("duty_primary", "duty_secondary")):
        stands = table.flow[:, side] == 0
        found[f"{name}_W"] = np.where(stands, 0.0, found[f"{name}_W"])
    t = table.temperature
    fall, rise = t[:, T1_IN] - t[:, T1_OUT], t[:, T2_OUT] - t[:, T2_IN]
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.minimum(fall, rise) / np.maximum(fall, rise)
        found["capacity_rate_ratio"] = np.where(_works(*t.T), ratio, np.nan)
    return found


def _duties_as_registered(
    exchanger: Exchanger, table: HourTable, found: dict[str, Array]
) -> dict[str, Array]:
    """Replace the constant part of both duties and their residual by what meters and liquid make it."""
    replaced, constant = {}, []
    for side, name in enumerate(("duty_primary", "duty_secondary")):
        t = table.temperature[:, 2 * side : 2 * side + 2]
        relative = relative_duty_uncertainty(
            exchanger, side, table.flow[:, side], np.abs(t[:, 0] - t[:, 1])
        )
        constant.append(np.abs(found[f"{name}_W"]) * relative)
        replaced[f"{name}_u_W"] = np.hypot(constant[side], found[f"{name}_random_u_W"])
    residual = balance_residual_uncertainty(
        found["duty_primary_W"], constant[0], found["duty_secondary_W"], constant[1]
    )
    replaced["balance_residual_u"] = np.hypot(residual, found["balance_residual_random_u"])
    return replaced


def _works(hot_in: Array, hot_out: Array, warm_out: Array, warm_in: Array) -> Array:
    changes = np.minimum(hot_in - hot_out, warm_out - warm_in)
    return np.asarray((changes > _LEAST_CHANGE_K) & (hot_in - warm_in > _LEAST_SPAN_K))


def _functions(
    exchanger: Exchanger, fluids: tuple[FluidProperties, FluidProperties], arrangement: str
) -> list[tuple[str, str, Callable[..., Array]]]:
    """Name, unit's ending and function of the readings, in the order of the hour table's columns."""

    def duty(side: int, ln_flow: Array, supply: Array, back: Array) -> Array:
        fluid, meter = fluids[side], exchanger.meter_of(side)
        at_meter = supply if meter.pipe is Pipe.SUPPLY else back
        heat = fluid.enthalpy(supply) - fluid.enthalpy(back)
        return np.asarray(np.exp(ln_flow) * fluid.density(at_meter) * heat)

    def primary(a: Array, b: Array, c: Array, d: Array, V1: Array, V2: Array) -> Array:
        return duty(0, V1, a, b)

    def secondary(a: Array, b: Array, c: Array, d: Array, V1: Array, V2: Array) -> Array:
        return duty(1, V2, c, d)

    def residual(a: Array, b: Array, c: Array, d: Array, V1: Array, V2: Array) -> Array:
        one, two = duty(0, V1, a, b), duty(1, V2, c, d)
        mean = (one + two) / 2
        return np.where(mean > 0, (two - one) / mean, np.nan)

    def effectiveness(a: Array, b: Array, c: Array, d: Array) -> Array:
        return np.where(_works(a, b, c, d), np.maximum(a - b, c - d) / (a - d), np.nan)

    def NTU(a: Array, b: Array, c: Array, d: Array) -> Array:
        fall, rise = a - b, c - d
        on_primary = number_of_transfer_units(fall / (a - d), rise / fall, arrangement)
        smaller = on_primary * np.where(fall >= rise, 1.0, fall / rise)
        return np.where(_works(a, b, c, d), smaller, np.nan)

    def lmtd(a: Array, b: Array, c: Array, d: Array) -> Array:
        return log_mean_temperature_difference(a, b, d, c, arrangement)

    def cold(a: Array, b: Array, c: Array, d: Array) -> Array:
        return b - d

    def hot(a: Array, b: Array, c: Array, d: Array) -> Array:
        return a - c

    return [
        ("duty_primary", "_W", primary), ("duty_secondary", "_W", secondary),
        ("balance_residual", "", residual), ("effectiveness", "", effectiveness), ("NTU", "", NTU),
        ("lmtd", "_K", lmtd), ("approach_cold", "_K", cold), ("approach_hot", "_K", hot),
    ]  # fmt: skip


# Unknowns that change what the streams are taken to be; the others touch clean plates alone.
_STREAM_UNKNOWNS = (
    0, 1, 2, 3, 4, 5, INDEX["jacket_loss"], INDEX["curve_primary_meter"], INDEX["curve_secondary_meter"],
    INDEX["stem_secondary_supply"], INDEX["stem_secondary_return"],
)  # fmt: skip


def as_corrected(account: Account, hours: ModelHours) -> dict[str, Array]:
    """Return UA, U, fouling resistance and cleanliness, the instruments' known errors taken out."""
    if account.fit is None or account.assumed_secondary_m3_s is not None:
        return {}
    model, point = account.fit.model, account.fit.point
    UA, clean = _present_and_clean(account, hours, point)
    slopes = np.zeros((2, SIZE, len(hours)))  # of ln UA and of ln UA clean
    for i in range(SIZE):
        if i == DEPOSIT:
            continue
        step = np.zeros(SIZE)
        step[i] = 1e-2 * model.prior_sd[i]
        if i in _STREAM_UNKNOWNS:
            up, down = (_present_and_clean(account, hours, point + s * step) for s in (1, -1))
            with np.errstate(invalid="ignore", divide="ignore"):
                slopes[0, i] = np.log(up[0] / down[0]) / (2 * step[i])
        else:
            up, down = (
                (UA, _present_and_clean(account, hours, point + s * step, clean_alone=True)[1])
                for s in (1, -1)
            )
        with np.errstate(invalid="ignore", divide="ignore"):
            slopes[1, i] = np.log(up[1] / down[1]) / (2 * step[i])
    slopes = np.nan_to_num(slopes, nan=0.0)
    # an error of a reading acts as the same unknown does, with the other sign
    noise = np.zeros((SIZE, len(hours)))
    noise[:6] = np.hypot(hours.noise.T, DAY_WANDER[:, None])
    noise[4:6] = np.where(np.isfinite(hours.volume_flow.T), noise[4:6], 0.0)
    covariance = _reference_covariance(account)
    area = (account.exchanger.area_m2 or np.nan) * hours.area_ratio
    found = {"UA_clean_W_K": clean}
    relative = doubt(slopes[0], covariance, noise)
    found |= _named("UA", "_W_K", UA, _scaled(relative, UA))
    relative_U = relative
    found |= _named("U", "_W_m2K", UA / area, _scaled(relative_U, UA / area))
    of_cleanliness = doubt(slopes[0] - slopes[1], covariance, noise)
    with np.errstate(invalid="ignore", divide="ignore"):
        found |= _named("cleanliness", "", UA / clean, _scaled(of_cleanliness, UA / clean))
        of_resistance = doubt(slopes[1] / clean - slopes[0] / UA, covariance, noise)
        found |= _named("Rf", "_m2K_W", (1 / UA - 1 / clean) * area, _scaled(of_resistance, area))
    return found


def _scaled(doubts: Doubt, by: Array) -> Doubt:
    return Doubt(systematic=doubts.systematic * np.abs(by), random=doubts.random * np.abs(by))


def _present_and_clean(
    account: Account, hours: ModelHours, p: Array, *, clean_alone: bool = False
) -> tuple[Array, Array]:
    """Return UA as it is and as clean plates would have it, under the unknowns ``p``."""
    assert account.fit is not None
    model = account.fit.model
    t, mass = model.streams(p, hours)
    means = film_temperatures(t)
    clean = model.conductance(
        p, mass, means, (hours.ln_conductivity, hours.ln_heat_capacity, hours.ln_viscosity),
        hours.area_ratio, hours.channel_ratio, deposit=0.0,
    )  # fmt: skip
    if clean_alone:
        return clean, clean
    capacity = mass * hours.heat_capacity
    with np.errstate(invalid="ignore"):
        mean_duty = (
            capacity[:, 0] * (t[:, T1_IN] - t[:, T1_OUT])
            + capacity[:, 1] * (t[:, T2_OUT] - t[:, T2_IN])
        ) / 2
    UA = conductance_from_outlets(
        t[:, T1_IN], t[:, T1_OUT], t[:, T2_IN], t[:, T2_OUT], mean_duty, model.arrangement
    )
    return UA, clean


def _reference_covariance(account: Account) -> Array:
    """Covariance of the unknowns at the end of the reference period, and how instruments wander since.

    Weeks of wander neither average out over the reference period nor belong to a single hour.
    """
    assert account.info is not None
    assert account.ready is not None
    inside = account.info.day < account.ready
    A = account.info.prior_matrix + account.info.matrix[inside].sum(axis=0)
    covariance = np.asarray(np.linalg.inv(A)[:SIZE, :SIZE])
    covariance[np.arange(6), np.arange(6)] += SEASON_WANDER**2
    return covariance
