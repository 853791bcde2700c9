"""From a source to trend frames and findings: the calls that the rest of the project needs."""

from dataclasses import dataclass, field, replace
from pathlib import Path

import pandas as pd

from analytics.vocabulary.errors import IngestError
from ingest.dialects import DIALECTS
from ingest.dialects.readings import Reading
from ingest.dialects.sniffing import Table, find_table
from ingest.examination import Examination
from ingest.findings import LINE_REASONS, Findings
from ingest.guessing import propose_points
from ingest.joining import join_gaps, join_readings
from ingest.mapping.judging import doubts
from ingest.mapping.reporting import propose_mapping
from ingest.outages import Outages
from ingest.rules import Rules
from ingest.sources import SourceText, load_text


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadResult:
    """What a source holds: a trend frame for each exchanger, and what was refused or doubted.

    Each frame of ``blocks`` has a rising, unique ``DatetimeIndex`` "time_utc" in UTC and a float64
    column for each role, in SI units. ``gaps``
    has a gap frame for each exchanger of which the source itself tells gaps.
    """

    blocks: dict[str, pd.DataFrame]
    findings: Findings
    examination: Examination
    gaps: dict[str, pd.DataFrame] = field(default_factory=dict)


def examine(source: Path | bytes, name: str, rules: Rules) -> Examination:
    """Tell everything that is recognised in a source; nothing is kept of it.

    A source of which no point is registered is no error here: the examination then proposes the
    entries for the register.

    Raises
    ------
    IngestError
        If the source cannot be read at all.
    """
    return look(source, name, rules).examination


def look(source: Path | bytes, name: str, rules: Rules) -> ReadResult:
    """Read a source whether or not any of its points is registered; see :func:`examine`."""
    return _read(source, name, replace(rules, propose=True))


def read_trends(source: Path | bytes, name: str, rules: Rules) -> ReadResult:
    """Read a file that a building-management system exported.

    Parameters
    ----------
    source : Path or bytes
        The file, packed by gzip or zip or not at all.
    name : str
        Its name, for messages and for the register's file patterns.
    rules : Rules
        The site's zone and points, and what the user states outright.

    Raises
    ------
    IngestError
        If the source cannot be read as a whole, or none of it is registered.
    """
    result = _read(source, name, rules)
    if not result.blocks:
        raise nothing_known(result.examination, rules)
    return result


def _read(source: Path | bytes, name: str, rules: Rules) -> ReadResult:
    text = load_text(source, name, rules.bytes_most, rules.encoding)
    return read_text(text, name, rules)[0]


def read_text(text: SourceText, name: str, rules: Rules) -> tuple[ReadResult, Table]:
    """Read a text that is loaded; return its table, too."""
    findings = Findings()
    table = find_table(text, name, rules.delimiter, rules.points, findings)
    examination = examination_of(text, table, name)
    examination.rows_read = len(table.rows) + lines_aside(findings)
    readings = read_table(table, rules, examination, findings)
    blocks = join_readings(readings, findings)
    _doubt_mapping(readings, blocks, examination, findings)
    propose_mapping(examination)
    totals, outages = Totals(), Outages()
    totals.add(blocks)
    outages.add(blocks or {"": pd.DataFrame(examination.unregistered)})
    if not rules.surveying:  # lines spread over a file leave hours out
        outages.say(findings, rules.zone)
    summarise(examination, totals, findings)
    result = ReadResult(
        blocks=blocks, findings=findings, examination=examination, gaps=join_gaps(readings)
    )
    return result, table


def examination_of(text: SourceText, table: Table, name: str) -> Examination:
    """Return what is known of a table before its cells are read."""
    return Examination(
        name=name,
        size_bytes=text.size,
        packed=text.packed,
        encoding=text.encoding,
        delimiter=table.records.delimiter,
        preamble=tuple((line, " ".join(row).strip()) for line, row in table.preamble),
        footer=table.footer,
        header_line=table.header_line,
        unit_line=table.unit_line,
        first_data_line=int(table.lines[0]) if len(table.rows) else None,
    )


def lines_aside(findings: Findings) -> int:
    """Return how many lines below the header are no rows."""
    return sum(
        findings.count(reason=reason)
        for reason in ("number of cells", "broken line", "header again", "null bytes")
    )


def read_table(
    table: Table, rules: Rules, examination: Examination, findings: Findings
) -> list[Reading]:
    """Return the readings of a table by the dialect that recognises it."""
    dialect = next(d for d in DIALECTS if d.sniff(table, rules))
    examination.shape = dialect.NAME
    readings: list[Reading] = dialect.read(table, rules, examination, findings)
    taken: dict[tuple[str, str], str] = {}
    for reading in readings:
        first = taken.setdefault((reading.tag, reading.role), reading.heading)
        if first != reading.heading:
            raise IngestError(
                f"{table.name}: {first!r} and {reading.heading!r} are both registered as "
                f"{reading.tag} {reading.role}. Keep one of them under [exchanger.points]."
            )
    _ask_about_shared(readings, examination)
    return readings


def _doubt_mapping(
    readings: list[Reading],
    blocks: dict[str, pd.DataFrame],
    examination: Examination,
    findings: Findings,
) -> None:
    for tag, frame in blocks.items():
        names = {r.role: r.heading for r in readings if r.tag == tag}
        if found := doubts(frame, names):
            examination.mapping_doubts[tag] = [f"{tag}: {text}" for text in found]
            for text in found:
                findings.add("mapping", f"{tag}: {text}", "doubtful")


def _ask_about_shared(readings: list[Reading], examination: Examination) -> None:
    """Ask where one heading feeds several exchangers with what belongs to one."""
    tags: dict[tuple[str, str], list[str]] = {}
    for reading in readings:
        tags.setdefault((reading.heading, reading.role), []).append(reading.tag)
    for (heading, role), served in tags.items():
        if len(served) > 1 and role != "outdoor_temperature":
            examination.ask(
                f"column {heading!r} is taken as {role} of {' and '.join(served)}. If the file is "
                "one exchanger's, give --exchanger, or file = under [exchanger.points]."
            )


class Totals:
    """What the trend frames of a source hold together."""

    def __init__(self) -> None:
        self.values = 0
        self.stamps = 0  # of all exchangers together
        self.rows = 0  # the same, but counted for each exchanger
        self._before: dict[str, pd.DatetimeIndex] = {}
        self.first: pd.Timestamp | None = None
        self.last: pd.Timestamp | None = None

    def add(self, blocks: dict[str, pd.DataFrame]) -> None:
        """Add the frames of the next part, which may share stamps with the part before it."""
        self.values += sum(int(frame.count().sum()) for frame in blocks.values())
        by_tag = {t: pd.DatetimeIndex(frame.index) for t, frame in blocks.items() if len(frame)}
        filled = list(by_tag.values())
        if not filled:
            return
        self.rows += sum(_new(i, self._before.get(tag)) for tag, i in by_tag.items())
        every = filled[0]
        for index in filled[1:]:
            every = every if every.equals(index) else every.union(index)
        self.stamps += _new(every, self._before.get(""))
        self._before = {**by_tag, "": every}
        first, last = min(i[0] for i in filled), max(i[-1] for i in filled)
        self.first = first if self.first is None else min(self.first, first)
        self.last = last if self.last is None else max(self.last, last)


def _new(index: pd.DatetimeIndex, before: pd.DatetimeIndex | None) -> int:
    """Return how many stamps are not in ``before``."""
    if before is None or before[-1] < index[0] or before[0] > index[-1]:
        return len(index)
    return len(index) - int(index.isin(before).sum())


def summarise(examination: Examination, totals: Totals, findings: Findings) -> None:
    """Put counts and span into an examination."""
    examination.refused = findings.counts("refused")
    examination.doubtful = findings.counts("doubtful")
    examination.notes = findings.counts("note")
    examination.rows_refused = sum(
        n for reason, n in examination.refused.items() if reason in LINE_REASONS
    )
    examination.cells_refused = sum(examination.refused.values()) - examination.rows_refused
    examination.cells_missing = sum(c.values_missing for c in examination.columns if c.taken_for)
    examination.values_stored = totals.values
    if totals.first is not None and totals.last is not None:
        examination.rows_stored = totals.stamps
        examination.first_utc = totals.first.strftime("%Y-%m-%dT%H:%M:%SZ")
        examination.last_utc = totals.last.strftime("%Y-%m-%dT%H:%M:%SZ")
    examination.proposal = propose_points(
        (column.heading, column.unit_in_file, column.guess)
        for column in examination.columns
        if not column.taken_for
    )


def nothing_known(examination: Examination, rules: Rules) -> IngestError:
    """Return the error for a source of which nothing is registered."""
    registered = [c for c in examination.columns if c.unit_in_register]
    if registered:
        return IngestError(
            f"{examination.name}: nothing could be taken; {registered[0].heading!r}: "
            f"{registered[0].left_out or 'no value was readable'}. Check its entry in the register."
        )
    headings = [c.heading for c in examination.columns if c.left_out != "time"]
    listed = ", ".join(repr(h) for h in headings[:12]) + (" ..." if len(headings) > 12 else "")
    elsewhere = sorted(
        {p for h in headings for p in rules.points.file_patterns(h)} - {"*"}
    )  # fmt: skip
    if elsewhere:
        return IngestError(
            f"{examination.name}: its headings are registered for files named "
            f"{', '.join(elsewhere)} only. Rename the file, or mend file = under [exchanger.points]."
        )
    what = "point names" if examination.shape == "long" else "headings"
    whose = f" of {rules.only_tag}" if rules.only_tag else ""
    return IngestError(
        f"{examination.name}: none of its {what} is in the register: {listed}. "
        f"Add them under [exchanger.points]{whose}, spelt as here."
    )
