"""Every quantity that a trend may carry or an assessment yields: name, unit, meaning.

The tuples here are the only list of roles and columns; tests walk them. Frames carry the plain name
of a trend role as column; computed columns end in their unit, spelt as the symbol.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """A measured or computed quantity.

    ``unit`` is the SI unit inside the project, spelt for the units library; ``low`` and ``high`` are
    the range outside which a reading cannot be right on any building heat network.
    """

    name: str
    unit: str
    label: str
    meaning: str
    low: float = float("-inf")
    high: float = float("inf")


def _temperature(name: str, label: str, meaning: str) -> Quantity:
    return Quantity(name=name, unit="degC", label=label, meaning=meaning, low=0.5, high=200.0)


PRIMARY_SUPPLY = "primary_supply_temperature"
PRIMARY_RETURN = "primary_return_temperature"
SECONDARY_SUPPLY = "secondary_supply_temperature"
SECONDARY_RETURN = "secondary_return_temperature"
TEMPERATURES = (PRIMARY_SUPPLY, PRIMARY_RETURN, SECONDARY_SUPPLY, SECONDARY_RETURN)
PRIMARY_FLOW = "primary_flow"
SECONDARY_FLOW = "secondary_flow"

TREND_ROLES: tuple[Quantity, ...] = (
    _temperature(PRIMARY_SUPPLY, "primary supply", "network side, entering the exchanger"),
    _temperature(PRIMARY_RETURN, "primary return", "network side, leaving the exchanger"),
    _temperature(
        SECONDARY_SUPPLY, "secondary supply", "building side, leaving the exchanger to the building"
    ),
    _temperature(SECONDARY_RETURN, "secondary return", "building side, entering the exchanger"),
    Quantity(
        name=PRIMARY_FLOW, unit="m**3/s", label="primary flow",
        meaning="volume flow of the network side", low=0.0, high=1.0,
    ),
    Quantity(
        name=SECONDARY_FLOW, unit="m**3/s", label="secondary flow",
        meaning="volume flow of the building side", low=0.0, high=1.0,
    ),
    Quantity(
        name="primary_pressure_drop", unit="Pa", label="primary pressure drop",
        meaning="across the exchanger, network side", low=0.0, high=1e6,
    ),
    Quantity(
        name="secondary_pressure_drop", unit="Pa", label="secondary pressure drop",
        meaning="across the exchanger, building side", low=0.0, high=1e6,
    ),
    Quantity(
        name="heat_power", unit="W", label="heat power",
        meaning="power shown by the heat meter of the network side", low=-1e5, high=1e8,
    ),
    Quantity(
        name="heat_energy", unit="J", label="heat energy",
        meaning="cumulative energy register of the heat meter", low=0.0, high=1e16,
    ),
    Quantity(
        name="heat_volume", unit="m**3", label="heat meter volume",
        meaning="cumulative volume register of the heat meter", low=0.0, high=1e9,
    ),
    Quantity(
        name="outdoor_temperature", unit="degC", label="outdoor temperature",
        meaning="outdoor air", low=-39.5, high=55.0,
    ),
    Quantity(
        name="secondary_supply_set_point", unit="degC", label="secondary supply set point",
        meaning="what the controller wants at the secondary supply", low=0.5, high=120.0,
    ),
    Quantity(
        name="valve_position", unit="", label="valve position",
        meaning="opening of the primary control valve, 0 to 1", low=-0.01, high=1.01,
    ),
    Quantity(
        name="pump_running", unit="", label="pump running",
        meaning="1 when the building's circulation pump runs", low=0.0, high=1.0,
    ),
)  # fmt: skip
ROLE_NAMES: tuple[str, ...] = tuple(q.name for q in TREND_ROLES)
ROLES: dict[str, Quantity] = {q.name: q for q in TREND_ROLES}
CUMULATIVE_ROLES: tuple[str, ...] = ("heat_energy", "heat_volume")


def _column(name: str, unit: str, label: str, meaning: str) -> Quantity:
    return Quantity(name=name, unit=unit, label=label, meaning=meaning)


_UNIT_ENDINGS = {
    "": "",
    "W": "_W",
    "K": "_K",
    "W/K": "_W_K",
    "W/m**2/K": "_W_m2K",
    "m**2*K/W": "_m2K_W",
}


def _with_doubt(name: str, unit: str, label: str, meaning: str) -> tuple[Quantity, ...]:
    """Return an indicator and its two standard uncertainties."""
    ending = _UNIT_ENDINGS[unit]
    return (
        _column(f"{name}{ending}", unit, label, meaning),
        _column(
            f"{name}_u{ending}", unit, f"standard uncertainty of {label}",
            "of the absolute figure: constant errors of the instruments and what comes anew each interval",
        ),
        _column(
            f"{name}_random_u{ending}", unit, f"random standard uncertainty of {label}",
            "that part alone which comes anew each interval: what counts in a trend",
        ),
    )  # fmt: skip


INTERVAL_COLUMNS: tuple[Quantity, ...] = (
    # one row per grid interval, stamped at its start; NaN where it cannot be told
    *(_column(r.name, r.unit, r.label, "time-weighted mean over the interval")
      for r in TREND_ROLES if r.name not in CUMULATIVE_ROLES),
    *_with_doubt("duty_primary", "W", "primary duty", "heat given up by the network side"),
    *_with_doubt("duty_secondary", "W", "secondary duty", "heat taken up by the building side"),
    *_with_doubt("balance_residual", "", "balance residual", "secondary minus primary duty over their mean"),
    *_with_doubt("effectiveness", "", "effectiveness", "of the stream with the smaller capacity rate"),
    *_with_doubt("NTU", "", "number of transfer units", "UA over the smaller capacity rate"),
    _column("capacity_rate_ratio", "", "capacity-rate ratio", "smaller over larger"),
    *_with_doubt("lmtd", "K", "log mean temperature difference", "with the pass arrangement's correction"),
    *_with_doubt("approach_cold", "K", "approach temperature", "primary return minus secondary return"),
    *_with_doubt("approach_hot", "K", "hot-end approach", "primary supply minus secondary supply"),
    *_with_doubt("UA", "W/K", "UA", "conductance"),
    _column("UA_clean_W_K", "W/K", "clean UA", "of this exchanger, clean, at the same flows and temperatures"),
    *_with_doubt("U", "W/m**2/K", "U", "overall heat-transfer coefficient; empty without an area"),
    *_with_doubt("Rf", "m**2*K/W", "fouling resistance of the interval", "1/U minus 1/U clean; empty without an area"),
    *_with_doubt("cleanliness", "", "cleanliness factor of the interval", "UA over clean UA"),
    _column("primary_pressure_ratio", "", "primary pressure ratio", "pressure drop over that of clean plates at the same flow"),
    _column("secondary_pressure_ratio", "", "secondary pressure ratio", "pressure drop over that of clean plates at the same flow"),
    _column("set_aside", "", "reasons", "bit mask of SET_ASIDE_REASONS; 0: the interval carries evidence"),
)  # fmt: skip

# Why an interval carries no evidence on the heat transfer. The position is the bit.
SET_ASIDE_REASONS: tuple[Quantity, ...] = (
    _column("gap", "", "gap", "a needed reading is missing"),
    _column("out_of_range", "", "out of range", "a reading no network can have, or a missing-data word"),
    _column("flat_lined", "", "flat-lined", "a point repeats one value while its neighbours move"),
    _column("spike", "", "spike", "a single reading far from those before and after it"),
    _column("crossed", "", "streams cross", "a stream beyond the other's inlet by more than the thermometers allow"),
    _column("stopped", "", "stopped", "no flow, or the pump is off"),
    _column("low_load", "", "below least load", "flows or temperature differences too small to tell anything"),
    _column("transient", "", "transient", "temperatures or flow still moving"),
    _column("unbalanced", "", "unbalanced", "the two sides' heat differs by more than the meters allow"),
    _column("outside_liquid", "", "outside the liquid's range", "frozen, boiling, or beyond the property table"),
    _column("day_of_work", "", "day of work", "plates or instruments were changed that day: readings of before and after"),
)  # fmt: skip
REASON_BITS: dict[str, int] = {q.name: 1 << i for i, q in enumerate(SET_ASIDE_REASONS)}

DAILY_COLUMNS: tuple[Quantity, ...] = (
    # one row per UTC day, index "day"; estimates carry _low and _high beside them (nine times in ten)
    _column("hours_running", "h", "hours running", "hours with flow and all needed readings"),
    _column("hours_evidence", "h", "steady hours", "hours that carry evidence on the heat transfer"),
    _column("heat_J", "J", "heat", "heat handed over, best of both sides"),
    _column("primary_volume_m3", "m**3", "primary volume", "network water used"),
    _column("outdoor_degC", "degC", "outdoor temperature", "daily mean"),
    _column("approach_K", "K", "approach temperature", "mean over steady hours, as measured"),
    _column("fouling_resistance_m2K_W", "m**2*K/W", "fouling resistance", "1/U minus 1/U clean; area 1 m2 when unknown"),
    _column("cleanliness_factor", "", "cleanliness factor", "U over clean U at the reference condition"),
    _column("approach_reference_K", "K", "approach at the reference condition", "today's plates, design flows and inlets"),
    _column("approach_clean_K", "K", "clean approach at the reference condition", "the same with clean plates"),
    _column("duty_reference_W", "W", "duty at the reference condition", "today's plates, design flows and inlets"),
    _column("evidence", "", "evidence", "log likelihood ratio of the leading cause against 'nothing moves'"),
    _column("fouling_alarm", "", "fouling alarm", "1 while the drift alarm for deposit stands"),
    _column("avoidable_cost", "", "avoidable cost of the day", "in the register's currency"),
)  # fmt: skip
ESTIMATED_COLUMNS: tuple[str, ...] = (
    "fouling_resistance_m2K_W",
    "cleanliness_factor",
    "approach_reference_K",
    "approach_clean_K",
    "duty_reference_W",
    "avoidable_cost",
)
