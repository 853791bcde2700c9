"""Which point is which role, as the form on the page of a check has it.

What physics settles is filled in; what it leaves open, or a name alone says, the user has to choose.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from analytics.vocabulary.errors import UnitError
from analytics.vocabulary.quantities import ROLE_NAMES, ROLES
from analytics.vocabulary.units import convert, is_unit
from service.register.editing import PointChange
from service.register.plant import Plant
from service.usecases.ledger import ImportOptions
from service.wording.causes import role_label
from service.wording.numbers import count_word

LEAVE_OUT = "-"
MAPPING_QUESTION = (
    "names and readings do not settle"  # how the question begins that the form answers
)
_NAMED_WELL = 0.7
# A name settles what nothing hangs on; of these roles the flow of heat has to bear it out.
_PHYSICAL = (
    "primary_supply_temperature", "primary_return_temperature", "secondary_supply_temperature",
    "secondary_return_temperature", "primary_flow", "secondary_flow", "heat_power",
)  # fmt: skip
_USUAL_UNITS = {
    "degC": "degC", "m**3/s": "m3/h", "Pa": "kPa", "W": "kW", "J": "MWh", "m**3": "m3", "": "%",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A column of the file on the form; ``role`` "": the user has to choose, "-": left out."""

    heading: str
    first: str
    said: str  # what it is, or perhaps is
    because: str
    role: str
    tag: str
    unit: str
    unit_hint: str
    likely: tuple[str, ...] = ()  # roles that stand first in the list
    asks: bool = False
    fixed: bool = False  # serves several exchangers: changed in the file alone
    offered: bool = True  # somebody has an idea what it is
    was: tuple[tuple[str, str], ...] = ()
    was_unit: str = ""
    problem: str = ""


def rows_of(columns: Iterable[Any], plant: Plant, options: ImportOptions) -> list[Row]:
    """Return the columns of a file that may be points, those that ask first."""
    found: dict[str, Row] = {}
    columns = [c for c in columns if c.left_out != "time"]
    claims = [(c.guess.tag, c.guess.role) for c in columns if c.guess and not c.taken_for]
    for column in columns:
        alone = column.guess is None or claims.count((column.guess.tag, column.guess.role)) == 1
        found.setdefault(column.heading, _row(column, plant, options, alone))
    return sorted(found.values(), key=lambda row: not row.asks)


def _row(column: Any, plant: Plant, options: ImportOptions, alone: bool) -> Row:
    unit_in_file = column.unit_in_file or ""
    if column.taken_for:
        tag, role = column.taken_for[0]
        several = len(column.taken_for) > 1
        unit = column.unit_in_register or column.unit_used or unit_in_file
        return Row(
            heading=column.heading, first=_first(column),
            said="; ".join(f"{t} {role_label(r)}" for t, r in column.taken_for),
            because="from the register" if not several else "serves several exchangers: change it in plant.toml",
            role=role, tag=tag, unit=unit, unit_hint=unit, fixed=several,
            was=tuple(column.taken_for), was_unit=unit,
        )  # fmt: skip
    guess = column.guess
    tag = _tag(options.exchanger or (guess.tag if guess else None), plant)
    if guess is None or guess.role not in ROLES:
        return Row(
            heading=column.heading, first=_first(column), said="nothing known",
            because=column.left_out or "no exchanger has this point", role=LEAVE_OUT, tag=tag,
            unit=unit_in_file if is_unit(unit_in_file) else "", unit_hint="", offered=False,
        )  # fmt: skip
    settled = guess.settled or (
        guess.role not in _PHYSICAL and guess.chance >= _NAMED_WELL and alone
    )
    label = role_label(guess.role)
    return Row(
        heading=column.heading, first=_first(column),
        said=label if settled else f"perhaps {label}" + (f"; {guess.rival} may be that as well" if guess.rival else ""),
        because=guess.why, role=guess.role if settled else "", tag=tag,
        unit=_unit(unit_in_file, guess), unit_hint=_usual_unit(guess.role), likely=(guess.role,),
        asks=not settled,
    )  # fmt: skip


def _first(column: Any) -> str:
    return "  ".join(column.first_values[:2])


def _usual_unit(role: str) -> str:
    return "1" if role == "pump_running" else _USUAL_UNITS[ROLES[role].unit]


def _tag(named: str | None, plant: Plant) -> str:
    tags = {e.tag.casefold(): e.tag for e in plant.exchangers}
    if named is not None and named.casefold() in tags:
        return tags[named.casefold()]
    return plant.exchangers[0].tag if len(plant.exchangers) == 1 else ""


def _unit(in_file: str, guess: Any) -> str:
    """Return the unit that file and readings agree on; "" where one of them leaves it open."""
    shown = guess.unit if guess.unit and guess.unit_sure else None
    if not is_unit(in_file):
        return shown or ""
    if guess.unit and not _same(in_file, guess.unit):
        return ""
    return in_file


def _same(first: str, second: str) -> bool:
    try:
        return abs(float(convert(7.0, first, second)) - 7.0) < 1e-9
    except UnitError:
        return False


def roles_listed() -> list[tuple[str, str]]:
    """Return every role with its label, as the form lists them."""
    return [(name, role_label(name)) for name in ROLE_NAMES]


def proposed(rows: Sequence[Row]) -> int:
    """Return how many columns are filled in and wait to be confirmed."""
    return sum(not row.asks and not row.was and row.role != LEAVE_OUT for row in rows)


def _columns(count: int) -> str:
    return f"{count_word(count)} column{'' if count == 1 else 's'}"


def heading_of(rows: Sequence[Row]) -> str:
    """Return what the form finds, as a heading."""
    asked = sum(row.asks for row in rows)
    filled = proposed(rows)
    known = sum(bool(row.was) for row in rows)
    parts = []
    if asked:
        parts.append(f"{_columns(asked)} {'needs' if asked == 1 else 'need'} your choice")
    if filled:
        parts.append(f"{_columns(filled)} {'is' if filled == 1 else 'are'} proposed")
    if known:
        parts.append(f"{_columns(known)} {'is' if known == 1 else 'are'} registered")
    text = "; ".join(parts) or "nothing here looks like a point"
    return f"{text[:1].upper()}{text[1:]}."


def answered(rows: Sequence[Row], form: Mapping[str, str], plant: Plant) -> list[Row]:
    """Return the rows as the user filled them in, each with what is wrong with it."""
    tags = {e.tag for e in plant.exchangers}
    found = []
    for row in rows:
        if row.fixed:
            found.append(row)
            continue
        role, tag, unit = (
            form.get(f"{name}:{row.heading}", "").strip() for name in ("role", "tag", "unit")
        )
        tag = (
            tag
            or form.get("tag", "").strip()
            or (plant.exchangers[0].tag if len(plant.exchangers) == 1 else "")
        )
        found.append(
            replace(row, role=role, tag=tag, unit=unit, problem=_problem(role, tag, unit, tags))
        )
    given = Counter((row.tag, row.role) for row in found if row.role in ROLES)
    return [
        replace(row, problem=f"Two columns are {row.tag} {role_label(row.role)}; it can be one.")
        if not row.problem and given[row.tag, row.role] > 1
        else row
        for row in found
    ]


def _problem(role: str, tag: str, unit: str, tags: set[str]) -> str:
    if role == LEAVE_OUT:
        return ""
    if role not in ROLES:
        return "Choose a role, or leave the column out."
    if tag not in tags:
        return "Choose the exchanger it belongs to."
    if not unit:
        return f"Say in which unit it is logged, such as {_usual_unit(role)}."
    try:
        convert(1.0, unit, ROLES[role].unit)
    except UnitError as exc:
        return str(exc)
    return ""


def changes_of(rows: Sequence[Row], file: str) -> list[PointChange]:
    """Return what the register has to change for the rows to hold."""
    found = []
    for row in rows:
        leaves = row.role == LEAVE_OUT
        same = row.was == ((row.tag, row.role),) and row.unit == row.was_unit
        if row.fixed or same or (leaves and not row.was):
            continue
        found.append(
            PointChange(
                point=row.heading, was=row.was, file=file,
                unit="" if leaves else row.unit, tag=None if leaves else row.tag,
                role=None if leaves else row.role,
            )
        )  # fmt: skip
    return found


def written_sentence(written: int, reread: int) -> str:
    """Return what was written, for the page after it; "": nothing."""
    if not written:
        return ""
    points = "One point is" if written == 1 else f"{count_word(written).capitalize()} points are"
    again = (
        ""
        if not reread
        else " One stored original was read again with it."
        if reread == 1
        else f" {reread} stored originals were read again with it."
    )
    return (
        f"{points} written into plant.toml and loaded; what stood there before is kept as "
        f"plant.toml.before.{again}"
    )
