"""Log records of BACnet trend logs: a row for each record, columns named as in the standard.

``timestamp`` and ``log-datum`` are needed; ``object-name`` or ``object-identifier`` (without either the
file is one log, named as the file), ``sequence-number``, ``datum-type``, ``status-flags`` and ``units``
help. Records are put in the order of their sequence numbers, never of their stamps: stamps are local
and come twice when clocks go back.
"""

import re
from dataclasses import replace
from pathlib import PurePath

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.vocabulary.errors import IngestError, UnitError
from ingest.bacnet.units import unit_of_name
from ingest.dialects.readings import Reading, points_of, to_si, unit_of
from ingest.dialects.record_gaps import LogRecords, gaps_of_log
from ingest.dialects.record_order import in_log_order, missing_records
from ingest.dialects.sniffing import Table
from ingest.dialects.timing import TimeColumns, read_times
from ingest.examination import ColumnReport, Examination
from ingest.findings import KEPT_PER_REASON, Findings
from ingest.guessing import guess_role
from ingest.mapping.reporting import keep_values
from ingest.rules import Rules

NAME = "log records"
_KINDS = {"enum": "enumerated", "signed": "integer", "double": "real", "": ""}
_NUMBERS = frozenset({"real", "unsigned", "integer", "enumerated", "boolean"})
_WORDS = {"true": 1.0, "active": 1.0, "on": 1.0, "false": 0.0, "inactive": 0.0, "off": 0.0}
# An overridden value is what somebody set by hand, not what was measured.
_SET_ASIDE = ("fault", "out-of-service", "overridden")
_MEMBER = re.compile(r" member \d+$")
_STATUS = ("log-disabled", "buffer-purged", "log-interrupted")
_BITS = re.compile(r"\W*[01tf]\w*(?:\W+[01tf]\w*){2}\W*|[01]{3}")
_DST_S = 3600.0
_CLOCK_S = 60.0  # a clock put right by less is of no consequence on a grid of minutes


def _column(table: Table, *names: str) -> int | None:
    plain = [re.sub(r"[^a-z]", "", h.lower()) for h in table.headings]
    return next((plain.index(n) for n in names if n in plain), None)


def sniff(table: Table, rules: Rules) -> bool:
    """Tell whether the columns are those of log records."""
    del rules
    return _column(table, "timestamp") is not None and _column(table, "logdatum") is not None


def _texts(table: Table, *names: str) -> NDArray[np.object_]:
    position = _column(table, *names)
    if position is None:
        return np.full(len(table.rows), "", dtype=object)
    column = table.records.column(position, table.rows)
    words: NDArray[np.object_] = np.array(column.dictionary.to_pylist() or [""], dtype=object)
    cells: NDArray[np.object_] = words[np.asarray(column.indices)]
    return cells


def read(table: Table, rules: Rules, examination: Examination, findings: Findings) -> list[Reading]:
    """Return one reading per registered log; ``examination`` and ``findings`` take the rest.

    Raises
    ------
    IngestError
        If no stamp can be read, or the units of a registered log are not known.
    """
    table = _with_own_lines(table)
    code, names = _logs(table)
    position = _column(table, "timestamp")
    assert position is not None  # read() follows sniff()
    order = in_log_order(
        code, _sequence(_texts(table, "sequencenumber")), _texts(table, "timestamp")
    )
    table, code = replace(table, rows=table.rows[order]), code[order]
    members = _with_own_status(code, names, table)
    _count_missing(table, members, names, findings)
    kinds = _kinds_of(table)
    values = _values(table, kinds, findings)
    times = TimeColumns((position,), (table.headings[position],))
    timed = read_times(table, times, rules, examination, findings, series=code)
    when = np.full(len(table.rows), np.datetime64("NaT", "us"))
    when[timed.rows] = timed.time_utc
    _report_events(table, kinds, when, findings)
    values[_flagged(table, findings)] = np.nan
    units = _texts(table, "units", "unit")
    readings: list[Reading] = []
    for number, name in enumerate(names):
        mine = np.flatnonzero(code == number)
        if mine.size:
            found = _read_log(table, name, mine, when, values, units, rules, examination, findings)
            gaps = _gaps(table, members[number], when, values, kinds) if found else None
            readings += [replace(r, gaps=gaps) for r in found]
    return readings


def _with_own_status(
    code: NDArray[np.int64], names: list[str], table: Table
) -> list[NDArray[np.int64]]:
    """Return the rows of each log; those of a multiple log's status belong to each member as well."""
    sequence = _sequence(_texts(table, "sequencenumber"))
    stamps = _texts(table, "timestamp")
    rows = []
    for number, name in enumerate(names):
        mine = np.flatnonzero(code == number)
        base = _MEMBER.sub("", name)
        if base != name and base in names:
            both = np.union1d(mine, np.flatnonzero(code == names.index(base)))
            order = in_log_order(np.zeros(len(both), np.int64), sequence[both], stamps[both])
            mine = both[order]
        rows.append(mine)
    return rows


def _gaps(
    table: Table, rows: NDArray[np.int64], when: NDArray[np.datetime64],
    values: NDArray[np.float64], kinds: NDArray[np.object_],
) -> pd.DataFrame:  # fmt: skip
    lost = pd.to_datetime(pd.Series(_texts(table, "gapfrom")[rows]), errors="coerce", utc=True)
    return gaps_of_log(
        LogRecords(
            when=when[rows],
            usable=np.isfinite(values[rows]),
            valued=~np.isin(kinds[rows], ["log-status", "time-change"]),
            status=_status(table, kinds)[rows],
            sequence=_sequence(_texts(table, "sequencenumber")[rows]),
            lost_from=lost.dt.tz_localize(None).to_numpy(dtype="datetime64[us]"),
        )
    )


def _with_own_lines(table: Table) -> Table:
    """Records from JSON say where they stood; so do the findings then."""
    position = _column(table, "line")
    if position is None:
        return table
    column = table.records.column(position, table.rows)
    own = pd.to_numeric(pd.Series(column.to_pylist()), errors="coerce").to_numpy(dtype=float)
    line = table.records.line.copy()
    line[table.rows] = np.where(np.isnan(own), line[table.rows], own).astype(np.int64)
    return replace(table, records=replace(table.records, line=line))


def _logs(table: Table) -> tuple[NDArray[np.int64], list[str]]:
    """Return which log each row is of, and the logs' names."""
    names, objects = _texts(table, "objectname"), _texts(table, "objectidentifier")
    named = np.where(names != "", names, objects)
    stem = PurePath(table.name.replace("\\", "/")).name.split(".")[0]
    code, found = pd.factorize(np.where(named != "", named, stem))
    return code.astype(np.int64), [str(n) for n in found]


def _numbers(texts: NDArray[np.object_]) -> NDArray[np.float64]:
    return np.asarray(pd.to_numeric(pd.Series(texts), errors="coerce"), dtype=float)


def _sequence(texts: NDArray[np.object_]) -> NDArray[np.float64]:
    """Return sequence numbers; NaN where a text is none of the standard's, which have 32 bits."""
    found = _numbers(texts)
    return np.where((found >= 0) & (found < 2.0**32), found, np.nan)


def _count_missing(
    table: Table, rows: list[NDArray[np.int64]], names: list[str], findings: Findings
) -> None:
    sequence = _sequence(_texts(table, "sequencenumber"))
    multiple = {_MEMBER.sub("", n) for n in names if _MEMBER.search(n)}
    for mine, name in zip(rows, names, strict=True):
        if name in multiple:
            continue  # its numbers between are those of its members
        lost, restarts = missing_records(sequence[mine])
        findings.add(
            "records missing",
            f"{lost} log records are missing by their sequence numbers: a gap, not filled.",
            "note", column=name, count=lost,
        )  # fmt: skip
        findings.add(
            "numbering began again",
            "the sequence numbers begin again: the log was set up anew, or its count ran over.",
            "note", column=name, count=restarts,
        )  # fmt: skip


def _kinds_of(table: Table) -> NDArray[np.object_]:
    """Return the kind of each datum; where no column says so, what the text looks like."""
    given, datum = _texts(table, "datumtype"), _texts(table, "logdatum")
    plain = pd.Series(given).str.lower().str.replace("-value", "", regex=False).str.strip()
    kinds = plain.replace(_KINDS).to_numpy(dtype=object)
    words = pd.Series(datum).str.lower().str.strip()
    looks = np.select(
        [
            words.isin(["", "null"]),
            words.isin(list(_WORDS)),
            words.str.contains(r"log-disabled|buffer-purged|log-interrupted"),
        ],
        ["null", "boolean", "log-status"],
        "real",
    )
    return np.where(kinds == "", looks, kinds).astype(object)


def _values(table: Table, kinds: NDArray[np.object_], findings: Findings) -> NDArray[np.float64]:
    datum = _texts(table, "logdatum")
    values = _numbers(datum)
    words = pd.Series(datum).str.lower().str.strip().map(_WORDS).to_numpy(dtype=float)
    values = np.where(np.isnan(values), words, values)
    values[~np.isfinite(values)] = np.nan
    countable = np.isin(kinds, list(_NUMBERS))
    _refuse(
        table, countable & np.isnan(values), "number",
        "'{value}' is no number: the value is left out.", findings, datum,
    )  # fmt: skip
    _refuse(
        table, kinds == "failure", "failure",
        "the device could not read the value ('{value}'): a gap.", findings, datum,
    )  # fmt: skip
    known = countable | np.isin(kinds, ["null", "failure", "log-status", "time-change"])
    _refuse(
        table, ~known, "datum type",
        "a datum of the type '{value}' is no number: the value is left out.", findings, kinds,
    )  # fmt: skip
    values[~countable] = np.nan
    return values


def _refuse(
    table: Table, mask: NDArray[np.bool_], reason: str, template: str, findings: Findings,
    shown: NDArray[np.object_],
) -> None:  # fmt: skip
    at = np.flatnonzero(mask)
    findings.add_lines(
        reason, template, "refused", table.lines[at], [str(s) for s in shown[at[:KEPT_PER_REASON]]]
    )


def _status(table: Table, kinds: NDArray[np.object_]) -> NDArray[np.object_]:
    """Return what log-status records say, by the names of the standard; "" for all other rows.

    Some exports give the bits: (log-disabled, buffer-purged, log-interrupted), as digits or truth words.
    """
    found = np.full(len(kinds), "", dtype=object)
    rows = np.flatnonzero(kinds == "log-status")
    for row, text in zip(rows, _texts(table, "logdatum")[rows], strict=True):
        said = str(text).lower()
        if _BITS.fullmatch(said):
            bits = re.findall(r"[01tf]", re.sub(r"true", "t", re.sub(r"false", "f", said)))
            said = " ".join(n for n, b in zip(_STATUS, bits, strict=False) if b in "1t")
        found[row] = said
    return found


def _report_events(
    table: Table, kinds: NDArray[np.object_], when: NDArray[np.datetime64], findings: Findings
) -> None:
    datum = pd.Series(_texts(table, "logdatum")).str.lower()
    status = pd.Series(_status(table, kinds), dtype=object)
    for reason, pattern, meaning in (
        ("log disabled", "disabled", "the log was switched off"),
        ("buffer purged", "purged", "the log was emptied"),
        ("log interrupted", "interrupted", "the log was interrupted"),
    ):
        at = np.flatnonzero(status.str.contains(pattern).to_numpy(dtype=bool))
        findings.add_lines(
            reason, meaning + " at {value}: a gap, not filled.", "note", table.lines[at],
            [f"{t.astype('datetime64[s]')}Z" for t in when[at[:KEPT_PER_REASON]]],
        )  # fmt: skip
    changed = np.flatnonzero(kinds == "time-change")
    moved_s = _numbers(datum.to_numpy(dtype=object))[changed]
    # an hour is the daylight-saving change, which the site's zone knows; 0 means unknown
    doubtful = (np.abs(moved_s) >= _CLOCK_S) & (np.abs(np.abs(moved_s) - _DST_S) > 1.0)
    off = (
        "the device's clock was moved by {value} s: stamps before are that much off, since when is "
        "not known. Compare the points of other devices."
    )
    usual = "the device's clock was moved by {value} s (0: not known)."
    for mask, template, doubted in ((doubtful, off, True), (~doubtful, usual, False)):
        at = changed[mask]
        findings.add_lines(
            "clock set", template, "doubtful" if doubted else "note", table.lines[at],
            [f"{m:g}" for m in moved_s[mask][:KEPT_PER_REASON]],
        )  # fmt: skip


def _flagged(table: Table, findings: Findings) -> NDArray[np.bool_]:
    """Return which rows carry a status flag that keeps their value out."""
    text = pd.Series(_texts(table, "statusflags")).str.lower().str.replace("_", "-", regex=False)
    # (in-alarm, fault, overridden, out-of-service) as four digits or truth words
    four = text.str.fullmatch(r"\W*[01tf]\w*(?:\W+[01tf]\w*){3}\W*|[01]{4}").to_numpy(dtype=bool)
    digits = text.str.replace(r"true|t", "1", regex=True).str.replace(r"false|f", "0", regex=True)
    bits = digits.str.replace(r"[^01]", "", regex=True)
    masked = np.zeros(len(text), dtype=bool)
    for flag, place in zip(_SET_ASIDE, (1, 3, 2), strict=True):
        named = text.str.contains(rf"(?<![\w-]){flag}(?![\w-])").to_numpy(dtype=bool)
        set_ = np.where(four, bits.str.get(place).eq("1").to_numpy(dtype=bool), named)
        findings.add_lines(
            flag.replace("-", " "),
            f"the status flag {flag} is set: the value is kept in the file and not used.",
            "refused", table.lines[set_],
        )  # fmt: skip
        masked |= set_
    return masked


def _stated_unit(table: Table, name: str, rows: NDArray[np.int64], texts: list[str]) -> str | None:
    if not texts:
        return None
    where = f"{table.name} line {int(table.lines[rows[0]])}, log {name}"
    if len(texts) > 1:
        raise IngestError(
            f"{where}: units change within the log ({', '.join(texts)}). Export each alone."
        )
    try:
        return unit_of_name(texts[0])
    except UnitError as exc:
        raise IngestError(f"{where}: {exc}") from exc


def _read_log(
    table: Table, name: str, rows: NDArray[np.int64], when: NDArray[np.datetime64],
    values: NDArray[np.float64], units: NDArray[np.object_], rules: Rules,
    examination: Examination, findings: Findings,
) -> list[Reading]:  # fmt: skip
    raw = values[rows]
    report = ColumnReport(heading=name)
    examination.columns.append(report)
    finite = np.isfinite(raw)
    report.first_values = tuple(f"{v:g}" for v in raw[:3])
    report.values_read, report.values_missing = int(finite.sum()), int((~finite).sum())
    texts = sorted({str(u) for u in units[rows]} - {""})
    dated = ~np.isnat(when[rows])
    points = points_of(name, table.name, rules)
    if not points:
        report.unit_in_file, report.left_out = ", ".join(texts) or None, "not in the register"
        report.guess = guess_role(name, report.unit_in_file, raw[finite][:200].tolist())
        if rules.propose and dated.any():
            keep_values(examination, name, when[rows][dated], raw[dated])
        return []
    stated = _stated_unit(table, name, rows, texts)
    readings = []
    for point in points:
        where = f"{table.name} line {int(table.lines[rows[0]])}, log {name}"
        unit = unit_of(point, stated, where, report, findings)
        if unit is None:
            continue
        si = to_si(point, raw, np.zeros(len(raw), dtype=bool), unit, report, findings, examination)
        report.taken_for += ((point.tag, point.role),)
        kept = rows[dated]
        readings.append(
            Reading(name, point.tag, point.role, when[kept], si[dated], table.lines[kept])
        )
    return readings
