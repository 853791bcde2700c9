"""Long tables: a row for each value, with columns for time, point and value."""

import re
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from analytics.vocabulary.errors import IngestError
from ingest.dialects.quality_words import state_column_of, state_mask
from ingest.dialects.readings import Reading, points_of, to_si, unit_of
from ingest.dialects.record_gaps import gaps_of_rows
from ingest.dialects.sniffing import Table, split_heading, tidy_unit
from ingest.dialects.timing import find_time_columns, read_times
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
    read_cells,
)
from ingest.rules import Rules

NAME = "long"
_POINT = re.compile(
    r"(?i)^(.*\b)?(point|name|tag|trend|object|sensor|signal|variable|series|channel|datenpunkt|"
    r"messpunkt|punkt|messstelle|kanal|bezeichnung|adresse|point ?name|point ?id|objekt|punktnavn|"
    r"punktnamn|nom|trendlog|trend ?log|parameter|metric|measurement|item|id|path|source)"
    r"([ _]?(name|id|path|reference))?$"
)
_VALUE = re.compile(
    r"(?i)^(present[ _]?|avg[ _]?|mean[ _]?|point[ _]?)?(value|wert|messwert|valeur|värde|verdi|"
    r"værdi|reading|data|arvo|val|mittelwert|average|istwert)s?$"
)
_UNIT = re.compile(r"(?i)^(eng(ineering)?[ _]?)?(units?|uom|einheit|unité|enhet|enhed|yksikkö)$")
# a number, perhaps with its unit
_NUMBER = re.compile(r"^[-+]?\d[\d.,' ]*(?:[eE][-+]?\d+)?\s*[^\d\s]{0,6}(?:\s*\{.*\})?$")
_POINTS_MOST = 5000
_UNKNOWN_MOST = 400


@dataclass(frozen=True, slots=True)
class LongColumns:
    """Positions of the columns; ``None``: there is none."""

    point: int
    value: int
    unit: int | None
    state: int | None


def find_columns(table: Table, rules: Rules) -> LongColumns | None:
    """Return the columns of a long table; ``None`` where it is not one.

    Headings tell, or else a text column whose cells are registered points.
    """
    if not 3 <= len(table.headings) <= 20:
        return None
    times = set(find_time_columns(table).positions)
    bare = [split_heading(h)[0].strip().replace("_", " ") for h in table.headings]
    free = [i for i in range(len(bare)) if i not in times]
    samples = {i: table.sample(i) for i in free}
    known = {
        i: sum(bool(points_of(c, table.name, rules)) for c in set(samples[i]) if c) for i in free
    }
    units = next((i for i in free if _UNIT.match(bare[i])), None)
    texts = [i for i in free if i != units and _mostly_text(samples[i])]
    points = [i for i in free if known[i]] or [i for i in texts if _POINT.match(bare[i])]
    values = [i for i in free if _VALUE.match(bare[i]) and i not in points[:1]]
    if not points:
        return None
    point = max(points, key=lambda i: (known[i], -i))
    if not values:
        if not known[point]:
            return None
        values = [i for i in free if i not in (point, units) and not _mostly_text(samples[i])]
    if not values:
        return None
    return LongColumns(point, values[0], units, state_column_of(table.headings, table, free))


def _mostly_text(cells: list[str]) -> bool:
    filled = [c for c in cells if c]
    texts = [c for c in filled if re.search(r"[^\W\d_]", c) and not _NUMBER.match(c)]
    return len(texts) > 0.6 * len(filled)


def sniff(table: Table, rules: Rules) -> bool:
    """Tell whether the table has a column of point names and one of values."""
    return find_columns(table, rules) is not None


def read(table: Table, rules: Rules, examination: Examination, findings: Findings) -> list[Reading]:
    """Return one reading per registered point; ``examination`` and ``findings`` take the rest.

    Raises
    ------
    IngestError
        If there are more points than any site's export would hold.
    """
    columns = find_columns(table, rules)
    assert columns is not None  # read() follows sniff()
    names = table.records.column(columns.point, table.rows)
    # trimming may have made two spellings one
    labels = names.dictionary.dictionary_encode()
    point_of_row = np.asarray(labels.indices)[np.asarray(names.indices)].astype(np.int64)
    headings = [str(h) for h in labels.dictionary.to_pylist()]
    if len(headings) > _POINTS_MOST:
        raise IngestError(
            f"{table.name}: column {table.headings[columns.point]!r} holds {len(headings)} point "
            "names. Export the points of the heat exchangers only."
        )
    known = [bool(points_of(h, table.name, rules)) for h in headings]
    values = table.records.column(columns.value, table.rows, distinct=False)
    mark = choose_mark(rules, [values.dictionary], table.records.delimiter, examination)
    cells = read_cells(values.dictionary, mark.mark, switch=True)
    index = np.asarray(values.indices).astype(np.int64)
    timed = read_times(
        table, find_time_columns(table), rules, examination, findings, series=point_of_row
    )
    order = np.argsort(point_of_row, kind="stable")
    bounds = np.searchsorted(point_of_row[order], np.arange(len(headings) + 1))
    when = np.full(len(table.rows), np.datetime64("NaT", "us"))
    when[timed.rows] = timed.time_utc
    readings: list[Reading] = []
    for code, heading in enumerate(headings):
        mine = order[bounds[code] : bounds[code + 1]]
        report = ColumnReport(heading=heading)
        examination.columns.append(report)
        report.first_values = tuple(str(values[int(i)].as_py()) for i in mine[:3])
        stated = _units_of(table, columns, mine)
        if not known[code]:
            _describe_unknown(report, cells, index[mine], stated)
            dated = ~np.isnat(when[mine])
            if rules.propose and len(examination.unregistered) < _UNKNOWN_MOST and dated.any():
                values_of = cells.values[index[mine]][dated]
                keep_values(examination, heading, when[mine][dated], values_of)
            continue
        readings += _read_point(
            table, columns, rules, report, cells, values.dictionary, index, mine, when, stated, mark,
            examination, findings,
        )  # fmt: skip
    return readings


def _units_of(
    table: Table, columns: LongColumns, mine: NDArray[np.int64]
) -> dict[str | None, NDArray[np.int64]]:
    """Return the rows of a point by the unit that stands on them."""
    heading_unit = split_heading(table.headings[columns.value])[1]
    if columns.unit is None:
        return {heading_unit: mine}
    column = table.records.column(columns.unit, table.rows[mine])
    index = np.asarray(column.indices)
    by_unit: dict[str | None, list[NDArray[np.int64]]] = {}
    for code, text in enumerate(column.dictionary.to_pylist()):
        unit = tidy_unit(str(text)) or heading_unit
        by_unit.setdefault(unit, []).append(mine[index == code])
    return {unit: np.sort(np.concatenate(parts)) for unit, parts in by_unit.items()}


def _describe_unknown(
    report: ColumnReport, cells: Cells, index: NDArray[np.int64],
    stated: dict[str | None, NDArray[np.int64]],
) -> None:  # fmt: skip
    report.unit_in_file = next(iter(stated), None)
    report.left_out = "not in the register"
    values = cells.values[index]
    values = values[np.isfinite(values)][:200]
    report.guess = guess_role(report.heading, report.unit_in_file, values.tolist())


def _read_point(
    table: Table, columns: LongColumns, rules: Rules, report: ColumnReport, cells: Cells,
    texts: pa.Array, index: NDArray[np.int64], mine: NDArray[np.int64],
    when: NDArray[np.datetime64], stated: dict[str | None, NDArray[np.int64]], mark: DecimalMark,
    examination: Examination, findings: Findings,
) -> list[Reading]:  # fmt: skip
    masked = np.zeros(len(table.rows), dtype=bool)
    lines = table.lines_of(mine)
    if columns.state is not None:
        state = table.records.column(columns.state, table.rows[mine])
        masked[mine] |= state_mask(state, lines, report.heading, findings)
    if any(cells.state):
        own = pa.array(cells.state[index[mine]].tolist(), pa.string()).dictionary_encode()
        masked[mine] |= state_mask(own, lines, report.heading, findings)
    count_cells(report, texts, cells, index[mine], lines, findings)
    ask_about_odd_marks(texts, cells, index[mine], mark, report, examination)
    readings: list[Reading] = []
    for point in points_of(report.heading, table.name, rules):
        parts = []
        for unit_text, rows in stated.items():
            line = int(table.lines_of(rows[:1])[0])
            where = f"{table.name} line {line}, point {report.heading}"
            unit = unit_of(point, unit_text, where, report, findings, line=line)
            if unit is None:
                continue
            raw = np.where(masked[rows], np.nan, cells.values[index[rows]])
            switched = cells.switched[index[rows]]
            counts = findings.owns(table.lines_of(rows)).astype(np.int64)
            si_part = to_si(point, raw, switched, unit, report, findings, examination, counts)
            parts.append((rows, si_part))
        if not parts:
            continue
        rows = np.concatenate([p[0] for p in parts])
        si = np.concatenate([p[1] for p in parts])
        file_order = np.argsort(rows, kind="stable")
        rows, si = rows[file_order], si[file_order]
        timed = ~np.isnat(when[rows])
        report.taken_for = (*report.taken_for, (point.tag, point.role))
        readings.append(
            Reading(report.heading, point.tag, point.role, when[rows][timed], si[timed],
                    table.lines_of(rows[timed]), gaps_of_rows(when[rows][timed], si[timed]))
        )  # fmt: skip
    return readings
