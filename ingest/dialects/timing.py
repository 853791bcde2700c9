"""The time column of a table, whatever its form, as UTC for each row."""

import re
from collections import Counter
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from typing import Final, TypeVar
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from analytics.vocabulary.errors import IngestError
from ingest.dialects.sniffing import TIME_WORDS, Table
from ingest.examination import Examination
from ingest.findings import KEPT_PER_REASON, Findings
from ingest.localtime import local_to_utc, offset_at_s, offset_text
from ingest.ordering import in_order, strays
from ingest.rules import Rules, clock_of
from ingest.stamps import DATE_ONLY, EPOCH, FULL, SERIAL, TIME_ONLY, parse_stamps

EARLIEST = np.datetime64(
    "1990-01-01", "us"
)  # before, no building logged trends to files like these
LATEST_AFTER_IMPORT = np.timedelta64(86_400_000_000, "us")  # a clock may be a day ahead of ours
_QUESTION_OF_AUTUMN = (
    "the stamps run once, without a break, through the hour that clocks show twice in autumn. Does the "
    "logger's clock stay on one offset? Then give it with --time-zone, such as +01:00 or UTC. Or is one "
    "of the two hours lost, and the clock that of {zone}? Then give that zone."
)
_HEADING_ZONE = re.compile(r"(?i)\b(?:UTC|GMT|Z)\b(?:\s*([+-]\d{1,2}(?::?\d{2})?))?")


_Any = TypeVar("_Any", bound=np.generic)
_BLOCK: Final = 1 << 16
_ONE_POINT = np.array(0, dtype=np.int64)  # of all rows of a table that is not long


@dataclass(frozen=True, slots=True)
class Timed:
    """Rows of a table whose stamp could be read: which, and when."""

    rows: NDArray[np.int64]  # positions in ``Table.rows``
    time_utc: NDArray[np.datetime64]


@dataclass(frozen=True, slots=True)
class TimeColumns:
    """Where the stamp is: one column, or a date and a time of day."""

    positions: tuple[int, ...]
    headings: tuple[str, ...]


def _share(cells: list[str], pattern: re.Pattern[str]) -> float:
    filled = Counter(cell for cell in cells if cell)
    hits = sum(count for cell, count in filled.items() if pattern.match(cell))
    return hits / filled.total() if filled else 0.0


def find_time_columns(table: Table) -> TimeColumns:
    """Find the stamp by what the cells look like, and by the heading where several would do.

    Raises
    ------
    IngestError
        If no column holds stamps.
    """
    width = len(table.headings)
    shares: dict[str, list[float]] = {"full": [], "date": [], "time": [], "epoch": [], "serial": []}
    midnight = []
    for position in range(width):
        cells = table.sample(position)
        for kind, pattern in (
            ("full", FULL), ("date", DATE_ONLY), ("time", TIME_ONLY), ("epoch", EPOCH),
            ("serial", SERIAL),
        ):  # fmt: skip
            shares[kind].append(_share(cells, pattern))
        midnight.append(all(re.search(r"\b0?0:00(:00)?\b", c) for c in cells if c))

    def having(kind: str) -> list[int]:
        return [i for i in range(width) if shares[kind][i] >= 0.7]

    def best(positions: list[int]) -> int:
        return max(
            positions,
            key=lambda i: (
                bool(re.search(r"(?i)\bUTC\b", table.headings[i])),
                bool(TIME_WORDS.search(table.headings[i])),
                -i,
            ),
        )

    clocks = [i for i in having("time") if i not in having("full")]
    dates = having("date") + [i for i in having("full") if midnight[i] and clocks]
    if dates and clocks and not [i for i in having("full") if not midnight[i]]:
        date = best(dates)
        clock = min(clocks, key=lambda i: abs(i - date))
        return TimeColumns((date, clock), (table.headings[date], table.headings[clock]))
    worded = [i for i in range(width) if TIME_WORDS.search(table.headings[i])]
    for positions in (
        having("full"),
        [i for i in having("epoch") if i in worded or i == 0],
        having("date"),
        [i for i in having("serial") if i in worded],
    ):
        if positions:
            chosen = best(positions)
            return TimeColumns((chosen,), (table.headings[chosen],))
    raise IngestError(
        f"{table.name}: no time column found among {', '.join(map(repr, table.headings[:12]))}. "
        "Export the trends with their time stamps, as in 2025-01-31 13:45:00."
    )


def stamp_columns(table: Table) -> list[int]:
    """Return the positions of all columns that hold whole stamps."""
    return [i for i in range(len(table.headings)) if _share(table.sample(i), FULL) >= 0.7]


def _cells(table: Table, columns: TimeColumns) -> pa.DictionaryArray:
    first = table.column(columns.positions[0])
    if len(columns.positions) == 1:
        return first
    clock = table.column(columns.positions[1])
    # either cell may carry the other's part as zeros
    date = pc.replace_substring_regex(first.dictionary, r"[ T]+0?0:00(:00)?(\.0+)?( AM)?$", "")
    time = pc.replace_substring_regex(clock.dictionary, r"^\S+\s+(\d{1,2}:)", r"\1")
    joined = pc.binary_join_element_wise(
        date.take(first.indices), time.take(clock.indices), pa.scalar(" ")
    )
    return joined.dictionary_encode()


def read_times(
    table: Table,
    columns: TimeColumns,
    rules: Rules,
    examination: Examination,
    findings: Findings,
    series: NDArray[np.int64] | None = None,
) -> Timed:
    """Read every row's stamp into UTC; rows without a readable one become findings.

    ``series`` says which point a row belongs to in long files.

    Raises
    ------
    IngestError
        If zones are mixed, day and month cannot be told apart, or no stamp can be read.
    """
    cells = _cells(table, columns)
    column = " + ".join(columns.headings)
    settled = rules.settled
    given = rules.date_order or (settled.date_order if settled else None)
    stamps = parse_stamps(cells.dictionary, table.name, given)
    index = np.asarray(cells.indices)
    local = taken(stamps.local, index)
    examination.time_columns = columns.headings
    examination.date_format, examination.date_format_why = stamps.notation, stamps.why
    examination.date_order = stamps.order or ""
    unreadable = np.isnat(local)
    bad = np.flatnonzero(unreadable)
    findings.add_lines(
        "stamp",
        "{value!r} is no date and time this file would have. Mend or drop the line.".replace(
            "{value!r}", "'{value}'"
        ),
        "refused",
        table.lines[bad],
        [str(cells[int(i)].as_py()) for i in bad[:KEPT_PER_REASON]],
        column=column,
    )
    rows = np.flatnonzero(~unreadable)
    local = taken(local, rows)
    if not rows.size:
        raise IngestError(
            f"{table.name} line {int(table.lines[0]) if len(table.lines) else 1}, column {column}: "
            f"no stamp can be read, the first is {str(cells[0].as_py())!r}. Export with stamps as in "
            "2025-01-31 13:45:00, or give --date-order."
        )
    zoned = ~np.isnan(stamps.offset_s)
    with_zone = taken(zoned[index], rows) if zoned.any() else np.broadcast_to(False, len(rows))
    if with_zone.any() and not with_zone.all():
        odd = rows[np.flatnonzero(with_zone != with_zone[0])[0]]
        raise IngestError(
            f"{table.name}: some stamps carry a zone and others do not: "
            f"{str(cells[int(rows[0])].as_py())!r} on line {int(table.lines[rows[0]])}, "
            f"{str(cells[int(odd)].as_py())!r} on line {int(table.lines[odd])}. "
            "Export the whole file in UTC or the whole file in local time."
        )
    code = _ONE_POINT if series is None else taken(series, rows)
    code = np.broadcast_to(code, len(rows))
    examination.newest_first = settled.newest_first if settled else _runs_backwards(local, code)
    if with_zone.all():
        offset_s = taken(stamps.offset_s[index], rows)
        time_utc = local - offset_s.astype("timedelta64[s]")
        kept = rows
        hours = sorted(set((np.unique(offset_s) / 3600.0).tolist()))
        examination.clock = "offsets in the stamps: " + ", ".join(f"{h:+g} h" for h in hours)
        if rules.time_zone is not None:
            examination.ask("the stamps carry offsets, which stand; --time-zone was not used.")
    else:
        zone, words, assumed = _zone(columns, rules)
        examination.clock = words
        time_utc, refused, evidence = local_to_utc(
            local, zone, code, table.lines[rows], findings,
            column=column, newest_first=examination.newest_first,
        )  # fmt: skip
        examination.clock_evidence = {name: getattr(evidence, name) for name in evidence.__slots__}
        seen = evidence.doubled_hours or evidence.missing_hours
        examination.clock_assumed = assumed and not seen
        if examination.clock_assumed and not examination.clock_note:
            examination.clock_note = assumption(rules.zone, local, time_utc)
            if rules.whole:
                say_assumption(examination, findings)
        if rules.whole:
            ask_about_clock(examination, rules)
        kept = rows
        if refused.any():
            kept, time_utc = rows[~refused], time_utc[~refused]
    plausible = _plausible(time_utc, table, taken(table.lines, kept), rules, findings, column)
    if not plausible.all():
        kept, time_utc = kept[plausible], time_utc[plausible]
    kept_code = _ONE_POINT if series is None else taken(series, kept)
    kept_code = np.broadcast_to(kept_code, len(kept))
    stray, examination.orderly = strays(
        time_utc, kept_code, examination.newest_first, settled.orderly if settled else None
    )
    if stray.any():
        at = np.flatnonzero(stray)
        findings.add_lines(
            "stamp out of order",
            "{value} does not lie between the stamps above and below it: the line is left out, as "
            "its date or time is probably damaged. Mend the line.",
            "refused",
            table.lines[kept[at]],
            [f"{t.astype('datetime64[s]')}Z" for t in time_utc[at[:KEPT_PER_REASON]]],
            column=column,
        )
        kept, time_utc, kept_code = kept[~stray], time_utc[~stray], kept_code[~stray]
    examination.interval_s = _usual_step_s(time_utc, kept_code)
    if settled and settled.interval_s:
        examination.interval_s = settled.interval_s
    if rules.stamp == "end" and examination.interval_s:
        time_utc = time_utc - np.timedelta64(round(examination.interval_s * 1e6), "us")
        findings.add(
            "stamped at end",
            f"stamps mark the end of each interval, as given: moved back by {examination.interval_s:g} s.",
            "note",
            column=column,
        )
    return Timed(kept, time_utc)


def taken(values: NDArray[_Any], places: NDArray[np.int64]) -> NDArray[_Any]:
    """Return ``values`` at ``places``; themselves where those are all, one after the other."""
    return values if _every_place(places, len(values)) else values[places]


def _every_place(places: NDArray[np.int64], size: int) -> bool:
    """Tell whether ``places`` count from 0 to ``size``; in blocks, which stay in the cache."""
    return len(places) == size and all(
        np.array_equal(block, np.arange(at, at + len(block)))
        for at in range(0, size, _BLOCK)
        if len(block := places[at : at + _BLOCK])
    )


def say_assumption(examination: Examination, findings: Findings) -> None:
    """Note what is assumed of the clock, if anything is."""
    said = bool(examination.clock_note)
    findings.add("clock assumed", examination.clock_note, "note", count=int(said))


def ask_about_clock(examination: Examination, rules: Rules) -> None:
    """Ask what the changes of the clock that the stamps cover leave open."""
    evidence = examination.clock_evidence
    if evidence.get("never_changes"):
        examination.ask(
            "the logger's clock seems to stay on one offset all year; is it standard time, as "
            "taken, or UTC? Give --time-zone."
        )
    elif (
        evidence.get("run_through")
        # a clock that jumps in spring falls back in autumn; it lost its second pass elsewhere
        and evidence["missing_seen"] >= evidence["missing_hours"]
        and rules.time_zone is None
        and evidence["doubled_seen"] == 0
    ):
        examination.ask(_QUESTION_OF_AUTUMN.format(zone=examination.clock))


def _plausible(
    time_utc: NDArray[np.datetime64],
    table: Table,
    lines: NDArray[np.int64],
    rules: Rules,
    findings: Findings,
    column: str,
) -> NDArray[np.bool_]:
    """Return which stamps a logger can have written by now; the others become findings.

    Raises
    ------
    IngestError
        If none can.
    """
    early = time_utc < EARLIEST
    late = np.zeros(len(time_utc), dtype=bool)
    if rules.importing_utc is not None:
        importing = np.datetime64(rules.importing_utc.astimezone(UTC).replace(tzinfo=None), "us")
        late = time_utc > importing + LATEST_AFTER_IMPORT
    for wrong, why in (
        (early, f"lies before {EARLIEST.astype('datetime64[Y]')}, when no such logger ran"),
        (late, "lies more than a day after the time of this import"),
    ):
        at = np.flatnonzero(wrong)
        findings.add_lines(
            "implausible stamp",
            "{value} " + why + ": the line is left out. Put the logger's clock right, or say by "
            "--date-order how its dates are written.",
            "refused",
            lines[at],
            [f"{t.astype('datetime64[s]')}Z" for t in time_utc[at[:KEPT_PER_REASON]]],
            column=column,
        )
    if len(time_utc) and (early | late).all():
        raise IngestError(
            f"{table.name}, column {column}: every stamp lies before {EARLIEST.astype('datetime64[Y]')} or more than a day "
            f"after the time of this import, as {time_utc[0].astype('datetime64[s]')}Z on line "
            f"{int(lines[0])}. Put the logger's clock right, or give --date-order."
        )
    return ~(early | late)


def _zone(columns: TimeColumns, rules: Rules) -> tuple[tzinfo, str, bool]:
    """Return the clock's zone, how it is known (user, heading, register), and if it is assumed."""
    if rules.time_zone is not None:
        return rules.clock, f"{rules.time_zone}, as given", False
    for heading in columns.headings:
        if match := _HEADING_ZONE.search(heading):
            zone = clock_of(match[1] or "UTC", rules.zone)
            return zone, f"UTC{match[1] or ''}, by the heading", False
    return rules.zone, f"{rules.zone.key}, the site's", True


def assumption(
    zone: ZoneInfo, local: NDArray[np.datetime64], time_utc: NDArray[np.datetime64]
) -> str:
    """Return what was assumed of summer stamps that no change of the clock stands beside; "": nothing.

    In winter a clock that stays on one offset shows what the site's does.
    """
    offset_s = int((local - time_utc).max().astype("timedelta64[s]").astype(np.int64))
    year = int(local[0].astype("datetime64[Y]").astype(np.int64)) + 1970
    standard_s = min(offset_at_s(zone, datetime(year, month, 15, tzinfo=UTC)) for month in (1, 7))
    if offset_s <= standard_s:
        return ""
    standard = offset_text(standard_s)
    return (
        f"the stamps carry no offset, and no change of the clock shows in them: they are read as {zone.key}, "
        f"the site's zone, {offset_text(offset_s)} then. A logger that stays on winter time is read "
        f"{(offset_s - standard_s) // 60} min early that way; if this one does, give --time-zone {standard}, or "
        f'logger_time_zone = "{standard}" below [plant] in plant.toml.'
    )


def _runs_backwards(local: NDArray[np.datetime64], code: NDArray[np.int64]) -> bool:
    if not code.any():
        falls, rises = local[1:] < local[:-1], local[1:] > local[:-1]
        return bool(np.count_nonzero(falls) > np.count_nonzero(rises))
    order = np.argsort(code, kind="stable")
    local, code = local[order], code[order]
    steps = np.diff(local).astype(np.int64)[np.diff(code) == 0]
    return bool(np.sum(steps < 0) > np.sum(steps > 0))


def _usual_step_s(time_utc: NDArray[np.datetime64], code: NDArray[np.int64]) -> float | None:
    if not code.any():
        rising = time_utc if in_order(time_utc) else np.sort(time_utc)
        steps = np.diff(rising).astype(np.int64)
        if steps.size and steps.min() == steps.max() > 0:
            return float(steps[0] // 1000) / 1000.0
        steps = steps[steps > 0] // 1000
    else:
        order = np.lexsort((time_utc, code))
        steps = np.diff(time_utc[order]).astype("timedelta64[ms]").astype(np.int64)
        steps = steps[(np.diff(code[order]) == 0) & (steps > 0)]
    if not steps.size:
        return None
    values, counts = np.unique(steps, return_counts=True)
    return float(values[np.argmax(counts)]) / 1000.0
