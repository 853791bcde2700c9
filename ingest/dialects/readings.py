"""What every dialect hands on: the values of one source point along time, still as in the file.

And what is common to them: which unit counts, the turn to SI, and what to ask about the values.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.vocabulary.errors import IngestError, UnitError
from analytics.vocabulary.quantities import ROLES
from analytics.vocabulary.units import SPELLINGS, convert, parse_unit
from ingest.dialects.sniffing import split_heading
from ingest.examination import ColumnReport, Examination
from ingest.findings import Findings
from ingest.point_map import Point
from ingest.rules import Rules

# Where the median of a role lies on any building heat network in use; outside: a question of units.
_USUAL_MEDIAN: dict[str, tuple[float, float]] = {
    "primary_supply_temperature": (15.0, 150.0),
    "primary_return_temperature": (10.0, 120.0),
    "secondary_supply_temperature": (10.0, 110.0),
    "secondary_return_temperature": (10.0, 100.0),
    "secondary_supply_set_point": (10.0, 110.0),
    "outdoor_temperature": (-30.0, 45.0),
}


@dataclass(frozen=True, slots=True)
class Reading:
    """One source point: SI values of ``role`` for exchanger ``tag``.

    ``time_utc``, ``values`` and ``line`` have one entry per logged cell, in the order of the file. ``gaps``
    has the begin, end and reason of each gap that the source itself tells of.
    """

    heading: str
    tag: str
    role: str
    time_utc: NDArray[np.datetime64]
    values: NDArray[np.float64]
    line: NDArray[np.int64]
    gaps: pd.DataFrame | None = None


def points_of(heading: str, name: str, rules: Rules) -> tuple[Point, ...]:
    """Return the register's points for a heading, with or without its unit in brackets.

    With ``only_tag`` a heading that is the plain name of a role needs no entry.
    """
    bare, unit = split_heading(heading)
    for spelling in dict.fromkeys((heading, bare)):
        if found := rules.points.find(spelling, name, rules.only_tag):
            return found
    role = bare.strip().lower().replace(" ", "_")
    if rules.only_tag is not None and role in ROLES:
        return (Point(name=heading, tag=rules.only_tag, role=role, unit=unit or ROLES[role].unit),)
    return ()


def _fits(unit: str, role: str) -> bool:
    try:
        convert(1.0, unit, ROLES[role].unit)
    except UnitError:
        return False
    return True


def unit_of(
    point: Point,
    stated: str | None,
    where: str,
    report: ColumnReport,
    findings: Findings,
    *,
    line: int | None = None,
) -> str | None:
    """Return the unit that counts; ``None`` where the column cannot be this role.

    What the file states goes before what the register says; a contradiction is a finding.

    Raises
    ------
    IngestError
        If the unit that would count is not known.
    """
    report.unit_in_register = point.unit
    if point.role == "pump_running":
        report.unit_in_file, report.unit_sure = stated, "none needed: runs above zero"
        return "1"
    if stated is None:
        if not _known(point.unit):
            raise IngestError(
                f"{where}: the register gives the unit {point.unit!r}, which is not known. "
                "Write it as in degC, degF, m3/h, l/s, gpm, kW, MWh, kPa, bar, %."
            )
        report.unit_sure = "the register's; the file names none"
        if _fits(point.unit, point.role):
            return point.unit
        _leave_out(point, point.unit, report, findings, line)
        return None
    report.unit_in_file = stated
    if not _known(stated):
        raise IngestError(
            f"{where}: unit {stated!r} is not known. Write it as in degC, degF, m3/h, l/s, gpm, kW, "
            "MWh, kPa, bar, %."
        )
    if not _fits(stated, point.role):
        _leave_out(point, stated, report, findings, line)
        return None
    if _known(point.unit) and parse_unit(stated) == parse_unit(point.unit):
        report.unit_sure = "file and register agree"
    else:
        report.unit_sure = f"the file's; the register says {point.unit!r}"
        findings.add(
            "unit differs",
            f"the file says {stated!r}, the register {point.unit!r} for {point.tag} {point.role}. "
            f"Read as {stated!r}; put the register right if that is so.",
            "doubtful",
            line=line,
            column=point.name,
        )
    return stated


def _leave_out(
    point: Point, unit: str, report: ColumnReport, findings: Findings, line: int | None
) -> None:
    report.left_out = f"unit {unit!r} does not measure {ROLES[point.role].label}"
    findings.add(
        "unit does not fit",
        f"unit {unit!r} does not measure {ROLES[point.role].label}, for which the point is "
        "registered. Left out; check the entry in the register.",
        "refused",
        line=line,
        column=point.name,
    )


def _known(unit: str) -> bool:
    try:
        parse_unit(unit)
    except UnitError:
        return False
    return True


def to_si(
    point: Point, values: NDArray[np.float64], switched: NDArray[np.bool_], unit: str,
    report: ColumnReport, findings: Findings, examination: Examination,
    counts: NDArray[np.int64] | None = None,
) -> NDArray[np.float64]:  # fmt: skip
    """Return values in the role's SI unit, and note what looks wrong about them.

    ``switched`` marks the values that came from a word for on or off: 1 and 0 whatever the unit.
    ``counts`` says how often each value occurs where that is not once; a large file shows a part
    values of its neighbours, which occur in it not at all.
    """
    role = ROLES[point.role]
    absolute = role.unit == "degC" and SPELLINGS.get(unit.strip().lower(), unit) == "kelvin"
    # "K" behind a temperature of 70 means degC on most controllers
    if absolute and (about := _median(values, counts)) <= 200.0:
        findings.add(
                "kelvin",
                f"unit K, but the values are about {about:.0f}: taken as degC.",
                "doubtful", column=point.name,
            )  # fmt: skip
        unit = "degC"
    si = convert(values, unit, role.unit)
    if switched.any():
        si = np.where(switched, values, si)
    report.unit_used = unit
    if point.role == "pump_running":
        # speeds and frequencies say the same thing
        si = np.where(np.isnan(si), np.nan, (si > 0).astype(float))
    if counts is None:
        counts = np.ones(len(si), dtype=np.int64)
    _question_values(point, values, si, counts, unit, report, findings, examination)
    return si


def _median(values: NDArray[np.float64], counts: NDArray[np.int64] | None) -> float:
    """Return the median of numbers that occur ``counts`` times (``None``: once); NaN of none."""
    finite = np.isfinite(values)
    values, counts = values[finite], None if counts is None else counts[finite]
    total = len(values) if counts is None else int(counts.sum())
    if not total:
        return float("nan")
    if counts is None or total < 4 * len(values):
        # to find the middle takes less than to sort
        return float(np.median(values if counts is None else np.repeat(values, counts)))
    order = np.argsort(values, kind="stable")
    rising, upto = values[order], np.cumsum(counts[order])
    middle = np.searchsorted(upto, [(upto[-1] - 1) // 2, upto[-1] // 2], side="right")
    return float(np.mean(rising[middle]))


def _usual_value(
    si: NDArray[np.float64], counts: NDArray[np.int64], low: float, high: float
) -> float:
    # sentinels and idle zeros say nothing about the unit
    inside = _median(si, np.where((si >= low) & (si <= high), counts, 0))
    return _median(si, counts) if np.isnan(inside) else inside


def _question_values(
    point: Point, raw: NDArray[np.float64], si: NDArray[np.float64], counts: NDArray[np.int64],
    unit: str, report: ColumnReport, findings: Findings, examination: Examination,
) -> None:  # fmt: skip
    role = ROLES[point.role]
    counted = np.isfinite(si) & (counts > 0)
    if not counted.any():
        return
    report.smallest, report.largest = float(si[counted].min()), float(si[counted].max())
    outside = int(counts[counted & ((si < role.low) | (si > role.high))].sum())
    report.values_outside_range = outside
    findings.add(
        "outside range",
        f"{outside} of {counts[counted].sum()} values lie outside what {role.label} can be "
        f"({role.low:g} to {role.high:g} {role.unit}). Stored; the assessment sets them aside.",
        "note", column=point.name, count=outside,
    )  # fmt: skip
    if report.heading in examination.weighed:
        return
    usual = _USUAL_MEDIAN.get(point.role)
    median = _usual_value(si, counts, role.low, role.high) if usual else float("nan")
    if usual and not usual[0] <= median <= usual[1]:
        logged = _median(raw, counts)
        others = [
            u for u in ("degC", "degF", "K")
            if parse_unit(u) != parse_unit(unit)
            and usual[0] <= float(convert(logged, u, "degC")) <= usual[1]
        ]  # fmt: skip
        better = f" Is it {' or '.join(others)}?" if others else ""
        examination.ask(
            f"column {point.name!r}: read as {unit}, {role.label} would be about {median:.0f} degC."
            f"{better}"
        )
    if point.role == "valve_position":
        top = report.largest
        if top > 1.5 and parse_unit(unit) != parse_unit("%"):
            examination.ask(
                f"column {point.name!r}: goes up to {top:g} and is read as 0 to 1. Is it %?"
            )
        elif parse_unit(unit) == parse_unit("%") and 0.005 < top <= 0.0101:
            examination.ask(
                f"column {point.name!r}: goes up to {top * 100:g} % only. Is it 0 to 1?"
            )
