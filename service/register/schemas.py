"""The register as people type it: keys, units and ranges, and the turn into records.

Lives here: one model for each table of ``plant.toml``. Not here: reading the file and wording what
is wrong with it (``reading.py``, ``explaining.py``), or what follows from things left out
(``notes.py``).
"""

from collections.abc import Callable
from datetime import UTC, date, datetime, time, timedelta
from typing import Annotated, Literal, Self
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from analytics.physics.mixtures import FRACTIONS
from analytics.vocabulary.errors import IngestError
from analytics.vocabulary.quantities import ROLES
from analytics.vocabulary.records import (
    Exchanger,
    FlowMeter,
    Fluid,
    Limits,
    Period,
    Pipe,
    PropertyTable,
    Stream,
    Tariff,
    Thermometer,
)
from analytics.vocabulary.units import convert, is_unit
from ingest.rules import clock_of
from service.register.bacnet import BacnetTable
from service.register.broker import MqttTable
from service.register.instruments import describe_meter, describe_thermometer
from service.register.plant import STALE_AFTER_DAYS, DisplayUnits

TableReader = Callable[[str], PropertyTable]

# Ranges beyond which an entry is a slip of the pen, not a plant.
Temperature = Annotated[float, Field(ge=-40.0, le=220.0)]
Positive = Annotated[float, Field(gt=0.0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0.0, allow_inf_nan=False)]
Plates = Annotated[int, Field(ge=3, le=2000)]
Text = Annotated[str, Field(min_length=1, max_length=200)]


def _check_role(role: str) -> str:
    if role not in ROLES:
        raise ValueError(f"is no role of a trend. Roles: {', '.join(ROLES)}")
    return role


def _check_unit(unit: str) -> str:
    if unit and not is_unit(unit):
        raise ValueError(
            "is no unit known here. Write it as in degC, degF, m3/h, l/s, gpm, kW, MWh, kPa, bar, %"
        )
    return unit


def _check_zone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as exc:
        raise ValueError(
            'is no time zone of the IANA list. Write it as in "CET" or "Etc/GMT-1"'
        ) from exc
    return name


def _check_clock(text: str) -> str:
    try:
        clock_of(text, UTC)
    except IngestError as exc:
        raise ValueError(str(exc).rstrip(".")) from None
    return text


Role = Annotated[str, AfterValidator(_check_role)]
Unit = Annotated[str, AfterValidator(_check_unit)]


def _si(value: float | None, unit: str, si_unit: str) -> float | None:
    return None if value is None else float(convert(value, unit, si_unit))


class Table(BaseModel):
    """A table of the register: exact types, and no key that nobody reads."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, populate_by_name=False)


class UnitsTable(Table):
    """The units people see."""

    temperature: Unit = "degC"
    power: Unit = "kW"
    energy: Unit = "MWh"
    flow: Unit = "m3/h"
    volume: Unit = "m3"
    pressure: Unit = "kPa"

    @model_validator(mode="after")
    def _fit(self) -> Self:
        for name, si_unit in (
            ("temperature", "degC"),
            ("power", "W"),
            ("energy", "J"),
            ("flow", "m3/s"),
            ("volume", "m3"),
            ("pressure", "Pa"),
        ):
            convert(1.0, getattr(self, name), si_unit)  # UnitError says which do not fit
        return self

    def to_record(self) -> DisplayUnits:
        """Return the record."""
        return DisplayUnits(**self.model_dump())


class PlantTable(Table):
    """The site."""

    name: Text
    time_zone: Annotated[str, AfterValidator(_check_zone)]
    logger_time_zone: Annotated[str, AfterValidator(_check_clock)] | None = None
    units: UnitsTable = UnitsTable()
    stale_after_days: Annotated[float, Field(gt=0.0, le=3650.0)] = STALE_AFTER_DAYS
    design_outdoor_degC: Annotated[float, Field(ge=-60.0, le=30.0)] | None = None


class TariffTable(Table):
    """Prices; every key may be left out. That of an exchanger goes before that of the site."""

    currency: Annotated[str, Field(pattern=r"^[A-Z]{3}$")] | None = None
    heat_per_MWh: NotNegative | None = None
    return_temperature_per_MWh_K: NotNegative | None = None
    return_temperature_free_degC: Temperature | None = None
    volume_per_m3: NotNegative | None = None
    electricity_per_kWh: NotNegative | None = None
    unmet_heat_per_MWh: NotNegative | None = None
    clean_in_place: NotNegative | None = None
    open_and_clean: NotNegative | None = None

    def over(self, site: "TariffTable | None") -> "TariffTable":
        """Return this tariff with what it leaves out taken from ``site``."""
        below = {} if site is None else site.model_dump(exclude_none=True)
        return TariffTable(**{**below, **self.model_dump(exclude_none=True)})

    def to_record(self) -> Tariff:
        """Return the tariff per SI unit."""
        MWh = float(convert(1.0, "MWh", "J"))
        kWh = float(convert(1.0, "kWh", "J"))
        return Tariff(
            currency=self.currency or "EUR",
            heat_per_J=(self.heat_per_MWh or 0.0) / MWh,
            return_temperature_per_J_K=(self.return_temperature_per_MWh_K or 0.0) / MWh,
            return_temperature_free_degC=self.return_temperature_free_degC or 0.0,
            volume_per_m3=self.volume_per_m3 or 0.0,
            electricity_per_J=(self.electricity_per_kWh or 0.0) / kWh,
            unmet_heat_per_J=(self.unmet_heat_per_MWh or 0.0) / MWh,
            visit_clean_in_place=self.clean_in_place,
            visit_open_and_clean=self.open_and_clean,
        )


class StreamTable(Table):
    """One side of an exchanger, as designed."""

    fluid: Literal["water", "ethylene glycol", "propylene glycol", "table"] = "water"
    fraction: NotNegative | None = None
    basis: Literal["mass", "volume"] = "mass"
    table: Text | None = None  # CSV file beside the register
    passes: Annotated[int, Field(ge=1, le=8)] = 1
    design_inlet_degC: Temperature | None = None
    design_outlet_degC: Temperature | None = None
    design_flow_m3_h: Positive | None = None
    design_pressure_drop_kPa: Positive | None = None
    pressure_rating_bar: Positive | None = None

    @model_validator(mode="after")
    def _fluid_is_whole(self) -> Self:
        if self.fluid.endswith("glycol") and self.fraction is None:
            raise ValueError(
                f'fluid "{self.fluid}" needs fraction, the glycol\'s share from 0 to 0.6'
            )
        if self.fluid.endswith("glycol") and self.fraction is not None:
            low, high = FRACTIONS[self.basis]
            if not low <= self.fraction <= high:
                raise ValueError(
                    f"fraction must lie between {low:g} and {high:g} by {self.basis}, "
                    f"got {self.fraction:g}. Write 0.3 for 30 %"
                )
        if self.fluid == "table" and self.table is None:
            raise ValueError('fluid "table" needs table = "<file>.csv", the liquid\'s properties')
        if self.fluid != "table" and self.table is not None:
            raise ValueError('table is given, so fluid must be "table"')
        if self.fluid in ("water", "table") and self.fraction:
            raise ValueError(f'fluid "{self.fluid}" takes no fraction. Leave it out')
        return self

    def to_record(self, read_table: TableReader) -> Stream:
        """Return the record; ``read_table`` reads the CSV file of a property table."""
        return Stream(
            fluid=Fluid(
                kind=self.fluid,
                fraction=self.fraction or 0.0,
                basis=self.basis,
                table=None if self.table is None else read_table(self.table),
            ),
            passes=self.passes,
            design_inlet_degC=self.design_inlet_degC,
            design_outlet_degC=self.design_outlet_degC,
            design_flow_m3_s=_si(self.design_flow_m3_h, "m3/h", "m3/s"),
            design_pressure_drop_Pa=_si(self.design_pressure_drop_kPa, "kPa", "Pa"),
            pressure_rating_Pa=_si(self.pressure_rating_bar, "bar", "Pa"),
        )


class CleanTable(Table):
    """The days over which the exchanger is known to have been clean, both included."""

    start: date = Field(alias="from")
    end: date = Field(alias="to")

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.end < self.start:
            raise ValueError(f"to ({self.end}) lies before from ({self.start}). Swap them")
        return self

    def to_record(self, zone: ZoneInfo) -> Period:
        """Return the period in UTC; the days are days of the site's zone."""
        start = datetime.combine(self.start, time(), tzinfo=zone)
        end = datetime.combine(self.end + timedelta(days=1), time(), tzinfo=zone)
        return Period(start_utc=start.astimezone(UTC), end_utc=end.astimezone(UTC))


class LimitsTable(Table):
    """When a person wants to hear of it."""

    approach_K: Annotated[float, Field(gt=0.0, le=60.0)] | None = None
    cleanliness_factor: Annotated[float, Field(gt=0.1, lt=1.0)] = 0.75
    false_alerts_per_year: Annotated[float, Field(gt=0.0, le=12.0)] = 0.01

    def to_record(self) -> Limits:
        """Return the record."""
        return Limits(**self.model_dump())


class PointTable(Table):
    """A source point of one role."""

    point: Text
    unit: Unit
    file: Text = "*"
    on_change: NotNegative | None = None  # logged on change of value by so much, in ``unit``

    def increment(self, role: str) -> float | None:
        """Return the increment in the role's unit: a difference, whatever the unit's zero."""
        if self.on_change is None:
            return None
        unit = ROLES[role].unit
        return float(convert(self.on_change, self.unit, unit)) - float(
            convert(0.0, self.unit, unit)
        )


class MeterTable(Table):
    """A flow meter, or the flow part of a heat meter."""

    pipe: Literal["supply", "return"] = "return"
    accuracy_class: Literal[1, 2, 3] | None = Field(default=None, alias="class")
    tolerance_percent: Annotated[float, Field(gt=0.0, le=30.0)] | None = None
    nominal_m3_h: Positive | None = None  # qp
    low_flow_m3_h: Positive | None = None  # qi
    least_difference_K: Annotated[float, Field(ge=1.0, le=20.0)] | None = None
    calculates_with: Literal["water", "liquid"] = "water"

    @model_validator(mode="after")
    def _one_accuracy(self) -> Self:
        if self.accuracy_class is not None and self.tolerance_percent is not None:
            raise ValueError("class and tolerance_percent are both given. Leave one out")
        low, nominal = self.low_flow_m3_h, self.nominal_m3_h
        if low is not None and nominal is not None and not low < nominal:
            raise ValueError(
                f"low_flow_m3_h must be below nominal_m3_h, got {low:g} and {nominal:g}. "
                "Correct one of the two"
            )
        return self

    def to_record(self, role: str) -> FlowMeter:
        """Return the record."""
        uncertainty, described = describe_meter(self.accuracy_class, self.tolerance_percent)
        return FlowMeter(
            role=role,
            pipe=Pipe(self.pipe),
            relative_standard_uncertainty=uncertainty,
            accuracy_class=self.accuracy_class,
            least_difference_K=self.least_difference_K,
            calculates_with=self.calculates_with,
            nominal_flow_m3_s=_si(self.nominal_m3_h, "m3/h", "m3/s"),
            low_flow_m3_s=_si(self.low_flow_m3_h, "m3/h", "m3/s"),
            described=described,
        )


class ThermometerTable(Table):
    """How far a thermometer may be off: its class, or a tolerance, in K."""

    accuracy_class: Literal["AA", "A", "B", "C"] | None = Field(default=None, alias="class")
    tolerance_K: Annotated[float, Field(gt=0.0, le=20.0)] | None = None

    @model_validator(mode="after")
    def _one_accuracy(self) -> Self:
        if (self.accuracy_class is None) == (self.tolerance_K is None):
            raise ValueError(
                'needs either class = "B" (or AA, A, C of EN 60751) or tolerance_K = 1.0'
            )
        return self

    def to_record(self, role: str) -> Thermometer:
        """Return the record."""
        uncertainty_K, described = describe_thermometer(self.accuracy_class, self.tolerance_K)
        return Thermometer(role=role, standard_uncertainty_K=uncertainty_K, described=described)


class ExchangerTable(Table):
    """One exchanger."""

    tag: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9 ._-]{0,39}$")]
    building: str = ""
    room: str = ""
    service: Literal["heating", "hot water"] = "heating"
    design_duty_kW: Positive | None = None
    area_m2: Positive | None = None
    plates: Plates | None = None
    plates_most: Plates | None = None
    plate_thickness_mm: Annotated[float, Field(ge=0.2, le=3.0)] = 0.5
    plate_conductivity_W_mK: Annotated[float, Field(ge=1.0, le=500.0)] = 15.0
    ports: Literal["front", "both ends"] = "front"
    tightening_dimension_mm: Positive | None = None
    insulated: bool | None = None
    design_outdoor_degC: Annotated[float, Field(ge=-60.0, le=30.0)] | None = None
    primary: StreamTable = StreamTable()
    secondary: StreamTable = StreamTable()
    clean: CleanTable | None = None
    limits: LimitsTable = LimitsTable()
    tariff: TariffTable = TariffTable()
    points: dict[Role, PointTable] = Field(default_factory=dict)
    meters: dict[Role, MeterTable] = Field(default_factory=dict)
    thermometers: dict[Role, ThermometerTable] = Field(default_factory=dict)

    @property
    def assumed(self) -> tuple[str, ...]:
        """Which of passes and ports the register leaves to their defaults."""
        streams = (self.primary, self.secondary)
        silent = any("passes" not in s.model_fields_set for s in streams)
        ports = "ports" not in self.model_fields_set
        return (*(("passes",) if silent else ()), *(("ports",) if ports else ()))

    def to_record(
        self, plant: PlantTable, site_tariff: TariffTable | None, read_table: TableReader
    ) -> Exchanger:
        """Return the record, in SI units."""
        outdoor = self.design_outdoor_degC
        return Exchanger(
            tag=self.tag,
            building=self.building,
            room=self.room,
            service=self.service,
            primary=self.primary.to_record(read_table),
            secondary=self.secondary.to_record(read_table),
            plates=self.plates,
            plates_most=self.plates_most,
            area_m2=self.area_m2,
            plate_thickness_m=float(convert(self.plate_thickness_mm, "mm", "m")),
            plate_conductivity_W_mK=self.plate_conductivity_W_mK,
            ports=self.ports,
            tightening_dimension_m=_si(self.tightening_dimension_mm, "mm", "m"),
            insulated=self.insulated,
            design_duty_W=_si(self.design_duty_kW, "kW", "W"),
            thermometers={r: t.to_record(r) for r, t in self.thermometers.items()},
            flow_meters={r: m.to_record(r) for r, m in self.meters.items()},
            clean_period=None
            if self.clean is None
            else self.clean.to_record(ZoneInfo(plant.time_zone)),
            limits=self.limits.to_record(),
            tariff=self.tariff.over(site_tariff).to_record(),
            design_outdoor_degC=plant.design_outdoor_degC if outdoor is None else outdoor,
            assumed=self.assumed,
            change_increments={
                role: step
                for role, p in self.points.items()
                if (step := p.increment(role)) is not None
            },
        )


class RegisterFile(Table):
    """The whole file."""

    plant: PlantTable
    tariff: TariffTable | None = None
    mqtt: MqttTable | None = None
    bacnet: BacnetTable | None = None
    exchanger: list[ExchangerTable] = Field(default_factory=list)
