"""Wide tables: a row for each stamp, a column for each point."""

import re
from collections.abc import Sequence

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from analytics.vocabulary.errors import IngestError
from ingest.dialects.quality_words import StateColumn, find_state_columns, state_mask
from ingest.dialects.readings import Reading, points_of, to_si, unit_of
from ingest.dialects.sniffing import Table, split_heading, tidy_unit
from ingest.dialects.timing import TimeColumns, Timed, find_time_columns, read_times
from ingest.examination import ColumnReport, Examination
from ingest.findings import Findings
from ingest.guessing import guess_role
from ingest.mapping.reporting import keep_values
from ingest.numbers import (
    Cells,
    DecimalMark,
    ask_about_odd_marks,
    choose_mark,
    count_cells,
    count_each,
    read_cells,
    spread,
)
from ingest.point_map import Point
from ingest.rules import Rules

NAME = "wide"
_NOT_REGISTERED = "not in the register"
_UNKNOWN_MOST = 400
_VALUE_WORDS = re.compile(
    r"(?i)^(present )?(value|wert|messwert|valeur|värde|verdi|værdi|reading|arvo|val)s?$"
)


def sniff(table: Table, rules: Rules) -> bool:
    """Tell whether the table is wide; it is what is left when no other dialect fits."""
    return True


def read(table: Table, rules: Rules, examination: Examination, findings: Findings) -> list[Reading]:
    """Return one reading per registered column; ``examination`` and ``findings`` take the rest."""
    times = find_time_columns(table)
    headings = _named_headings(table, rules, set(times.positions))
    states = find_state_columns(headings, table, set(times.positions))
    reports: list[tuple[int, ColumnReport, tuple[Point, ...]]] = []
    for position, heading in enumerate(headings):
        report = ColumnReport(
            heading=heading,
            position=position + 1,
            first_values=tuple(table.sample(position, 5)[:3]),
        )
        examination.columns.append(report)
        if position in times.positions:
            report.left_out = "time"
        elif any(state.position == position for state in states):
            report.left_out = "state of other columns"
        else:
            reports.append((position, report, points_of(heading, table.name, rules)))
    refuse_twins(table.name, [(r.heading, p) for _, r, p in reports])
    columns = {position: table.column(position) for position, _, points in reports if points}
    # before there is a register, the file's own cells tell the mark
    texts = [c.dictionary for c in columns.values()] or [
        pa.array(table.sample(position), pa.string()) for position, _, _ in reports
    ]
    mark = choose_mark(rules, texts, table.records.delimiter, examination)
    for position, report, points in reports:
        if not points:
            describe_unknown(table, position, report, mark)
    if not columns:
        seen = _look_at_times(table, times, rules, examination)
        if seen is not None and rules.propose:
            _keep_unknown(table, reports, mark, seen, examination)
        return []
    timed = read_times(table, times, rules, examination, findings)
    if rules.propose:
        _keep_unknown(table, reports, mark, timed, examination)
    readings: list[Reading] = []
    for position, report, points in reports:
        if points:
            readings += read_column(
                table,
                position,
                columns[position],
                points,
                mark,
                timed,
                states,
                report,
                examination,
                findings,
            )
    return readings


def refuse_twins(name: str, headed: Sequence[tuple[str, tuple[Point, ...]]]) -> None:
    """Refuse a file in which a registered heading stands above two columns.

    Raises
    ------
    IngestError
        Since nothing tells which of them is meant.
    """
    seen: set[str] = set()
    for heading, points in headed:
        if points and heading in seen:
            raise IngestError(
                f"{name}: the heading {heading!r} stands above two columns, and nothing tells which "
                "is meant. Rename one of them, or export the point once."
            )
        seen.add(heading)


def read_column(
    table: Table, position: int, column: pa.DictionaryArray, points: tuple[Point, ...],
    mark: DecimalMark, timed: Timed, states: list[StateColumn], report: ColumnReport, examination: Examination, findings: Findings,
) -> list[Reading]:  # fmt: skip
    """Return the readings of one value column at stamps already read; ``column`` has all rows."""
    cells, index = _cells(column, mark, points), np.asarray(column.indices)
    masked = _masked(table, cells, index, position, states, report, findings)
    counts = count_cells(report, column.dictionary, cells, index, table.lines, findings)
    ask_about_odd_marks(column.dictionary, cells, index, mark, report, examination)
    lines = table.lines
    if len(timed.rows) < len(index):
        index, masked, lines = index[timed.rows], masked[timed.rows], lines[timed.rows]
    some_masked = bool(masked.any())
    if some_masked or len(index) < len(table.rows):
        counts = count_each(index[findings.owns(lines) & ~masked], len(cells.values))
    stated, line = _stated_unit(table, position, cells)
    where = f"{table.name} line {line or table.header_line or 1}, column {report.heading}"
    readings: list[Reading] = []
    for point in points:
        unit = unit_of(point, stated, where, report, findings, line=line)
        if unit is None:
            continue
        distinct = to_si(
            point, cells.values, cells.switched, unit, report, findings, examination, counts
        )
        si = spread(distinct, index)
        if some_masked:
            si[masked] = np.nan
        report.taken_for = (*report.taken_for, (point.tag, point.role))
        readings.append(Reading(report.heading, point.tag, point.role, timed.time_utc, si, lines))
    return readings


def _named_headings(table: Table, rules: Rules, times: set[int]) -> tuple[str, ...]:
    """Return the headings; a lone "Value" gets the point's name from the preamble or file name."""
    values = [
        i for i, h in enumerate(table.headings)
        if i not in times and _VALUE_WORDS.match(split_heading(h)[0].strip())
    ]  # fmt: skip
    known = [
        h
        for i, h in enumerate(table.headings)
        if i not in times and points_of(h, table.name, rules)
    ]
    if len(values) != 1 or known:
        return table.headings
    stem = re.sub(
        r"(\.(csv|txt|tsv|gz|zip|dat|log))+$",
        "",
        table.name.rsplit("/", 1)[-1],
        flags=re.IGNORECASE,
    )
    texts = [stem]
    for _, row in table.preamble:
        texts += [*row, *(re.split(r"[:=]\s*", cell, maxsplit=1)[-1] for cell in row)]
    for text in texts:
        if text.strip() and points_of(text.strip(), table.name, rules):
            renamed = list(table.headings)
            renamed[values[0]] = text.strip()
            return tuple(renamed)
    return table.headings


def _look_at_times(
    table: Table, times: TimeColumns, rules: Rules, examination: Examination
) -> Timed | None:
    """Note what the stamps of a file without registered columns are; a doubt is a question then."""
    try:
        timed = read_times(table, times, rules, examination, Findings())
    except IngestError as exc:
        examination.ask(str(exc))
        return None
    if len(timed.time_utc):
        first, last = timed.time_utc.min(), timed.time_utc.max()
        examination.first_utc = f"{np.datetime_as_string(first, unit='s')}Z"
        examination.last_utc = f"{np.datetime_as_string(last, unit='s')}Z"
    return timed


def _keep_unknown(
    table: Table, reports: list[tuple[int, ColumnReport, tuple[Point, ...]]], mark: DecimalMark,
    timed: Timed, examination: Examination,
) -> None:  # fmt: skip
    """Keep the values of the columns that nobody registered, to weigh what they may be."""
    unknown = [(p, r) for p, r, points in reports if not points and r.left_out == _NOT_REGISTERED]
    for position, report in unknown[:_UNKNOWN_MOST]:
        column = table.records.column(position, table.rows)
        cells = read_cells(column.dictionary, mark.mark, switch=True)
        values = cells.values[np.asarray(column.indices)][timed.rows]
        keep_values(examination, report.heading, timed.time_utc, values)


def describe_unknown(table: Table, position: int, report: ColumnReport, mark: DecimalMark) -> None:
    bare, unit = split_heading(report.heading)
    report.unit_in_file = table.units[position] or unit
    cells = read_cells(pa.array(table.sample(position), pa.string()), mark.mark, switch=True)
    finite = cells.values[np.isfinite(cells.values)]
    report.left_out = _NOT_REGISTERED if finite.size else "no numbers, and not in the register"
    if finite.size:
        report.guess = guess_role(bare, report.unit_in_file, finite.tolist())


def _cells(column: pa.DictionaryArray, mark: DecimalMark, points: tuple[Point, ...]) -> Cells:
    switch = any(p.role in ("pump_running", "valve_position") for p in points)
    return read_cells(column.dictionary, mark.mark, switch=switch)


def _stated_unit(table: Table, position: int, cells: Cells) -> tuple[str | None, int | None]:
    """Return the unit that the file states for a column, and the line where it does."""
    if table.units[position]:
        return table.units[position], table.unit_line
    unit = split_heading(table.headings[position])[1]
    if unit is not None:
        return unit, table.header_line
    return (tidy_unit(cells.unit), None) if cells.unit else (None, None)


def _masked(
    table: Table, cells: Cells, index: NDArray[np.integer], position: int,
    states: list[StateColumn], report: ColumnReport, findings: Findings,
) -> NDArray[np.bool_]:  # fmt: skip
    """Return which rows carry a state that keeps their value out."""
    masked = np.zeros(len(index), dtype=bool)
    if any(cells.state):
        own = pa.DictionaryArray.from_arrays(
            pa.array(index, pa.int32()), pa.array(cells.state.tolist(), pa.string())
        )
        masked |= state_mask(own, table.lines, report.heading, findings)
    for state in states:
        if position in state.values:
            column = table.records.column(state.position, table.rows)
            masked |= state_mask(column, table.lines, report.heading, findings)
    return masked
