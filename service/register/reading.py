"""Read ``plant.toml`` into records, or say what is wrong with it.

Lives here: the file, what must fit between its tables. Not here: the tables themselves
(``schemas.py``), the wording of single entries that are wrong (``explaining.py``).
"""

import re
import tomllib
from collections import Counter
from importlib.resources import files
from pathlib import Path
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from analytics.physics.effectiveness import arrangement_of
from analytics.physics.mixtures import MIXTURES_TO_degC
from analytics.vocabulary.errors import EvaluationError, RegisterError, UnitError
from analytics.vocabulary.quantities import CUMULATIVE_ROLES, ROLES
from analytics.vocabulary.records import Exchanger, PropertyTable, Stream
from analytics.vocabulary.units import convert
from service.register.bacnet import BacnetNetwork, BacnetTable, unknown_logs
from service.register.broker import Broker, MqttTable, unknown_points
from service.register.explaining import explain, nearest
from service.register.notes import notes_of
from service.register.plant import Plant, Point
from service.register.property_table import read_property_table
from service.register.schemas import ExchangerTable, PointTable, RegisterFile

_LINE = re.compile(r"\(at line (\d+), column (\d+)\)")
# A thermometer of the weather is shared; any other point belongs to one place.
_INCREMENT_MOST = {
    "degC": 10.0,
    "m**3/s": 0.05,
}  # beyond it, or a tenth of what a role can be: a slip
_SHARED_ROLES = ("outdoor_temperature",)


def example_register() -> str:
    """Return the commented example that ``init`` writes."""
    return files("service.register").joinpath("example.toml").read_text(encoding="utf-8")


def read_register(path: Path) -> Plant:
    """Read the register at ``path``.

    Raises
    ------
    RegisterError
        If the file is missing, is no TOML, or holds what cannot be right; the message has a
        sentence for each thing that is wrong, a line each.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise RegisterError(
            f"{path}: no register there. Write one with: plateledger init"
        ) from None
    except UnicodeDecodeError as exc:
        raise RegisterError(
            f"{path.name}: is not UTF-8 text (byte {exc.start}). Save it as UTF-8."
        ) from None
    except OSError as exc:
        raise RegisterError(f"{path}: cannot be read, {exc.strerror}.") from None
    return parse_register(text, path.name, folder=path.parent)


def parse_register(text: str, name: str, *, folder: Path) -> Plant:
    """Return the plant that ``text`` describes; ``name`` and ``folder`` are those of the file."""
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as exc:
        raise RegisterError(_syntax_sentence(exc, name, text)) from None
    try:
        file = RegisterFile.model_validate(document)
    except ValidationError as exc:
        raise RegisterError("\n".join(explain(exc, name, document))) from None
    except UnitError as exc:
        raise RegisterError(f"{name}, plant.units: {exc}") from None
    problems = [*_repeated_tags(file, name)]
    for table in file.exchanger:
        where = f'{name}, exchanger "{table.tag}"'
        problems += [f"{where}, {p}" for p in (*_misfits(table), *_point_problems(table))]
    if file.mqtt is not None:
        names = {p.point for table in file.exchanger for p in table.points.values()}
        problems += unknown_points(file.mqtt, names, name)
    if file.bacnet is not None:
        names = {p.point for table in file.exchanger for p in table.points.values()}
        problems += unknown_logs(file.bacnet, names, name)
    if problems:
        raise RegisterError("\n".join(problems))
    return _to_plant(file, name, folder)


def read_broker(path: Path) -> Broker:
    """Return the broker of the register at ``path``, which was read as a whole before.

    Raises
    ------
    RegisterError
        If the register names none.
    """
    document = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    if "mqtt" not in document:
        raise RegisterError(
            f"{path.name}: names no broker. Add [mqtt] with host and [[mqtt.topic]]; "
            "the example explains it: plateledger init --print"
        )
    try:
        return MqttTable.model_validate(document["mqtt"]).to_record()
    except ValidationError as exc:
        raise RegisterError("\n".join(explain(exc, path.name, document))) from None


def read_bacnet(path: Path) -> BacnetNetwork:
    """Return the BACnet logs of the register at ``path``, which was read as a whole before.

    Raises
    ------
    RegisterError
        If the register names none.
    """
    document = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    if "bacnet" not in document:
        raise RegisterError(
            f"{path.name}: names no BACnet log. Add [bacnet] with address and [[bacnet.log]]; "
            "the example explains it: plateledger init --print"
        )
    try:
        return BacnetTable.model_validate(document["bacnet"]).to_record()
    except ValidationError as exc:
        raise RegisterError("\n".join(explain(exc, path.name, document))) from None


def _to_plant(file: RegisterFile, name: str, folder: Path) -> Plant:
    def read_table(relative: str) -> PropertyTable:
        return read_property_table(folder / relative)

    exchangers: list[Exchanger] = []
    for table in file.exchanger:
        try:
            exchangers.append(table.to_record(file.plant, file.tariff, read_table))
        except RegisterError as exc:
            raise RegisterError(f"{name}: {exc}") from None
        problems = _liquid_problems(exchangers[-1])
        if problems:
            where = f'{name}, exchanger "{table.tag}"'
            raise RegisterError("\n".join(f"{where}, {p}" for p in problems))
    zone = ZoneInfo(file.plant.time_zone)
    return Plant(
        name=file.plant.name,
        zone=zone,
        logger_zone=file.plant.logger_time_zone,
        stale_after_days=file.plant.stale_after_days,
        exchangers=tuple(exchangers),
        points=tuple(
            Point(name=p.point, tag=table.tag, role=role, unit=p.unit, file=p.file)
            for table in file.exchanger
            for role, p in table.points.items()
        ),
        units=file.plant.units.to_record(),
        notes={
            table.tag: notes_of(table, record)
            for table, record in zip(file.exchanger, exchangers, strict=True)
        },
    )


def _syntax_sentence(exc: tomllib.TOMLDecodeError, name: str, text: str) -> str:
    found = _LINE.search(str(exc))
    what = _LINE.sub("", str(exc)).strip().rstrip(".")
    what = what[:1].lower() + what[1:]
    if found is None:
        return f"{name}: is not TOML, {what}. Compare it with the example: plateledger init --print"
    number = int(found.group(1))
    lines = text.splitlines()
    seen = lines[number - 1].strip() if number <= len(lines) else ""
    return (
        f"{name} line {number}: is not TOML, {what}; the line reads: {seen[:80]!r}. "
        'Text needs quotes, a decimal is a point, a table starts with "[".'
    )


def _repeated_tags(file: RegisterFile, name: str) -> list[str]:
    counts = Counter(t.tag.casefold() for t in file.exchanger)
    return [
        f'{name}, exchanger "{t.tag}": tag stands {counts[t.tag.casefold()]} times. '
        "Give each exchanger a tag of its own."
        for t in {t.tag.casefold(): t for t in file.exchanger}.values()
        if counts[t.tag.casefold()] > 1
    ]


def _misfits(table: ExchangerTable) -> list[str]:
    """What cannot be on any exchanger that works as one."""
    primary, secondary = table.primary, table.secondary
    pairs = (
        ("primary.design_outlet_degC", primary.design_outlet_degC,
         "primary.design_inlet_degC", primary.design_inlet_degC,
         "the network side gives heat, so it leaves colder than it enters"),
        ("secondary.design_inlet_degC", secondary.design_inlet_degC,
         "secondary.design_outlet_degC", secondary.design_outlet_degC,
         "the building side takes heat, so it enters colder than it leaves"),
        ("secondary.design_outlet_degC", secondary.design_outlet_degC,
         "primary.design_inlet_degC", primary.design_inlet_degC,
         "the building side cannot get warmer than the network side enters"),
        ("secondary.design_inlet_degC", secondary.design_inlet_degC,
         "primary.design_outlet_degC", primary.design_outlet_degC,
         "the network side cannot leave colder than the building side enters"),
    )  # fmt: skip
    found = [
        f"{low_key}: must be below {high_key}, got {low:g} and {high:g}; {why}. Swap or correct them."
        for low_key, low, high_key, high, why in pairs
        if low is not None and high is not None and not low < high
    ]
    found += _passes_problem(table)
    if table.plates and table.plates_most and table.plates_most < table.plates:
        found.append(
            f"plates_most: must be at least plates ({table.plates}), got {table.plates_most}. "
            "It is what the frame and the bolts take, with those fitted now."
        )
    return found


def _passes_problem(table: ExchangerTable) -> list[str]:
    try:
        arrangement_of(table.primary.passes, table.secondary.passes)
    except EvaluationError:
        against = f"{table.primary.passes} against {table.secondary.passes}"
        sentence = (
            f"primary.passes and secondary.passes: no formula for {against} passes. One of them must "
            "divide the other, such as 1 and 2; check the data sheet."
        )
        return [sentence]
    return []


def _liquid_problems(exchanger: Exchanger) -> list[str]:
    """Design temperatures at which the liquid has no properties."""
    found = []
    for side, stream in (("primary", exchanger.primary), ("secondary", exchanger.secondary)):
        low, high, what = _liquid_range(stream)
        for key in ("design_inlet_degC", "design_outlet_degC"):
            value = getattr(stream, key)
            if value is not None and not low <= value <= high:
                found.append(
                    f"{side}.{key}: {value:g} degC lies outside {low:g} to {high:g} degC, where "
                    f"{what} has properties. Correct it, or give a property table that reaches so far."
                )
    return found


def _liquid_range(stream: Stream) -> tuple[float, float, str]:
    fluid = stream.fluid
    if fluid.table is not None:
        rows = fluid.table.temperature_degC
        return rows[0], rows[-1], f"the liquid of {fluid.table.name}"
    if fluid.kind == "water":
        return 0.0, 200.0, "water"
    # where a mixture freezes, the property library knows; readings below it are set aside
    return -60.0, MIXTURES_TO_degC, fluid.kind


def _point_problems(table: ExchangerTable) -> list[str]:
    found = []
    seen: dict[tuple[str, str], str] = {}
    for role, point in table.points.items():
        key = (point.point.casefold(), point.file)
        if key in seen and role not in _SHARED_ROLES:
            found.append(
                f'points.{role}: the point "{point.point}" is given to {seen[key]} already. '
                "A point has one role; correct one of the two."
            )
        seen[key] = role
        try:
            convert(1.0, point.unit, ROLES[role].unit)
        except UnitError as exc:
            found.append(f"points.{role}: {exc}")
        else:
            found += _increment_problem(role, point)
    for kind, mapping, fitting in (
        ("meters", table.meters, _is_meter_role),
        ("thermometers", table.thermometers, lambda role: ROLES[role].unit == "degC"),
    ):
        found += [
            f"{kind}.{role}: is no role of {'a flow or heat meter' if kind == 'meters' else 'a thermometer'}. "
            "Leave it out."
            for role in mapping
            if not fitting(role)
        ]
    return found


def _increment_problem(role: str, point: PointTable) -> list[str]:
    """Say where no log on change can be meant: a count, or a step in which everything is lost."""
    step, quantity = point.increment(role), ROLES[role]
    if step is None:
        return []
    where = f"points.{role}.on_change"
    if role in CUMULATIVE_ROLES:
        return [f"{where}: a register counts and is read as it comes. Leave it out."]
    span = quantity.high - quantity.low
    most = (
        span if role == "pump_running" else min(span / 10, _INCREMENT_MOST.get(quantity.unit, span))
    )
    if step > most:
        shown = float(point.on_change or 0.0) * most / step
        sentence = (
            f"{where}: must be at most {shown:.3g} {point.unit}, got {point.on_change:g}. "
            f"It is the change of value, in {point.unit}, at which the point is logged."
        )
        return [sentence]
    return []


def _is_meter_role(role: str) -> bool:
    return role in ("primary_flow", "secondary_flow", "heat_power")


def exchanger_of(plant: Plant, tag: str) -> Exchanger:
    """Return the exchanger with ``tag``.

    Raises
    ------
    RegisterError
        If there is none; the message proposes the nearest tag.
    """
    found = plant.exchanger(tag)
    if found is not None:
        return found
    tags = [e.tag for e in plant.exchangers]
    proposal = nearest(tag, tags)
    if proposal is not None:
        raise RegisterError(f'no exchanger "{tag}" in the register. Did you mean "{proposal}"?')
    listed = ", ".join(tags[:20]) + (" …" if len(tags) > 20 else "")
    raise RegisterError(
        f'no exchanger "{tag}" in the register. '
        + (f"Registered: {listed}." if tags else "None is registered yet.")
    )
