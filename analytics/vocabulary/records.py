"""Frozen records: what is known of an exchanger, and what an assessment concludes.

Lives here: the shapes that cross between packages. Not here: any computation beyond refusing
nonsense. Units end the names; SI and degC inside; time is aware UTC.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Literal

import pandas as pd

from analytics.vocabulary.errors import RegisterError
from analytics.vocabulary.quantities import PRIMARY_FLOW, ROLES, SECONDARY_FLOW

METER_ROLES = ((PRIMARY_FLOW, "heat_power"), (SECONDARY_FLOW,))  # of each side, in this order


def _require_positive(tag: str, **values: float | None) -> None:
    for name, value in values.items():
        # written this way round so that NaN is refused too
        if value is not None and not value > 0:
            raise RegisterError(f"{tag}: {name} must be positive, got {value!r}.")


def _require_aware(where: str, **times: datetime | None) -> None:
    for name, time in times.items():
        if time is not None and time.tzinfo is None:
            raise RegisterError(f"{where}: {name} must carry a time zone, got {time!r}.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A value and the interval that holds the truth nine times in ten."""

    value: float
    low: float
    high: float


# --- what is known of an exchanger -----------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class PropertyTable:
    """Properties of a liquid by temperature, as a user supplied them; all of equal length.

    ``name`` is where they come from, to be shown.
    """

    temperature_degC: tuple[float, ...]
    density_kg_m3: tuple[float, ...]
    heat_capacity_J_kgK: tuple[float, ...]
    viscosity_Pa_s: tuple[float, ...]
    conductivity_W_mK: tuple[float, ...]
    name: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fluid:
    """A liquid. ``fraction`` is that of the glycol; ``table`` for any other liquid."""

    kind: Literal["water", "ethylene glycol", "propylene glycol", "table"] = "water"
    fraction: float = 0.0
    basis: Literal["mass", "volume"] = "mass"
    table: PropertyTable | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Stream:
    """One side of an exchanger, as designed; ``None``: not known."""

    fluid: Fluid = field(default_factory=Fluid)
    passes: int = 1
    design_inlet_degC: float | None = None
    design_outlet_degC: float | None = None
    design_flow_m3_s: float | None = None
    design_pressure_drop_Pa: float | None = None
    pressure_rating_Pa: float | None = None


class Pipe(StrEnum):
    """Where a flow meter sits: the density there turns volume into mass."""

    SUPPLY = "supply"
    RETURN = "return"


@dataclass(frozen=True, slots=True, kw_only=True)
class Thermometer:
    """A thermometer and how far it may be off: standard uncertainty of its constant error."""

    role: str
    standard_uncertainty_K: float = 0.5
    described: str = "not described: taken as a BMS thermometer"


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowMeter:
    """A flow meter, or a heat meter's flow part."""

    role: str
    pipe: Pipe = Pipe.RETURN
    relative_standard_uncertainty: float = 0.02
    accuracy_class: int | None = None  # EN 1434 of the flow sensor, where known
    nominal_flow_m3_s: float | None = None  # qp
    low_flow_m3_s: float | None = None  # qi: below it the meter shows nothing that can be used
    least_difference_K: float | None = None  # of a heat meter with a matched pair of thermometers
    calculates_with: Literal["water", "liquid"] = "water"  # a heat meter; "liquid": that registered
    described: str = "not described: taken as about EN 1434 class 2 in service"


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """When a person wants to hear of it. ``approach_K`` holds at the reference condition."""

    approach_K: float | None = None
    cleanliness_factor: float = 0.75  # used when no approach limit is given
    false_alerts_per_year: float = 0.01  # per exchanger


@dataclass(frozen=True, slots=True, kw_only=True)
class Period:
    """From ``start_utc`` up to, not including, ``end_utc``."""

    start_utc: datetime
    end_utc: datetime

    def __post_init__(self) -> None:
        _require_aware("period", start_utc=self.start_utc, end_utc=self.end_utc)
        if not self.start_utc < self.end_utc:
            raise RegisterError(
                f"period: must end after it starts, got {self.start_utc} to {self.end_utc}."
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Tariff:
    """Prices in ``currency`` per SI unit; zero: not charged."""

    currency: str = "EUR"
    heat_per_J: float = 0.0
    return_temperature_per_J_K: float = (
        0.0  # per joule taken and kelvin of primary return above the free level
    )
    return_temperature_free_degC: float = 0.0
    volume_per_m3: float = 0.0
    electricity_per_J: float = 0.0
    unmet_heat_per_J: float = 0.0
    visit_clean_in_place: float | None = None
    visit_open_and_clean: float | None = None

    @property
    def visit_price(self) -> float | None:
        """The price of the visit that is asked for: opening and cleaning, else in place."""
        opened = self.visit_open_and_clean
        return self.visit_clean_in_place if opened is None else opened


@dataclass(frozen=True, slots=True, kw_only=True)
class Exchanger:
    """What the register says of one exchanger; nothing measured."""

    tag: str
    building: str = ""
    room: str = ""
    service: Literal["heating", "hot water"] = "heating"
    primary: Stream = field(default_factory=Stream)
    secondary: Stream = field(default_factory=Stream)
    plates: int | None = None
    plates_most: int | None = None  # what the frame and the bolts take
    area_m2: float | None = None  # effective, all plates together
    plate_thickness_m: float = 0.5e-3
    plate_conductivity_W_mK: float = 15.0
    ports: Literal["front", "both ends"] = "front"
    tightening_dimension_m: float | None = None
    insulated: bool | None = None  # None: not registered, taken as bare
    design_duty_W: float | None = None
    thermometers: Mapping[str, Thermometer] = field(default_factory=dict)
    flow_meters: Mapping[str, FlowMeter] = field(default_factory=dict)
    clean_period: Period | None = None  # None: nobody vouches for any period
    limits: Limits = field(default_factory=Limits)
    tariff: Tariff = field(default_factory=Tariff)
    design_outdoor_degC: float | None = None
    assumed: tuple[str, ...] = ()  # of "passes" and "ports": what nobody registered
    # by role, in its SI unit, for those that are said to be logged on change of value by so much
    change_increments: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        _require_positive(
            self.tag,
            area_m2=self.area_m2,
            design_duty_W=self.design_duty_W,
            plate_thickness_m=self.plate_thickness_m,
            plate_conductivity_W_mK=self.plate_conductivity_W_mK,
            primary_design_flow_m3_s=self.primary.design_flow_m3_s,
            secondary_design_flow_m3_s=self.secondary.design_flow_m3_s,
        )
        unknown = [
            r
            for r in (*self.thermometers, *self.flow_meters, *self.change_increments)
            if r not in ROLES
        ]
        if unknown:
            raise RegisterError(
                f"{self.tag}: {unknown[0]!r} is no role. Roles: {', '.join(ROLES)}."
            )

    def meter_of(self, side: int) -> FlowMeter:
        """Return the meter of a side, 0 primary or 1 secondary; the default where none is described."""
        roles = METER_ROLES[side]
        found = (self.flow_meters[r] for r in roles if r in self.flow_meters)
        return next(found, FlowMeter(role=roles[0]))


class Deed(StrEnum):
    """What was done at a visit."""

    CLEANED_IN_PLACE = "cleaned in place"
    OPENED_AND_CLEANED = "opened and cleaned"
    GASKETS_CHANGED = "gaskets changed"
    PLATES_CHANGED = "plates changed"  # added or taken out; plates_after says how many there are
    METER_CHANGED = "meter changed"
    THERMOMETER_CALIBRATED = "thermometer calibrated"
    STRAINER_RINSED = "strainer rinsed"
    OTHER = "other"


# What a visit does to the surface that passes the heat.
SURFACE_DEEDS = (
    Deed.CLEANED_IN_PLACE, Deed.OPENED_AND_CLEANED, Deed.GASKETS_CHANGED, Deed.PLATES_CHANGED,
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class MaintenanceEvent:
    """One entry of the maintenance log. ``role`` names the instrument where one was touched."""

    tag: str
    at_utc: datetime
    deed: Deed
    role: str | None = None
    plates_after: int | None = None
    note: str = ""

    def __post_init__(self) -> None:
        _require_aware(self.tag, at_utc=self.at_utc)
        if self.role is not None and self.role not in ROLES:
            raise RegisterError(f"{self.tag}: {self.role!r} is no role. Roles: {', '.join(ROLES)}.")
        if self.deed is Deed.PLATES_CHANGED and not (self.plates_after or 0) > 0:
            raise RegisterError(
                f"{self.tag}: {self.deed} needs plates_after, the number now fitted."
            )


# --- what an assessment concludes ------------------------------------------------------------------


class CauseKind(StrEnum):
    """Competing explanations of what the trends show."""

    DEPOSIT = "deposit"
    THERMOMETER = "thermometer"
    FLOW_METER = "flow meter"
    BUILDING_SIDE = "building side"
    CONTROLS = "controls"
    CAPACITY = "too few plates"
    PIPING = "parallel flow"
    STRAINER = "blocked strainer"
    NOTHING = "nothing moves"


# What shows beside the plates' account and may hold along with any state of plates and instruments.
BESIDE_THE_PLATES = frozenset({
    CauseKind.BUILDING_SIDE, CauseKind.CONTROLS, CauseKind.CAPACITY, CauseKind.PIPING, CauseKind.STRAINER,
})  # fmt: skip


class VerdictKind(StrEnum):
    """What to do. The order is that of the filter on the first page."""

    CLEAN_NOW = "clean it"
    CLEAN_LATER = "clean later"
    BUILDING_SIDE = "building side"
    ADD_PLATES = "add plates"
    CHECK_INSTRUMENT = "check an instrument"
    CHECK_CONTROLS = "check the controls"
    CHECK_PIPING = "check the piping"
    RINSE_STRAINER = "rinse the strainer"
    CANNOT_TELL = "cannot tell"
    LEAVE = "leave it"


@dataclass(frozen=True, slots=True, kw_only=True)
class Remark:
    """A coded statement with its numbers; ``service.wording`` turns it into a sentence.

    The unit ends each number's name (``offset_K``), so that the edge can show the user's unit.
    """

    code: str
    numbers: Mapping[str, float] = field(default_factory=dict)
    words: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One explanation and how it stands against the others."""

    kind: CauseKind
    subject: str | None = None  # the role of the instrument, where it is one
    chances: float  # share of the posterior odds, 0 to 1
    times_less_likely: float  # than the leading one; 1 for that one
    magnitude: Estimate | None = None
    magnitude_unit: str = ""  # "K", "" for a ratio, "m**2*K/W"
    since_utc: datetime | None = None
    speaks_for: tuple[Remark, ...] = ()
    speaks_against: tuple[Remark, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What to do and why. ``reasons`` are the few numbers that carried it."""

    kind: VerdictKind
    cause: Cause | None
    runner_up: Cause | None
    since_utc: datetime | None
    reasons: tuple[Remark, ...] = ()


class Instrumentation(StrEnum):
    """What is measured decides what can be concluded."""

    BOTH_FLOWS = "both flows"
    PRIMARY_FLOW = "primary flow"
    PRIMARY_POWER = "heat meter's power or registers"
    SECONDARY_FLOW = "secondary flow"
    TEMPERATURES_ONLY = "four temperatures"
    INCOMPLETE = "a temperature is missing"


@dataclass(frozen=True, slots=True, kw_only=True)
class DataHealth:
    """How good the data is, over the last 30 days to the end of the data."""

    instrumentation: Instrumentation
    first_utc: datetime | None
    last_utc: datetime | None
    hours_logged_30d: float
    hours_running_30d: float
    hours_evidence_30d: float
    set_aside_30d: Mapping[str, float]  # hours by name of SET_ASIDE_REASONS
    missing_roles: tuple[str, ...]  # that stopped coming, or never came, and would help
    consequences: tuple[Remark, ...]  # "without area: UA but no U"
    grade: Literal["good", "thin", "doubtful", "stopped", "off season", "none"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceCondition:
    """Where the comparison is made: flows and inlets, and whether they come from the design."""

    primary_flow_m3_s: float | None
    secondary_flow_m3_s: float | None
    primary_inlet_degC: float
    secondary_inlet_degC: float
    source: Literal["design", "clean period"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CleanReference:
    """What this very exchanger does when clean, and how that is known."""

    basis: Literal["known clean period", "first weeks", "nameplate"]
    period: Period | None
    hours: float  # steady hours it rests on
    condition: ReferenceCondition
    UA_W_K: Estimate  # at the reference condition
    U_W_m2K: Estimate | None
    approach_K: Estimate
    duty_W: Estimate | None
    scatter: float | None  # day-to-day scatter of the normalised U
    epochs_utc: tuple[datetime, ...] = ()  # visits since when the surface or the plates changed
    curve: pd.DataFrame | None = None  # primary_flow_m3_s, U (or UA), low, high at usual conditions


@dataclass(frozen=True, slots=True, kw_only=True)
class OffsetFinding:
    """How far one instrument seems off: kelvin, or a ratio for a meter."""

    role: str
    error: Estimate
    unit: str  # "K" or ""
    from_idle_hours: Estimate | None = None
    idle_hours: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PairOffset:
    """How far two thermometers disagree, from one piece of evidence: ``first`` minus ``second``.

    ``load``: how the difference behaves over load in the reference period; ``standstill``: all pipes
    near the room; ``circulation``: valve shut, both secondary thermometers in the same water;
    ``together``: all of these as of the last of them.
    """

    first_role: str
    second_role: str
    evidence: Literal["load", "standstill", "circulation", "together"]
    from_utc: datetime
    to_utc: datetime
    hours: float
    difference_K: Estimate
    age_days: float  # from its end to the end of the data


@dataclass(frozen=True, slots=True, kw_only=True)
class CurrentState:
    """The figures people read, as of the last day with evidence."""

    as_of_utc: datetime
    approach_K: Estimate | None  # measured, mean of the last day's steady hours
    approach_reference_K: Estimate | None
    approach_limit_K: float | None
    cleanliness_factor: Estimate | None
    fouling_resistance_m2K_W: Estimate | None
    duty_reference_W: Estimate | None
    duty_reference_clean_W: Estimate | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """When the limit is reached. ``None`` for a quantile: not within the horizon."""

    made_utc: datetime
    horizon_days: int
    date_5: datetime | None
    date_50: datetime | None
    date_95: datetime | None
    chance_within_horizon: float
    fan: pd.DataFrame  # index day; approach_reference_K quantiles: q05, q25, q50, q75, q95
    laws: Mapping[str, float]  # weight by law
    cleanliness_fan: pd.DataFrame | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CostLine:
    """One line of the account, in the tariff's currency."""

    code: Literal["heat", "return temperature", "volume", "pumping", "unmet heat"]
    so_far: Estimate
    next_year: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class MonthBasis:
    """The load that the cost of the thirty days to come is reckoned with, beside the thirty before.

    Loads and outdoor temperatures are means over all hours of the logged days, at rest or not.
    """

    cost_before: Estimate  # in the tariff's currency
    load_before_W: float
    load_W: float  # of the same calendar months within the last twelve
    outdoor_before_degC: float | None
    outdoor_degC: float | None  # None: not logged, or a month that was not seen
    months_seen: bool  # False: another month stands in for one that was not seen


@dataclass(frozen=True, slots=True, kw_only=True)
class MoneyAccount:
    """What the deposit costs and when a visit pays."""

    currency: str
    since_utc: datetime  # the day from which so_far is counted
    lines: tuple[CostLine, ...]
    avoidable_so_far: Estimate
    next_month: Estimate  # what the thirty days from the readings' end cost
    next_year_untouched: Estimate
    next_year_after_visit: Estimate | None
    visit_price: float | None
    net_benefit_now: Estimate | None  # of a visit now, over twelve months
    best_visit_utc: datetime | None  # None: no visit pays within twelve months
    best_net_benefit: Estimate | None
    benefit_by_date: pd.DataFrame | None  # index visit day; net benefit q05, q50, q95, mean
    chance_visit_pays: float | None
    counted_from: Literal["loss began", "last visit", "clean level"] = (
        "clean level"  # what since_utc is
    )
    month_basis: MonthBasis | None = None  # None: the thirty days before are not all known


@dataclass(frozen=True, slots=True, kw_only=True)
class Capacity:
    """Heat load against outdoor temperature, and what the plates can deliver."""

    design_outdoor_degC: float
    load_at_design_W: Estimate
    delivers_clean_W: Estimate
    delivers_now_W: Estimate
    plates_to_add: int | None  # to meet the load; None: none needed or none possible
    delivers_with_more_W: Estimate | None
    line: pd.DataFrame  # outdoor_degC, load_W of the daily means, fitted_W


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """The plates before and after a visit, at the reference condition."""

    before: Estimate  # cleanliness factor
    after: Estimate  # cleanliness factor
    gain: Estimate  # U after over U before, minus one
    first_utc: datetime  # the days it rests on: the first
    last_utc: datetime  # and the last


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitProof:
    """What a visit achieved; ``None`` where there are too few days on either side.

    ``measured`` compares means of up to a fortnight of days with evidence, before and after.
    ``at_visit`` compares the day after the visit with the day before, whither both sides are carried
    along their growth: what the visit did, before the deposit grew again. An effect that either shows is one.
    """

    event: MaintenanceEvent
    measured: Comparison | None = None
    at_visit: Comparison | None = None
    recovered: Estimate | None  # share of the lost U that came back, at the visit
    days_before: int
    days_after: int
    outcome: Literal[
        "worked", "worked in part", "no effect seen", "too early to tell", "no day that shows it yet"
    ]  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertEvent:
    """Something to hear of, dated by the data known that day; ``ended_utc`` None: still so."""

    kind: CauseKind | Literal["data stopped"]
    subject: str | None
    raised_utc: datetime
    ended_utc: datetime | None
    remark: Remark


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """A log entry that seems to be missing, as the readings show it; it changes nothing by itself.

    ``at_utc`` is the likeliest day, between ``earliest_utc`` and ``latest_utc`` nine times in ten;
    ``known_utc`` the day whose readings made it known, and nothing later is used.
    """

    deed: Deed
    role: str | None  # the instrument, where it is one
    at_utc: datetime
    earliest_utc: datetime
    latest_utc: datetime
    known_utc: datetime
    size: Estimate  # of U over U before, minus one; an error's change in K; a meter's ratio
    unit: str  # "K" or ""
    remark: Remark  # what an engineer can check on the charts
    evidence: tuple[Remark, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LatestInterval:
    """The newest complete grid interval, live."""

    start_utc: datetime
    minutes: float
    values: Mapping[str, float]  # by names of INTERVAL_COLUMNS; NaN left out
    set_aside: tuple[str, ...]
    clean_approach_K: float | None  # what a clean exchanger would show now


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluation:
    """All that is concluded of one exchanger from the data up to ``through_utc``."""

    tag: str
    through_utc: datetime
    verdict: Verdict
    causes: tuple[Cause, ...]
    health: DataHealth
    reference: CleanReference | None
    state: CurrentState | None
    offsets: tuple[OffsetFinding, ...]
    forecast: Forecast | None
    money: MoneyAccount | None
    capacity: Capacity | None
    proofs: tuple[VisitProof, ...]
    alerts: tuple[AlertEvent, ...]
    latest: LatestInterval | None
    daily: pd.DataFrame  # index day (UTC), DAILY_COLUMNS and _low/_high
    intervals: pd.DataFrame  # index interval start (UTC), INTERVAL_COLUMNS
    pairs: tuple[PairOffset, ...] = ()  # in the order of time, "together" last
    proposals: tuple[Proposal, ...] = ()  # log entries that seem to be missing, by day known
