"""Paired tables: each point has a time column of its own, to the left of its values.

So write exports of points that were logged at different moments. The columns end at different
rows; empty cells below a column's end are no findings.
"""

from dataclasses import replace

import numpy as np

from ingest.dialects.quality_words import find_state_columns
from ingest.dialects.readings import Reading, points_of
from ingest.dialects.sniffing import Table
from ingest.dialects.timing import TimeColumns, read_times, stamp_columns
from ingest.dialects.wide import describe_unknown, read_column, refuse_twins
from ingest.examination import ColumnReport, Examination
from ingest.findings import Findings
from ingest.numbers import choose_mark
from ingest.rules import Rules

NAME = "paired"


def sniff(table: Table, rules: Rules) -> bool:
    """Tell whether at least two registered columns each follow a column of stamps."""
    stamps = stamp_columns(table)
    followed = [
        i for i in stamps
        if i + 1 < len(table.headings) and i + 1 not in stamps
        and points_of(table.headings[i + 1], table.name, rules)
    ]  # fmt: skip
    return len(followed) >= 2


def read(table: Table, rules: Rules, examination: Examination, findings: Findings) -> list[Reading]:
    """Return one reading per registered column; ``examination`` and ``findings`` take the rest."""
    stamps = stamp_columns(table)
    states = find_state_columns(table.headings, table, set(stamps))
    state_positions = {state.position for state in states}
    known = {
        i: points for i, heading in enumerate(table.headings)
        if i not in stamps and i not in state_positions
        and (points := points_of(heading, table.name, rules))
    }  # fmt: skip
    refuse_twins(table.name, [(table.headings[i], points) for i, points in known.items()])
    dictionaries = [table.records.column(i, table.rows).dictionary for i in known]
    mark = choose_mark(rules, dictionaries, table.records.delimiter, examination)
    readings: list[Reading] = []
    steps_s: list[float] = []
    for position, heading in enumerate(table.headings):
        report = ColumnReport(
            heading=heading, position=position + 1, first_values=tuple(table.sample(position, 3))
        )
        examination.columns.append(report)
        to_the_left = [i for i in stamps if i < position]
        if position in stamps or position in state_positions:
            report.left_out = "time" if position in stamps else "state of another column"
        elif position not in known:
            describe_unknown(table, position, report, mark)
        elif not to_the_left:
            report.left_out = "no time column to its left"
        else:
            clock = to_the_left[-1]
            own = _rows_with_stamp(table, clock)
            columns = TimeColumns((clock,), (table.headings[clock],))
            timed = read_times(own, columns, rules, examination, findings)
            steps_s += [examination.interval_s] if examination.interval_s else []
            readings += read_column(
                own,
                position,
                own.records.column(position, own.rows),
                known[position],
                mark,
                timed,
                states,
                report,
                examination,
                findings,
            )
    examination.time_columns = tuple(table.headings[i] for i in stamps)
    examination.interval_s = float(np.median(steps_s)) if steps_s else None
    return readings


def _rows_with_stamp(table: Table, position: int) -> Table:
    column = table.records.column(position, table.rows)
    filled = np.array([bool(text) for text in column.dictionary.to_pylist()], dtype=bool)
    return replace(table, rows=table.rows[filled.take(np.asarray(column.indices))])
