"""Where the table lies in a text: delimiter, preamble, header, unit row, first line of data."""

import csv
import io
import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from analytics.vocabulary.errors import IngestError, UnitError
from analytics.vocabulary.quantities import TREND_ROLES
from analytics.vocabulary.units import SPELLINGS, convert, is_unit
from ingest.dialects.records import Records, split_records
from ingest.dialects.rows import rows_of
from ingest.findings import Findings
from ingest.point_map import PointMap
from ingest.sources import SourceText
from ingest.stamps import DATE_ONLY, EPOCH, FULL, SERIAL

DELIMITERS = ("\t", ";", "|", ",")
_SAMPLE_LINES = 400
_PREAMBLE_MOST = 500
TIME_WORDS = re.compile(
    r"(?i)time|stamp|date|datum|zeit|uhr|tid|dato|hora|fecha|klock|aika|päiv|moment|epoch|^ts$|^t$"
)
_TRAILING_UNIT = re.compile(r"^(.*\S)\s*[\[(]\s*([^\[\]()]*?)\s*[\])]$")
_OTHER_UNITS = frozenset(
    {"hz", "rpm", "1/min", "v", "a", "s", "min", "h", "ppm", "%rh", "rh", "m/s"}
)
_BROKEN_DEGREE = re.compile(r"^[^\w%]{1,3}\s?([CFcf])$")


_NUMBER = re.compile(r"^[+-]?\d+([.,]\d+)?$")


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """The table of a text: its records, what stands above it, and which records are rows."""

    name: str
    records: Records
    headings: tuple[str, ...]
    units: tuple[str | None, ...]
    header_line: int | None
    unit_line: int | None
    preamble: tuple[tuple[int, tuple[str, ...]], ...]
    footer: tuple[tuple[int, str], ...]
    rows: NDArray[np.int64]  # records that are rows of data, in the order of the file
    head: int = 0  # lines above the first row
    width: int = 0
    samples: Mapping[tuple[int, int], list[str]] | None = None  # of the file that this is a part of
    lines_known: dict[int, tuple[NDArray[np.int64], NDArray[np.int64]]] = field(
        default_factory=dict, compare=False, repr=False
    )
    # read already, with the rows of which it is
    columns_known: Mapping[int, tuple[NDArray[np.int64], pa.DictionaryArray]] = field(
        default_factory=dict, compare=False, repr=False
    )
    sampled: dict[tuple[int, int, int], list[str]] = field(
        default_factory=dict, compare=False, repr=False
    )

    @property
    def lines(self) -> NDArray[np.int64]:
        """The line of each row."""
        if id(self.rows) not in self.lines_known:
            # the rows are held along, so that no others can get their number
            self.lines_known[id(self.rows)] = (self.rows, self.lines_of(slice(None)))
        return self.lines_known[id(self.rows)][1]

    def lines_of(self, rows: NDArray[np.int64] | slice) -> NDArray[np.int64]:
        """The line of some rows, which for few of many costs less than all lines do."""
        return self.records.line[self.rows[rows]]

    def column(self, position: int) -> pa.DictionaryArray:
        """Return one column of all rows, trimmed; texts may come again in its list."""
        known = self.columns_known.get(position)
        if known is not None and known[0] is self.rows:
            return known[1]
        return self.records.column(position, self.rows, distinct=False)

    def sample(self, position: int, size: int = 200) -> list[str]:
        """Return cells of one column from rows spread over the file."""
        if self.samples is not None and (position, size) in self.samples:
            return self.samples[(position, size)]
        key = (id(self.rows), position, size)
        if key not in self.sampled:
            count = len(self.rows)
            spread = (
                np.arange(count)
                if count <= size
                else np.unique(np.linspace(0, count - 1, size).astype(np.int64))
            )
            column = self.records.column(position, self.rows[spread])
            words = column.dictionary.to_pylist()
            self.sampled[key] = [str(words[i]) for i in np.asarray(column.indices).tolist()]
        return self.sampled[key]


def tidy_unit(text: str) -> str:
    """Return a unit's text with a degree sign that some encoding broke put right."""
    text = text.strip().strip("[]()").strip()
    match = _BROKEN_DEGREE.match(text)
    return f"deg{match[1].upper()}" if match else text


def split_heading(heading: str) -> tuple[str, str | None]:
    """Part "Flow [m3/h]" into heading and unit; the unit is ``None`` where brackets hold none."""
    match = _TRAILING_UNIT.match(heading)
    if match is None:
        return heading, None
    unit = tidy_unit(match[2])
    return match[1], unit if unit.lower() in SPELLINGS or is_unit(unit) else None


def is_stamp(cell: str) -> bool:
    """Tell whether a cell may be a stamp or the date part of one."""
    return bool(FULL.match(cell) or DATE_ONLY.match(cell) or EPOCH.match(cell))


def _sample_rows(text: str, delimiter: str) -> list[list[str]]:
    lines = text.splitlines()[:_SAMPLE_LINES]
    try:
        rows = list(csv.reader(io.StringIO("\n".join(lines)), delimiter=delimiter))
    except csv.Error:
        return []
    return [[cell.strip().removeprefix('="').strip('"') for cell in row] for row in rows]


def find_delimiter(text: str, name: str) -> str:
    """Return the delimiter under which most lines have a stamp and the same number of cells.

    Raises
    ------
    IngestError
        If no line holds a stamp whatever the delimiter.
    """
    best, best_score = "", 0
    for delimiter in DELIMITERS:
        rows = _sample_rows(text, delimiter)
        stamped = [len(row) for row in rows if len(row) > 1 and any(map(is_stamp, row))]
        if not stamped:
            continue
        agreeing = Counter(stamped).most_common(1)[0][1]
        # a tie goes to the delimiter that is listed first: the comma may be a decimal mark
        if agreeing > best_score:
            best, best_score = delimiter, agreeing
    if best:
        return best
    # no stamp: perhaps day numbers, which only a heading gives away
    for delimiter in DELIMITERS:
        rows = [row for row in _sample_rows(text, delimiter) if len(row) > 1]
        if any(SERIAL.match(cell) for row in rows for cell in row) and any(
            TIME_WORDS.search(cell) for row in rows[:20] for cell in row
        ):
            return delimiter
    raise _nothing_found(text, name)


def _nothing_found(text: str, name: str) -> IngestError:
    lines = [line for line in text.splitlines() if line.strip()]
    if not lines:
        return IngestError(f"{name}: the file is empty. Export the trends again.")
    # below a title alone, a line without a figure is the header
    if len(lines) == 1 or (len(lines) == 2 and not any(map(str.isdigit, lines[1]))):
        return IngestError(
            f"{name}: holds a header and no data: {lines[0][:80]!r}. "
            "Export a period in which the points were logged."
        )
    return IngestError(
        f"{name}: no time column found; no cell of the first {min(len(lines), _SAMPLE_LINES)} lines "
        f"is a date and time (line 2 reads {lines[1][:60]!r}). Export the trends with their time "
        "stamps, as in 2025-01-31 13:45:00, or give --delimiter."
    )


def _unit_share(row: list[str]) -> float:
    cells = [cell for cell in row if cell]
    if not cells:
        return 0.0
    return sum(_is_trend_unit(tidy_unit(c)) for c in cells) / len(cells)


@cache
def _is_trend_unit(text: str) -> bool:
    """Tell a unit that a trend may have; the units library knows "a" and "b" for units, too."""
    if text.lower() in SPELLINGS or text.lower() in _OTHER_UNITS:
        return True
    for role in TREND_ROLES:
        try:
            convert(1.0, text, role.unit)
        except UnitError:
            continue
        return True
    return False


def _choose_header(
    above: list[list[str]], width: int, points: PointMap
) -> tuple[int | None, int | None]:
    """Return which rows above the data are the header and the unit row."""
    candidates = [i for i, row in enumerate(above) if len([c for c in row if c]) >= 2
                  and width - 1 <= len(row) <= width + 1]  # fmt: skip
    unit_row = next(
        (i for i in reversed(candidates) if len(candidates) > 1 and _unit_share(above[i]) >= 0.5),
        None,
    )
    names = [i for i in candidates if i != unit_row]
    if not names:
        return (above.index(above[-1]) if above and len(above[-1]) == width else None), None

    def known(i: int) -> tuple[bool, int, bool, int]:
        cells = [c for c in above[i] if c]
        others = [
            c
            for c in cells
            if not (points.find_anywhere(split_heading(c)[0]) or points.find_anywhere(c))
        ]
        hits = len(cells) - len(others)
        # one point beside a number: a line of data whose stamp is damaged
        line = hits == 1 and any(_NUMBER.match(c) for c in others)
        return not line, hits, any(TIME_WORDS.search(c) for c in cells), i

    return max(names, key=known), unit_row


def _legend(preamble: list[list[str]], headings: list[str]) -> list[str]:
    """Return headings with keys such as "P1" replaced by what the preamble says they stand for."""
    keys = {
        row[0].rstrip(" :="): row[1]
        for row in preamble
        if len(row) >= 2 and row[0].strip() and row[1].strip()
    }
    return [keys.get(h, h) if h and not TIME_WORDS.search(h) else h for h in headings]


def find_table(
    source: SourceText, name: str, delimiter: str | None, points: PointMap, findings: Findings
) -> Table:
    """Find the table in a text and set aside lines that do not have its width.

    Raises
    ------
    IngestError
        If there is no table with stamps.
    """
    say_broken_bytes(source.broken_bytes, findings)
    findings.add_lines(
        "null bytes",
        "null bytes stand here in place of what was lost, perhaps of several lines; left out.",
        "refused",
        np.array(source.null_lines, dtype=np.int64),
    )
    data = source.data
    head = data[:400_000].decode("utf-8", errors="ignore")
    stated = re.match(r"^sep=(.)\r?\n", head)
    if stated:
        # the line that tells spreadsheets the delimiter
        delimiter = delimiter or stated[1]
    if delimiter is None:
        try:
            delimiter = find_delimiter(head, name)
        except IngestError:
            # printed in columns, with runs of blanks between
            data = re.sub(rb"(?<=\S) {2,}(?=\S)", b"\t", data)
            try:
                delimiter = find_delimiter(data[:400_000].decode("utf-8", errors="ignore"), name)
            except IngestError:
                delimiter = ""
            if delimiter != "\t":
                raise
    records = split_records(data, delimiter)
    if source.window is None:
        first = _first_row(records, name, head)
        width = int(records.width[first])
    else:
        records = _with_lines_of_file(records, source)
        first = int(np.searchsorted(records.line, source.window.head, side="right"))
        width = source.width
    above_at = [i for i in range(first) if any(records.row(i))]
    above = [records.row(i) for i in above_at]
    header, unit_row = _choose_header(above, width, points)
    headings = list(above[header]) if header is not None else []
    while headings and not headings[-1]:
        headings.pop()
    preamble = [
        (int(records.line[above_at[i]]), tuple(row))
        for i, row in enumerate(above)
        if i not in (header, unit_row)
    ]
    headings = _legend([list(row) for _, row in preamble], headings)
    if headings and width > len(headings) and source.window is None:
        _check_excess(records, first, width, headings, name)
    headings += [f"column {n + 1}" for n in range(len(headings), width)]
    units: list[str | None] = [None] * width
    if unit_row is not None:
        for position, cell in enumerate(above[unit_row][:width]):
            units[position] = tidy_unit(cell) or None
    found = rows_of(
        records, first, width, above[header] if header is not None else (),
        unfinished=source.unfinished, is_stamp=is_stamp, name=name, findings=findings,
    )  # fmt: skip
    return Table(
        name=name,
        records=replace(records, emptied=found.emptied),
        headings=tuple(headings[:width]),
        units=tuple(units),
        header_line=None if header is None else int(records.line[above_at[header]]),
        unit_line=None if unit_row is None else int(records.line[above_at[unit_row]]),
        preamble=tuple(preamble),
        footer=found.footer,
        rows=found.records,
        head=int(records.line[first]) - 1,
        width=width,
        columns_known={p: (found.records, column) for p, column in found.columns.items()},
    )


def _with_lines_of_file(records: Records, source: SourceText) -> Records:
    """Number the lines of a part as they are numbered in the whole file."""
    assert source.window is not None
    below = records.line > source.window.head
    return replace(records, line=np.where(below, records.line + source.skipped, records.line))


def say_broken_bytes(count: int, findings: Findings) -> None:
    """Note bytes that are no UTF-8, if there are any."""
    findings.add(
        "broken bytes",
        f"{count} bytes are no UTF-8, in a text that otherwise is; shown as \ufffd.",
        "doubtful",
        count=count,
    )


def _first_row(records: Records, name: str, head: str) -> int:
    """Return the first record that is a row of data."""
    stamped = [
        i
        for i in range(min(len(records.width), _PREAMBLE_MOST))
        if records.width[i] > 1 and any(map(is_stamp, records.row(i)))
    ]
    if not stamped:
        stamped = [
            i
            for i in range(1, min(len(records.width), _PREAMBLE_MOST))
            if records.width[i] > 1 and any(SERIAL.match(c) for c in records.row(i))
        ]
    if not stamped:
        raise _nothing_found(head, name)
    width = Counter(int(records.width[i]) for i in stamped).most_common(1)[0][0]
    return next(i for i in stamped if records.width[i] == width)


def _check_excess(records: Records, first: int, width: int, headings: list[str], name: str) -> None:
    """Refuse rows that are wider than the header, unless the rest is empty.

    Raises
    ------
    IngestError
        Most often a decimal comma in a file whose delimiter is the comma too.
    """
    extra = [cell for cell in records.row(first)[len(headings) :] if cell]
    if not extra:
        return
    hint = (
        "A decimal comma in a file separated by commas cannot be told apart: export with ; "
        "between the columns or with a decimal point."
        if records.delimiter == ","
        else "Give --delimiter, or export with a heading for each column."
    )
    raise IngestError(
        f"{name} line {int(records.line[first])}: {width} cells below {len(headings)} headings. {hint}"
    )
