"""The settings as a read-only view: the register, what was left out, and what follows from it."""

import re
from collections.abc import Iterator
from dataclasses import fields

from fastapi import Request
from fastapi.responses import HTMLResponse

from analytics.vocabulary.quantities import ROLES
from analytics.vocabulary.records import Exchanger, FlowMeter, Stream, Tariff
from analytics.vocabulary.units import convert
from service.pages.rendering import ledger_of, page
from service.register.plant import Plant
from service.wording import dates, numbers
from service.wording.causes import role_label
from service.wording.numbers import NBSP, count_word

_NOT_KNOWN = "not registered"
_ROLE = re.compile("|".join(sorted(ROLES, key=len, reverse=True)))


def show(request: Request) -> HTMLResponse:
    """Answer the register as it was read."""
    plant = ledger_of(request).plant()
    units = [(f.name, numbers.symbol_of(getattr(plant.units, f.name))) for f in fields(plant.units)]
    return page(
        request, "settings.html", title="Settings", plant_name=plant.name, zone=str(plant.zone),
        units=units, old_after=numbers.number(plant.stale_after_days, 0),
        exchangers=[
            {"tag": e.tag, "building": e.building, "rows": list(_rows(e, plant)),
             "tariff": list(_prices(e.tariff)), "notes": [_sentence(n) for n in plant.notes.get(e.tag, ())],
             "notes_count": count_word(len(plant.notes.get(e.tag, ()))).capitalize(),
             "points": [(p.name, role_label(p.role), numbers.symbol_of(p.unit)) for p in plant.points if p.tag == e.tag]}
            for e in plant.exchangers
        ],
    )  # fmt: skip


def _sentence(note: str) -> str:
    """Return a note of the register as a sentence, roles by their labels."""
    text = _ROLE.sub(lambda m: role_label(m[0]), note)
    return f"{text[:1].upper()}{text[1:]}."


def _value(value: float | None, name: str, plant: Plant) -> str:
    return (
        _NOT_KNOWN
        if value is None
        else numbers.single(value, numbers.measure_of(name, plant.units))
    )


def _rows(exchanger: Exchanger, plant: Plant) -> Iterator[tuple[str, str]]:
    place = ", ".join(p for p in (exchanger.building, exchanger.room) if p)
    yield "Place", place or _NOT_KNOWN
    yield "Service", exchanger.service
    yield "Design duty", _value(exchanger.design_duty_W, "duty_W", plant)
    yield "Area, all plates", _value(exchanger.area_m2, "area_m2", plant)
    yield "Plates; most", f"{exchanger.plates or _NOT_KNOWN}; {exchanger.plates_most or _NOT_KNOWN}"
    yield "Ports", f"{exchanger.ports}{', assumed' if 'ports' in exchanger.assumed else ''}"
    yield "Tightening dimension", _value(exchanger.tightening_dimension_m, "dimension_m", plant)
    yield "Primary, design", _stream(exchanger.primary, plant)
    yield "Secondary, design", _stream(exchanger.secondary, plant)
    period = exchanger.clean_period
    yield (
        "Known clean",
        _NOT_KNOWN
        if period is None
        else f"{dates.long_day(period.start_utc, plant.zone)} to {dates.long_day(period.end_utc, plant.zone)}",
    )
    yield "Limit of the approach", _value(exchanger.limits.approach_K, "approach_K", plant)
    yield "Design outdoor temperature", _value(exchanger.design_outdoor_degC, "outdoor_degC", plant)
    for role, thermometer in exchanger.thermometers.items():
        yield f"Thermometer, {role_label(role)}", thermometer.described
    for role, meter in exchanger.flow_meters.items():
        yield f"Meter, {role_label(role)}", "; ".join(_meter(meter, plant))


def _meter(meter: FlowMeter, plant: Plant) -> Iterator[str]:
    yield f"{meter.described}, in the {meter.pipe} pipe"
    if meter.nominal_flow_m3_s is not None:
        yield f"permanent flow {_value(meter.nominal_flow_m3_s, 'flow_m3_s', plant)}"
    if meter.low_flow_m3_s is not None:
        yield f"not used below {_value(meter.low_flow_m3_s, 'flow_m3_s', plant)}"
    if meter.least_difference_K is not None:
        least = _value(meter.least_difference_K, "least_K", plant)
        yield f"matched pair of thermometers from {least}"
    if meter.calculates_with == "liquid":
        yield "calculates with the liquid registered"


def _stream(stream: Stream, plant: Plant) -> str:
    table = stream.fluid.table
    fluid: str = stream.fluid.kind if table is None else f"liquid of {table.name}"
    if table is not None:
        reach = [
            _value(t, "inlet_degC", plant)
            for t in (table.temperature_degC[0], table.temperature_degC[-1])
        ]
        fluid = f"{fluid}, {reach[0]} to {reach[1]}"
    if stream.fluid.fraction:
        fluid = f"{fluid}, {stream.fluid.fraction:.0%} by {stream.fluid.basis}".replace(
            "%", f"{NBSP}%"
        )
    inlet = _value(stream.design_inlet_degC, "inlet_degC", plant)
    outlet = _value(stream.design_outlet_degC, "outlet_degC", plant)
    return (
        f"{fluid}; {inlet} in, {outlet} out; flow {_value(stream.design_flow_m3_s, 'flow_m3_s', plant)};"
        f" pressure drop {_value(stream.design_pressure_drop_Pa, 'drop_Pa', plant)};"
        f" {stream.passes} {'pass' if stream.passes == 1 else 'passes'}"
    )


def _prices(tariff: Tariff) -> Iterator[tuple[str, str]]:
    # prices are kept per joule; people know them per megawatt-hour and kilowatt-hour
    per_MWh, per_kWh = float(convert(1.0, "MWh", "J")), float(convert(1.0, "kWh", "J"))
    for label, value, per in (
        ("Heat", tariff.heat_per_J * per_MWh, "MWh"),
        ("Return temperature", tariff.return_temperature_per_J_K * per_MWh, "MWh·K"),
        ("Volume", tariff.volume_per_m3, "m³"),
        ("Electricity", tariff.electricity_per_J * per_kWh, "kWh"),
        ("Heat not delivered", tariff.unmet_heat_per_J * per_MWh, "MWh"),
    ):
        yield label, _price(value, tariff.currency, per) if value else "not charged"
    for label, price in (
        ("Visit, cleaned in place", tariff.visit_clean_in_place),
        ("Visit, opened and cleaned", tariff.visit_open_and_clean),
    ):
        yield label, _NOT_KNOWN if price is None else numbers.sum_of_money(price, tariff.currency)


def _price(value: float, currency: str, per: str) -> str:
    return f"{numbers.sum_of_money(value, currency, 2)} per{NBSP}{per}"
