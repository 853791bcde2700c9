"""The exchanger as a function of its unknowns: what both outlets should read, hour by hour.

Lives here: the vector of unknowns, their priors, and the residual *reading minus prediction* of the
two outlet temperatures ("output-error form"). Every instrument's constant error and every doubt
about the film law is one of the unknowns, so that nothing has to be reconciled first and the
uncertainty of all of them reaches every conclusion. Not here: fitting (``clean_reference``), the
day's information (``daily``).

With two flow meters both outlets are predicted and the pair of residuals carries the heat balance
as well as the heat transfer; with one, the other flow follows from the balance and the primary
outlet alone is left.
"""

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from analytics.physics.effectiveness import temperature_effectiveness
from analytics.physics.fluids import FluidProperties
from analytics.physics.temperature_difference import surface_mean_temperatures
from analytics.trends.hours import T1_IN, T1_OUT, T2_IN, T2_OUT, HourTable
from analytics.vocabulary.quantities import PRIMARY_FLOW, SECONDARY_FLOW, TEMPERATURES
from analytics.vocabulary.records import Exchanger, Pipe

Array = NDArray[np.float64]

# The unknowns, in order. Thermometer errors in K, meter gains as logarithms.
UNKNOWNS: tuple[str, ...] = (
    "error_primary_supply", "error_primary_return", "error_secondary_supply", "error_secondary_return",
    "gain_primary_meter", "gain_secondary_meter",
    "film_primary", "film_secondary",              # ln of h A at the pivot, W/K
    "exponent_primary", "exponent_secondary",
    "wall",                                        # ln of the plate's resistance, K/W
    "bend_primary", "bend_secondary",              # curvature of the film law in ln flow
    "jacket_loss",                                 # W/K to the room
    "curve_primary_meter", "curve_secondary_meter",  # slope of the meters' error over ln flow
    "temperature_slope",                           # of U, 1/K
    "lag_primary", "lag_secondary",                # h, of the outlets behind the steady state, at the pivot
    "stem_secondary_supply", "stem_secondary_return",  # conduction error, per K above the room
    "deposit",                                     # R_f times U0, dimensionless
)  # fmt: skip
SIZE = len(UNKNOWNS)
INDEX: dict[str, int] = {name: i for i, name in enumerate(UNKNOWNS)}
DEPOSIT = INDEX["deposit"]
LAGS = slice(INDEX["lag_primary"], INDEX["lag_secondary"] + 1)
METER_CURVES = slice(INDEX["curve_primary_meter"], INDEX["curve_secondary_meter"] + 1)
INSTRUMENTS: tuple[tuple[int, str], ...] = (
    (0, TEMPERATURES[0]), (1, TEMPERATURES[1]), (2, TEMPERATURES[2]), (3, TEMPERATURES[3]),
    (4, PRIMARY_FLOW), (5, SECONDARY_FLOW),
)  # fmt: skip
ROOM_degC = 24.0

# Noise of an hourly mean beside the constant errors; starting values from experiments on simulated
# plants, to be overruled by what the clean weeks of a plant show (see ``daily``).
NOISE_TEMPERATURE_K = 0.04
NOISE_FLOW = 0.004
NOISE_ZERO_FLOW = 0.0008  # of nominal flow
NOISE_MODEL_K = 0.02
LAG_TEMPERATURE_h = 0.03
LAG_FLOW_h = 0.05
SNAPSHOT_LAG = 0.25  # of the logging interval: readings of a slow log are not of one instant
ASSUMED_FLOW_NOISE = 0.05  # where a steady building pump stands in for a meter


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelHours:
    """Hours prepared for the model; arrays (n,) or (n, 2) for primary and secondary.

    ``assumed_secondary`` marks hours whose secondary flow is assumed constant, not measured.
    """

    temperature: Array  # (n, 4) readings
    volume_flow: Array  # (n, 2) readings, NaN where the balance must give it
    density: Array  # (n, 2) at the meters
    heat_capacity: Array  # (n, 2) mean between inlet and outlet
    ln_conductivity: Array
    ln_heat_capacity: Array
    ln_viscosity: Array
    outlet_slope: Array  # (n, 2) of primary return and secondary supply inside the hour, K/h
    noise: Array  # (n, 6) standard deviations: four temperatures, two ln flows
    area_ratio: Array  # surface over that of the first epoch
    channel_ratio: Array  # channels over those of the first epoch
    both: NDArray[np.bool_]  # both flows: two residuals

    def __len__(self) -> int:
        return len(self.both)

    def subset(self, chosen: NDArray[np.bool_] | NDArray[np.int64]) -> "ModelHours":
        """Return the chosen hours."""
        return ModelHours(**{name: getattr(self, name)[chosen] for name in self.__slots__})


@dataclass(frozen=True, slots=True, kw_only=True)
class NameplateStatement:
    """What the nameplate says of the clean conductance at the design condition, and how surely."""

    ln_UA: float  # W/K
    sd: float
    mass_flow_kg_s: Array  # (2,)
    mean_degC: Array  # (2,) over the surface
    ln_properties: tuple[Array, Array, Array]  # conductivity, heat capacity, viscosity, each (2,)


@dataclass(frozen=True, slots=True, kw_only=True)
class Model:
    """The constants of one exchanger's model; the unknowns are passed beside it."""

    arrangement: str
    pivot_kg_s: tuple[float, float]
    pivot_degC: tuple[float, float]
    pivot_properties: tuple[
        tuple[float, float, float], tuple[float, float, float]
    ]  # ln k, ln cp, ln mu
    scale_UA_W_K: float  # U0: makes the deposit dimensionless
    prior_mean: Array = field(repr=False)
    prior_sd: Array = field(repr=False)
    nameplate: NameplateStatement | None = None

    def conductance(
        self,
        p: Array,
        mass_flow: Array,
        mean_degC: Array,
        ln_properties: tuple[Array, Array, Array],
        area_ratio: Array | float = 1.0,
        channel_ratio: Array | float = 1.0,
        deposit: Array | float | None = None,
    ) -> Array:
        """Return UA in W/K.

        ``1/UA = (1/h1A + 1/h2A + wall + deposit/U0) / area ratio`` with
        ``hA = exp(a + n x + q x^2) phi exp(kT (Tm - 47))``, x the ln of mass flow per channel over the
        pivot, phi the property group k^(2/3) cp^(1/3) mu^(1/3-n) relative to the pivot temperature.

        Parameters
        ----------
        p : array, shape (SIZE,)
        mass_flow, mean_degC : arrays, shape (n, 2)
        ln_properties : ln of conductivity, heat capacity, viscosity, each (n, 2)
        deposit : overrides that of ``p``
        """
        resistance = (
            np.exp(p[INDEX["wall"]])
            + (p[DEPOSIT] if deposit is None else deposit) / self.scale_UA_W_K
        )
        warm = np.exp(p[INDEX["temperature_slope"]] * (mean_degC.mean(axis=1) - 47.0))
        ln_k, ln_cp, ln_mu = ln_properties
        with np.errstate(invalid="ignore", divide="ignore"):
            for side in (0, 1):
                x = np.log(mass_flow[:, side] / channel_ratio / self.pivot_kg_s[side])
                n = p[INDEX["exponent_primary"] + side]
                k0, cp0, mu0 = self.pivot_properties[side]
                ln_phi = (
                    (ln_k[:, side] - k0) * (2 / 3)
                    + (ln_cp[:, side] - cp0) / 3
                    + (ln_mu[:, side] - mu0) * (1 / 3 - n)
                )
                ln_h = (
                    p[INDEX["film_primary"] + side]
                    + n * x
                    + p[INDEX["bend_primary"] + side] * x**2
                    + ln_phi
                )
                resistance = resistance + np.exp(-ln_h) / warm
            return np.asarray(area_ratio / resistance)

    def streams(self, p: Array, hours: ModelHours) -> tuple[Array, Array]:
        """Return corrected temperatures (n, 4) and mass flows (n, 2) under the unknowns ``p``."""
        t = hours.temperature - p[:4]
        stems = p[INDEX["stem_secondary_supply"] : INDEX["stem_secondary_return"] + 1]
        t[:, 2:] += stems * (hours.temperature[:, 2:] - ROOM_degC)
        with np.errstate(invalid="ignore", divide="ignore"):
            mass = hours.volume_flow * hours.density
            ln_relative = np.log(mass / np.array(self.pivot_kg_s))
            mass = mass * np.exp(-p[4:6] - p[METER_CURVES] * ln_relative)
            fall, rise = t[:, T1_IN] - t[:, T1_OUT], t[:, T2_OUT] - t[:, T2_IN]
            cp = hours.heat_capacity
            loss = self._lost_W(p, t).sum(axis=1)
            from_1 = (mass[:, 0] * cp[:, 0] * fall - loss) / (cp[:, 1] * rise)
            from_2 = (mass[:, 1] * cp[:, 1] * rise + loss) / (cp[:, 0] * fall)
            mass = np.column_stack(
                [
                    np.where(np.isfinite(mass[:, 0]), mass[:, 0], from_2),
                    np.where(np.isfinite(mass[:, 1]), mass[:, 1], from_1),
                ]
            )
        return t, mass

    def _lost_W(self, p: Array, t: Array) -> Array:
        """Heat lost to the room by each stream behind the last plate, W, (n, 2).

        What is lost inside the pack, the plates largely make good; what is lost between them and the
        thermometers, at the outlets' temperatures, they cannot.
        """
        outlets = t[:, [T1_OUT, T2_OUT]]
        return np.asarray(p[INDEX["jacket_loss"]] / 2 * (outlets - ROOM_degC))

    def residuals(self, p: Array, hours: ModelHours, more_deposit: Array | float = 0.0) -> Array:
        """Reading minus prediction of primary return and secondary supply, K, shape (n, 2).

        ``more_deposit`` (n,) is added to that of ``p``: where the hours are linearised.
        """
        t, mass = self.streams(p, hours)
        mean = film_temperatures(t)
        conductance = self.conductance(
            p,
            mass,
            mean,
            (hours.ln_conductivity, hours.ln_heat_capacity, hours.ln_viscosity),
            hours.area_ratio,
            hours.channel_ratio,
            deposit=p[DEPOSIT] + more_deposit,
        )
        capacity = mass * hours.heat_capacity
        with np.errstate(invalid="ignore", divide="ignore"):
            ratio = capacity[:, 0] / capacity[:, 1]
            effectiveness = temperature_effectiveness(
                conductance / capacity[:, 0], ratio, self.arrangement
            )
            span = t[:, T1_IN] - t[:, T2_IN]
            lost = self._lost_W(p, t) / capacity
            primary_out = t[:, T1_IN] - effectiveness * span - lost[:, 0]
            secondary_out = t[:, T2_IN] + effectiveness * ratio * span - lost[:, 1]
            # water and plates take heat up: an outlet stays behind its steady state by lag x slope
            lag = p[LAGS] * np.array(self.pivot_kg_s) / mass
        e = np.column_stack([t[:, T1_OUT] - primary_out, t[:, T2_OUT] - secondary_out])
        e += lag * hours.outlet_slope
        e[~hours.both, 1] = 0.0
        return e

    def jacobian(self, p: Array, hours: ModelHours, more_deposit: Array | float = 0.0) -> Array:
        """Derivative of :meth:`residuals` by central differences, shape (n, 2, SIZE)."""
        J = np.empty((len(hours), 2, SIZE))
        for i in range(SIZE):
            step = np.zeros(SIZE)
            step[i] = 1e-3 * self.prior_sd[i]
            up, down = (self.residuals(p + s * step, hours, more_deposit) for s in (1, -1))
            J[:, :, i] = (up - down) / (2 * step[i])
        return J

    def at_nameplate(self, p: Array) -> tuple[float, Array]:
        """Return ln of the clean conductance at the nameplate's condition, and its gradient (SIZE,)."""
        assert self.nameplate is not None
        plate = self.nameplate
        flow, warm = plate.mass_flow_kg_s[None], plate.mean_degC[None]
        k, cp, mu = (x[None] for x in plate.ln_properties)

        def ln_UA(q: Array) -> float:
            return float(np.log(self.conductance(q, flow, warm, (k, cp, mu), deposit=0.0)[0]))

        steps = np.diag(1e-3 * self.prior_sd)
        gradient = [
            (ln_UA(p + s) - ln_UA(p - s)) / (2e-3 * sd)
            for s, sd in zip(steps, self.prior_sd, strict=True)
        ]
        return ln_UA(p), np.array(gradient)

    def with_prior(self, mean: Array, sd: Array) -> "Model":
        """Return the same model under another prior."""
        return replace(self, prior_mean=mean, prior_sd=sd)


def inverse_covariance(J: Array, noise: Array, both: NDArray[np.bool_]) -> Array:
    """Return the inverse covariance of each hour's residuals, shape (n, 2, 2).

    The columns of J for the thermometers and meters are the sensitivities to their noise, so load,
    approach and transients weigh themselves.
    """
    G = J[:, :, :6] * noise[:, None, :]
    C = np.einsum("nik,njk->nij", G, G)
    C[:, 0, 0] += NOISE_MODEL_K**2
    C[:, 1, 1] += NOISE_MODEL_K**2
    C[~both, 0, 1] = C[~both, 1, 0] = 0.0
    C[~both, 1, 1] = 1.0
    det = C[:, 0, 0] * C[:, 1, 1] - C[:, 0, 1] ** 2
    inverse = np.empty_like(C)
    inverse[:, 0, 0], inverse[:, 1, 1] = C[:, 1, 1] / det, C[:, 0, 0] / det
    inverse[:, 0, 1] = inverse[:, 1, 0] = -C[:, 0, 1] / det
    inverse[~both, 1, 1] = 0.0
    return np.asarray(inverse)


def film_temperatures(t: Array) -> Array:
    """Mean temperatures of both streams over the surface, (n, 2), from four terminal ones, (n, 4)."""
    return np.column_stack(
        surface_mean_temperatures(t[:, T1_IN], t[:, T1_OUT], t[:, T2_IN], t[:, T2_OUT])
    )


def prepare_hours(
    exchanger: Exchanger,
    table: HourTable,
    chosen: NDArray[np.bool_],
    primary: FluidProperties,
    secondary: FluidProperties,
    area_ratio: Array,
    channel_ratio: Array,
    assumed_secondary_m3_s: float | None,
) -> ModelHours:
    """Turn the chosen rows of the hour table into what the model needs.

    ``assumed_secondary_m3_s`` stands in for a meter where nothing measures a flow.
    """
    t = table.temperature[chosen]
    flow = table.flow[chosen].copy()
    assumed = np.zeros(len(t), dtype=bool)
    if assumed_secondary_m3_s is not None:
        assumed = np.asarray(~np.isfinite(flow).any(axis=1))
        flow[assumed, 1] = assumed_secondary_m3_s
    fluids = (primary, secondary)
    inlet_outlet = ((T1_IN, T1_OUT), (T2_IN, T2_OUT))
    density, cp, ln_k, ln_cp, ln_mu = (np.empty((len(t), 2)) for _ in range(5))
    films = film_temperatures(t)
    for side, (fluid, (i, o)) in enumerate(zip(fluids, inlet_outlet, strict=True)):
        mean = films[:, side]
        density[:, side] = fluid.density(t[:, meter_pipe(exchanger, side)])
        cp[:, side] = fluid.mean_heat_capacity(t[:, i], t[:, o])
        ln_k[:, side] = np.log(fluid.conductivity(mean))
        ln_cp[:, side] = np.log(fluid.heat_capacity(mean))
        ln_mu[:, side] = np.log(fluid.viscosity(mean))
    return ModelHours(
        temperature=t, volume_flow=flow, density=density, heat_capacity=cp,
        ln_conductivity=ln_k, ln_heat_capacity=ln_cp, ln_viscosity=ln_mu,
        outlet_slope=table.temperature_slope[chosen][:, [T1_OUT, T2_OUT]],
        noise=_noise(exchanger, table, chosen, flow, assumed),
        area_ratio=area_ratio[chosen], channel_ratio=channel_ratio[chosen],
        both=np.asarray(np.isfinite(flow).all(axis=1)),
    )  # fmt: skip


def meter_pipe(exchanger: Exchanger, side: int) -> int:
    """Return the column of the temperature at which the side's meter measures volume."""
    in_return = exchanger.meter_of(side).pipe is Pipe.RETURN
    if side == 0:
        return T1_OUT if in_return else T1_IN
    return T2_IN if in_return else T2_OUT


def _noise(
    exchanger: Exchanger,
    table: HourTable,
    chosen: NDArray[np.bool_],
    flow: Array,
    assumed: NDArray[np.bool_],
) -> Array:
    """Standard deviations of an hour's four temperatures and two ln flows."""
    lag = np.maximum(LAG_TEMPERATURE_h, SNAPSHOT_LAG * np.minimum(table.spacing_h, 1.0))[chosen]
    slope = hourly_slope(table.temperature)[chosen]
    temperature = np.sqrt(
        NOISE_TEMPERATURE_K**2 + (lag[:, None] * slope) ** 2 + table.temperature_variance[chosen]
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        flow_slope = hourly_slope(np.log(table.flow))[chosen]
        nominal = np.array([nominal_flow(exchanger, table, side) for side in (0, 1)])
        flow_lag = np.maximum(LAG_FLOW_h, lag)[:, None]
        ln_flow = np.sqrt(
            NOISE_FLOW**2
            + (flow_lag * np.clip(np.nan_to_num(flow_slope), -3.0, 3.0)) ** 2
            + (NOISE_ZERO_FLOW * nominal / flow) ** 2
            + table.flow_variance[chosen]
        )
    ln_flow[assumed, 1] = ASSUMED_FLOW_NOISE
    return np.column_stack([temperature, np.nan_to_num(ln_flow, nan=0.0)])


def hourly_slope(values: Array) -> Array:
    """Change since the hour before, per hour; zero where that hour is not known."""
    change = np.zeros_like(values)
    change[1:] = values[1:] - values[:-1]
    return np.nan_to_num(change, nan=0.0)


def nominal_flow(exchanger: Exchanger, table: HourTable, side: int) -> float:
    """Return the design flow of a side, or the usual running flow of its first weeks, m3/s."""
    stream = exchanger.primary if side == 0 else exchanger.secondary
    if stream.design_flow_m3_s is not None:
        return stream.design_flow_m3_s
    running = table.flow[:, side]
    running = running[np.isfinite(running) & (running > 0)][:300]
    return float(np.quantile(running, 0.9)) if len(running) else 1e-3
