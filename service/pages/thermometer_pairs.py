"""The table of thermometer pairs on an exchanger's page: how much, since when, from which evidence."""

from analytics.vocabulary.records import Evaluation, PairOffset
from service.charts.drawing import Table
from service.register.plant import Plant
from service.wording import dates, numbers
from service.wording.causes import role_label
from service.wording.numbers import NBSP

_EVIDENCE = {
    "load": "change with the load", "standstill": "at a standstill",
    "circulation": "valve shut, pump running", "together": "all together",
}  # fmt: skip
_OLD_DAYS = 400.0


def pairs_table(evaluation: Evaluation, plant: Plant) -> Table | None:
    """Return every statement on every pair, the newest first in each; ``None`` where there is none."""
    if not evaluation.pairs:
        return None
    ordered: dict[tuple[str, str], list[PairOffset]] = {}
    for statement in evaluation.pairs:
        ordered.setdefault((statement.first_role, statement.second_role), []).insert(0, statement)
    rows = tuple(
        _row(said, plant, named=number == 0)
        for statements in ordered.values()
        for number, said in enumerate(statements)
    )
    return Table(
        caption="How far two thermometers disagree",
        heads=("First against second", "Evidence", "Between", "First reads higher by", "Age"),
        rows=rows,
    )


def _row(said: PairOffset, plant: Plant, *, named: bool) -> tuple[str, ...]:
    measure = numbers.measure_of("error_K", plant.units)
    first, last = (dates.month(t, plant.zone, year=True) for t in (said.from_utc, said.to_utc))
    old = ", old" if said.age_days > _OLD_DAYS else ""
    return (
        f"{role_label(said.first_role)} \N{EN DASH} {role_label(said.second_role)}"
        if named
        else "",
        f"{_EVIDENCE[said.evidence]}, {said.hours:,.0f}{NBSP}h",
        first if first == last else f"{first} to {last}",
        numbers.figure(said.difference_K, measure, signed=True).text,
        f"{said.age_days:,.0f}{NBSP}days{old}",
    )
