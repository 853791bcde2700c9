"""The register and the maintenance log of the demonstration plant, as text."""

import csv
import io

from demo_data.exports import points_of
from demo_data.plant import EXCHANGERS, DemoExchanger
from demo_data.simulator.plate import design_flows
from demo_data.simulator.water import water

_HEAD = """\
# The register of the demonstration plant. The place, the buildings and all prices are invented.

[plant]
name = "Riverside heat network (demonstration)"
time_zone = "CET"
units = { temperature = "degC", power = "kW", energy = "MWh", flow = "m3/h", pressure = "kPa" }
design_outdoor_degC = -12.0

[tariff]
currency = "EUR"
heat_per_MWh = 72.0
return_temperature_per_MWh_K = 1.10
return_temperature_free_degC = 30.0
volume_per_m3 = 0.12
electricity_per_kWh = 0.28
unmet_heat_per_MWh = 120.0
clean_in_place = 650.0
open_and_clean = 1450.0
"""
_METERS = ("primary_flow", "secondary_flow", "heat_power")
# Sizes in which flow meters come, by nominal flow in m3/h.
_SIZES_m3_h = (1.5, 2.5, 3.5, 6.0, 10.0, 15.0, 25.0, 40.0, 60.0, 100.0)


def register() -> str:
    """Return ``plant.toml``."""
    return "\n".join([_HEAD, *(_exchanger(e) for e in EXCHANGERS)])


def _volume_m3_h(mass_kg_s: float, at_degC: float) -> float:
    return mass_kg_s / float(water().density(at_degC)) * 3600.0


def _exchanger(e: DemoExchanger) -> str:
    unit = e.scenario.unit
    primary_kg_s, secondary_kg_s = design_flows(unit)
    flows = (
        _volume_m3_h(primary_kg_s, unit.design_primary_degC[0]),
        _volume_m3_h(secondary_kg_s, unit.design_secondary_degC[0]),
    )
    lines = [
        "[[exchanger]]",
        f'tag = "{unit.tag}"',
        f'building = "{e.building}"',
        f'room = "{e.room}"',
        'service = "heating"',
        f"design_duty_kW = {unit.design_duty_W / 1e3:.1f}",
        f"area_m2 = {unit.area_m2:.1f}",
        f"plates = {unit.plates}",
        f"plates_most = {e.plates_most}",
        "plate_thickness_mm = 0.5",
        "plate_conductivity_W_mK = 15.0",
        'ports = "front"',
        # 2.9 mm of channel and plate, as this maker presses them
        f"tightening_dimension_mm = {2.9 * unit.plates:.0f}.0",
        "",
        *_stream("primary", unit.design_primary_degC, flows[0], unit.primary_pressure_drop_Pa, 16),
        *_stream(
            "secondary", unit.design_secondary_degC, flows[1], unit.secondary_pressure_drop_Pa, 6
        ),
    ]
    if e.clean is not None:
        lines += [
            "[exchanger.clean]",
            f"from = {e.clean[0].isoformat()}",
            f"to = {e.clean[1].isoformat()}",
            "",
        ]
    lines += ["[exchanger.limits]"]
    if e.approach_limit_K is not None:
        lines += [f"approach_K = {e.approach_limit_K:.1f}"]
    lines += ["false_alerts_per_year = 0.01", "", "[exchanger.points]"]
    lines += [
        f'{role} = {{ point = "{name}", unit = "{unit_}", file = "{pattern}" }}'
        for role, (name, unit_, pattern) in points_of(unit.tag).items()
    ]
    return "\n".join([*lines, "", *_instruments(e, flows)])


def _stream(
    side: str, temperatures: tuple[float, float], flow: float, drop_Pa: float, rating_bar: int
) -> list[str]:
    return [
        f"[exchanger.{side}]",
        'fluid = "water"',
        "passes = 1",
        f"design_inlet_degC = {temperatures[0]:.1f}",
        f"design_outlet_degC = {temperatures[1]:.1f}",
        f"design_flow_m3_h = {flow:.2f}",
        f"design_pressure_drop_kPa = {drop_Pa / 1e3:.1f}",
        f"pressure_rating_bar = {rating_bar}.0",
        "",
    ]


def _instruments(e: DemoExchanger, flows: tuple[float, float]) -> list[str]:
    lines: list[str] = []
    for role in _METERS:
        if role not in e.scenario.logger.roles:
            continue
        design = flows[1] if role == "secondary_flow" else flows[0]
        nominal = next(s for s in _SIZES_m3_h if s >= design)
        lines += [
            f"[exchanger.meters.{role}]",
            'pipe = "return"',
            "class = 2",
            f"nominal_m3_h = {nominal:.1f}",
            "",
        ]
    lines += [
        "[exchanger.thermometers]",
        'primary_supply_temperature = { class = "B" }',
        'primary_return_temperature = { class = "B" }',
    ]
    if e.secondary_tolerance_K is not None:
        tolerance = f"{{ tolerance_K = {e.secondary_tolerance_K:.1f} }}"
        lines += [f"secondary_{end}_temperature = {tolerance}" for end in ("supply", "return")]
    return [*lines, ""]


def maintenance() -> str:
    """Return ``maintenance.csv``."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["tag", "date", "deed", "role", "plates_after", "note"])
    rows = [(v.on, e.tag, v) for e in EXCHANGERS for v in e.visits]
    for on, tag, v in sorted(rows, key=lambda row: row[:2]):
        writer.writerow([tag, on.isoformat(), v.deed, v.role, v.plates_after, v.note])
    return text.getvalue()
