"""What is taken for granted where the register is silent, and what cannot be said without it."""

import tomllib
from functools import cache
from importlib.resources import files

from analytics.physics.mixtures import mass_fraction, volume_fraction
from analytics.vocabulary.quantities import PRIMARY_FLOW, SECONDARY_FLOW, TEMPERATURES
from analytics.vocabulary.records import Exchanger, FlowMeter, Fluid, Thermometer
from analytics.vocabulary.units import convert
from service.register.schemas import ExchangerTable, RegisterFile

_FLOW_ROLES = (PRIMARY_FLOW, SECONDARY_FLOW, "heat_power", "heat_energy", "heat_volume")
_METER_ROLES = (PRIMARY_FLOW, SECONDARY_FLOW, "heat_power")
# Volume heat capacity of water between 20 and 90 degC, within 3 %: enough to compare a nameplate.
_WATER_J_m3K = 4.1e6
_NAMEPLATE_MISFIT = 0.15
# no two exchangers share all of these by chance
_NAMEPLATE = ("design_duty_kW", "area_m2", "plates", "primary", "secondary")


def notes_of(table: ExchangerTable, exchanger: Exchanger) -> tuple[str, ...]:
    """Return the defaults taken and the consequences of what is left out, a sentence each."""
    return (
        *_of_the_example(table),
        *_consequences(table, exchanger),
        *_meter_defaults(table),
        *_thermometer_defaults(table),
        *_liquids(exchanger, table),
        *_nameplate_misfits(exchanger),
    )


def _of_the_example(table: ExchangerTable) -> list[str]:
    """Say of an exchanger that stayed in from the example, or was described over it, that it is made up."""
    example = _example()
    if any(getattr(table, name) != getattr(example, name) for name in _NAMEPLATE):
        return []
    whole = table.points == example.points
    what = "it is the made-up exchanger" if whole else "its nameplate is the made-up one"
    return [
        f"{what} of the example: put yours in its place, or take it out of plant.toml if it is none of yours"
    ]


@cache
def _example() -> ExchangerTable:
    text = files("service.register").joinpath("example.toml").read_text(encoding="utf-8")
    return RegisterFile.model_validate(tomllib.loads(text)).exchanger[0]


def _consequences(table: ExchangerTable, exchanger: Exchanger) -> list[str]:
    found = []
    missing = [r for r in TEMPERATURES if r not in table.points]
    if missing:
        found.append(
            f"without a point for {', '.join(missing)}: no assessment; all four temperatures are needed"
        )
    if not any(r in table.points for r in _FLOW_ROLES):
        found.append(
            "without a flow or a heat meter: NTU and effectiveness, but no U, duty or money"
        )
    found += _single_meter(table)
    if table.area_m2 is None:
        found.append("without area_m2: UA, but no U and no fouling resistance")
    found += _pack_defaults(table)
    if table.insulated is None:
        found.append("without insulated: taken as bare; the loss to the room is told as if it were")
    if table.plates is None:
        found.append("without plates: no statement on more plates")
    elif table.plates_most is None:
        found.append("without plates_most: no statement on how many plates can be added")
    if table.clean is None:
        found.append("without [exchanger.clean]: the first weeks of data are the yardstick")
    if table.limits.approach_K is None:
        found.append(
            f"without limits.approach_K: the limit is where the cleanliness factor is "
            f"{table.limits.cleanliness_factor:g}"
        )
    if _prices(exchanger) == 0.0:
        found.append("without prices in [tariff]: no money")
    elif (
        exchanger.tariff.visit_clean_in_place is None
        and exchanger.tariff.visit_open_and_clean is None
    ):
        found.append(
            "without clean_in_place or open_and_clean in [tariff]: no best date for a visit"
        )
    found += _design(table, exchanger)
    if max(table.primary.passes, table.secondary.passes) > 1 and table.ports == "front":
        found.append(
            'more than one pass with ports = "front": such packs have "both ends"; check it'
        )
    return found


def _pack_defaults(table: ExchangerTable) -> list[str]:
    """Say how passes and ports are taken where the register is silent."""
    sides = (("primary", table.primary), ("secondary", table.secondary))
    silent = [f"{name}.passes" for name, s in sides if "passes" not in s.model_fields_set]
    taken = ["one pass"] if silent else []
    if "ports" in table.assumed:
        silent.append("ports")
        taken.append("all ports in front")
    return [f"without {', '.join(silent)}: taken as {', '.join(taken)}"] if silent else []


def _design(table: ExchangerTable, exchanger: Exchanger) -> list[str]:
    """Say which of the design conditions are left out; only those."""
    names = ("design_inlet_degC", "design_outlet_degC", "design_flow_m3_h")
    sides = (("primary", table.primary), ("secondary", table.secondary))
    silent = [f"{s}.{n}" for s, stream in sides for n in names if getattr(stream, n) is None]
    found = []
    if silent:
        found.append(
            f"without {', '.join(silent)}: the reference condition is taken from the cold days of the "
            "first weeks"
        )
    outdoor = [] if exchanger.design_outdoor_degC is not None else ["design_outdoor_degC"]
    if "outdoor_temperature" not in table.points:
        outdoor.append("a point for outdoor_temperature")
    if outdoor:
        found.append(
            f"without {' and '.join(outdoor)}: no statement on whether there are enough plates"
        )
    return found


def _prices(exchanger: Exchanger) -> float:
    tariff = exchanger.tariff
    return (
        tariff.heat_per_J
        + tariff.return_temperature_per_J_K
        + tariff.volume_per_m3
        + tariff.electricity_per_J
        + tariff.unmet_heat_per_J
    )


def _single_meter(table: ExchangerTable) -> list[str]:
    """Say what one meter alone cannot tell apart."""
    network = [r for r in _FLOW_ROLES if r in table.points and r != SECONDARY_FLOW]
    building = [r for r in _FLOW_ROLES if r in table.points and r == SECONDARY_FLOW]
    if bool(network) == bool(building):
        return []
    other = "secondary" if network else "primary"
    sentence = (
        f"with the meter of {', '.join(network or building)} alone: an error of that meter and a deposit "
        f"look alike, and the heat of the two sides cannot be compared; a meter on the {other} side "
        "would part them"
    )
    return [sentence]


def _liquids(exchanger: Exchanger, table: ExchangerTable) -> list[str]:
    """Say how a mixture is counted, and what a heat meter takes it for."""
    found = []
    for side, stream in (("primary", exchanger.primary), ("secondary", exchanger.secondary)):
        fluid = stream.fluid
        if fluid.kind in ("ethylene glycol", "propylene glycol"):
            found.append(f"{side} side: {_counted(fluid)}")
    heat_meter = any(r in table.points for r in ("heat_power", "heat_energy"))
    if heat_meter and exchanger.primary.fluid != Fluid():
        taken = exchanger.meter_of(0).calculates_with
        found.append(
            "the heat meter is taken as calculating with "
            + ("water, as EN 1434 has it" if taken == "water" else "the liquid registered")
            + "; calculates_with in [exchanger.meters.heat_power] says which"
        )
    return found


def _counted(fluid: Fluid) -> str:
    if fluid.basis == "volume":
        other = float(mass_fraction(fluid.kind, fluid.fraction))
        return (
            f"{fluid.fraction:.1%} {fluid.kind} by volume (at 20 degC, before mixing) is {other:.1%} "
            "by mass; properties are those of inhibited mixtures"
        )
    other = float(volume_fraction(fluid.kind, fluid.fraction))
    return (
        f"{fluid.fraction:.1%} {fluid.kind} by mass is {other:.1%} by volume (at 20 degC, before "
        "mixing); properties are those of pure mixtures"
    )


def _meter_defaults(table: ExchangerTable) -> list[str]:
    if "heat_power" in table.meters or PRIMARY_FLOW in table.meters:
        described = {"heat_power", PRIMARY_FLOW, "heat_energy", "heat_volume"}
    else:
        described = set()
    described |= set(table.meters)
    silent = [r for r in _METER_ROLES if r in table.points and r not in described]
    bare = FlowMeter(role=PRIMARY_FLOW)
    return [
        f"meter of {role} {bare.described}, in the {bare.pipe} pipe, "
        f"±{100 * 2 * bare.relative_standard_uncertainty:g} %"
        for role in silent
    ]


def _thermometer_defaults(table: ExchangerTable) -> list[str]:
    silent = [r for r in TEMPERATURES if r in table.points and r not in table.thermometers]
    if not silent:
        return []
    bare = Thermometer(role=silent[0])
    return [
        f"thermometers of {', '.join(silent)} {bare.described}, ±{2 * bare.standard_uncertainty_K:g} K"
    ]


def _nameplate_misfits(exchanger: Exchanger) -> list[str]:
    """Say where the nameplate's duty and its flows and temperatures do not belong together."""
    if exchanger.design_duty_W is None:
        return []
    found = []
    for name, stream in (("primary", exchanger.primary), ("secondary", exchanger.secondary)):
        values = (stream.design_inlet_degC, stream.design_outlet_degC, stream.design_flow_m3_s)
        if stream.fluid.kind != "water" or None in values:
            continue
        inlet, outlet, flow = (float(v) for v in values if v is not None)
        duty_W = flow * _WATER_J_m3K * abs(inlet - outlet)
        if abs(duty_W / exchanger.design_duty_W - 1.0) > _NAMEPLATE_MISFIT:
            found.append(
                f"design_duty_kW is {float(convert(exchanger.design_duty_W, 'W', 'kW')):.0f}, but the {name} "
                f"side's flow and temperatures make {float(convert(duty_W, 'W', 'kW')):.0f} kW; check the nameplate"
            )
    return found
