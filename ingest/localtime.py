"""Local stamps to UTC, including the hours when clocks change.

When clocks go back an hour is shown twice; the order in the file tells which is which. When they
go forward an hour is never shown; a stamp in it cannot be right, unless the logger's clock does
not change at all.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ingest.findings import Findings
from ingest.ordering import in_order


@dataclass(frozen=True, slots=True)
class ClockChange:
    """A change of the zone's offset; ``before_s`` and ``after_s`` are offsets from UTC."""

    time_utc: np.datetime64
    before_s: int
    after_s: int

    @property
    def local_span(self) -> tuple[np.datetime64, np.datetime64]:
        """The hour shown twice, or never, as the clock shows it: from, up to."""
        low, high = sorted((self.before_s, self.after_s))
        return (
            self.time_utc + np.timedelta64(low, "s"),
            self.time_utc + np.timedelta64(high, "s"),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockEvidence:
    """What the stamps showed at the changes of the clock that they cover."""

    doubled_hours: int = 0  # changes back within the file
    doubled_seen: int = 0  # of which both passes are there
    unresolved: int = 0  # stamps whose pass could not be told
    missing_hours: int = 0  # changes forward within the file
    missing_seen: int = 0  # of which stamps lie in the hour that never was
    run_through: int = 0  # changes back that the stamps run through once, as if there were none
    never_changes: bool = False  # the logger's clock seems to stay on standard time


def offset_text(offset_s: int) -> str:
    """Return an offset as a stamp has it: "+01:00"."""
    minutes = abs(offset_s) // 60
    return f"{'-' if offset_s < 0 else '+'}{minutes // 60:02d}:{minutes % 60:02d}"


def offset_at_s(zone: tzinfo, moment: datetime) -> int:
    """Return the offset of a zone from UTC at an aware moment, in seconds."""
    offset = moment.astimezone(zone).utcoffset() or timedelta(0)
    return int(offset.total_seconds())


def clock_changes(
    zone: tzinfo, first: np.datetime64, last: np.datetime64
) -> tuple[int, list[ClockChange]]:
    """Return the offset at the start and all changes between two days around the stamps."""
    start = first.astype("datetime64[s]").astype(datetime).replace(tzinfo=UTC) - timedelta(days=2)
    end = last.astype("datetime64[s]").astype(datetime).replace(tzinfo=UTC) + timedelta(days=2)
    changes: list[ClockChange] = []
    step = timedelta(days=7)  # no zone changes twice within a week in a way that matters here
    moment, offset = start, offset_at_s(zone, start)
    first_offset = offset
    while moment < end:
        following = moment + step
        if (later := offset_at_s(zone, following)) != offset:
            low, high = moment, following
            while high - low > timedelta(seconds=1):
                middle = low + timedelta(seconds=int((high - low).total_seconds()) // 2)
                low, high = (middle, high) if offset_at_s(zone, middle) == offset else (low, middle)
            when = np.datetime64(high.replace(tzinfo=None), "us")
            changes.append(ClockChange(when, offset, later))
            offset = later
        moment = following
    return first_offset, changes


def _second_pass(
    local: NDArray[np.datetime64],
    before: np.datetime64 | None,
    after: np.datetime64 | None,
) -> tuple[NDArray[np.bool_], bool]:
    """Tell the second pass through a doubled hour; ``local`` in the order of time.

    ``before`` and ``after`` are the stamps next to the hour. Returns the mask, and whether the
    order settled it.
    """
    steps = np.diff(local).astype(np.int64)
    falls = np.concatenate(([0], np.cumsum(steps < 0)))
    again = pd.Series(local).groupby(local).cumcount().to_numpy()
    second = (falls >= 1) | (again >= 1)
    if second.any():
        return second, True
    usual = np.median(steps) if steps.size else np.int64(3_600_000_000)
    near = np.timedelta64(int(1.5 * usual), "us")
    joins_before = before is not None and local[0] - before <= near
    joins_after = after is not None and after - local[-1] <= near
    if joins_after and not joins_before:
        return np.ones(len(local), dtype=bool), True
    return second, bool(joins_before and not joins_after)


def local_to_utc(
    local: NDArray[np.datetime64],
    zone: tzinfo,
    series: NDArray[np.int64],
    line: NDArray[np.int64],
    findings: Findings,
    *,
    column: str,
    newest_first: bool,
) -> tuple[NDArray[np.datetime64], NDArray[np.bool_], ClockEvidence]:
    """Turn stamps of a zone into UTC.

    Parameters
    ----------
    local : ndarray of datetime64[us], shape (n,)
        What the clock showed, in the order of the file.
    zone : tzinfo
        Of the logger's clock.
    series : ndarray of int, shape (n,)
        Which point a stamp belongs to: the order counts within one point.
    line : ndarray of int, shape (n,)
        For the findings.
    newest_first : bool
        The file runs backwards.

    Returns
    -------
    time_utc, refused, evidence
        ``refused`` marks the stamps in an hour that never was.
    """
    refused = np.zeros(len(local), dtype=bool)
    if not len(local):
        return local, refused, ClockEvidence()
    first, last = local.min(), local.max()
    offset, changes = clock_changes(zone, first, last)
    inside = [c for c in changes if c.local_span[0] <= last and c.local_span[1] > first]
    forward = [c for c in inside if c.after_s > c.before_s]
    backward = [c for c in inside if c.after_s < c.before_s]
    if not changes:
        same = local - np.timedelta64(offset, "s") if offset else local
        return same, refused, ClockEvidence()
    stamps = local if in_order(local) else np.sort(local)

    def within(change: ClockChange) -> int:
        low, high = change.local_span
        return int(np.searchsorted(stamps, high) - np.searchsorted(stamps, low))

    covered = [c for c in forward if _logged_around(stamps, c)]
    seen = [c for c in covered if within(c)]
    never = (
        bool(covered)
        and all(_runs_through(stamps, c) for c in covered)
        and not any(_shows_doubled_hour(local, series, c) for c in backward)
    )
    resolved = 0
    unresolved = 0
    # up to the wall-clock moment of a change the offset before it holds
    bounds = np.array([c.time_utc + np.timedelta64(c.before_s, "s") for c in changes])
    each = np.array([offset, *(c.after_s for c in changes)])
    offsets = each[np.searchsorted(bounds, local, side="right")]
    for change in backward:
        if never:
            break
        low, high = change.local_span
        touched = np.flatnonzero((local >= low) & (local < high))
        for code in np.unique(series[touched]):
            mine = touched[series[touched] == code]
            if newest_first:
                mine = mine[::-1]
            second, settled = _second_pass(
                local[mine], *_neighbours(local, series, mine, newest_first)
            )
            offsets[mine[second]] = change.after_s
            resolved += int(second.any() and not second.all())
            if not settled:
                unresolved += len(mine)
                findings.add_lines(
                    "doubled hour",
                    "the hour {value} comes twice when clocks go back, and the order in the file "
                    "does not tell which this is; taken as the first. Export in UTC.",
                    "doubtful",
                    line[mine],
                    [_shown(t) for t in local[mine[:200]]],
                    column=column,
                )
    if never:
        standard = min(min(c.before_s, c.after_s) for c in covered)
        offsets[:] = standard
        findings.add(
            "clock never changes",
            f"stamps lie in the hour that clocks skip (as {_shown(stamps[np.searchsorted(stamps, covered[0].local_span[0])])}): "
            f"the logger's clock seems not to change. All stamps are read at UTC{standard / 3600:+g} h; "
            "give --time-zone if it runs on another, such as UTC.",
            "doubtful",
            column=column,
        )
    else:
        for change in forward:
            low, high = change.local_span
            lost = np.flatnonzero((local >= low) & (local < high))
            refused[lost] = True
            findings.add_lines(
                "missing hour",
                "{value} never was: clocks went forward over it. Export in UTC, or give "
                "--time-zone for the logger's clock.",
                "refused",
                line[lost],
                [_shown(t) for t in local[lost[:200]]],
                column=column,
            )
    evidence = ClockEvidence(
        doubled_hours=len([c for c in backward if _logged_around(stamps, c)]),
        doubled_seen=resolved,
        unresolved=unresolved,
        missing_hours=len(covered),
        missing_seen=len(seen),
        run_through=sum(_runs_through_once(stamps, local, series, c) for c in backward),
        never_changes=never,
    )
    return local - offsets.astype("timedelta64[s]"), refused, evidence


def _logged_around(stamps: NDArray[np.datetime64], change: ClockChange) -> bool:
    """Tell whether there are stamps within an hour before and after the change."""
    low, high = change.local_span
    hour = np.timedelta64(3600, "s")
    before = np.searchsorted(stamps, low) - np.searchsorted(stamps, low - hour)
    after = np.searchsorted(stamps, high + hour, side="right") - np.searchsorted(stamps, high)
    return bool(before > 0 and after > 0)


def _runs_through(stamps: NDArray[np.datetime64], change: ClockChange) -> bool:
    """Tell whether the stamps go on at their usual step through the hour that never was."""
    low, high = change.local_span
    start, stop = np.searchsorted(stamps, [low, high])
    if start == stop:
        return False
    earlier = int(start - np.searchsorted(stamps, low - (high - low)))
    if stop - start >= 2:
        return bool(stop - start >= 0.75 * earlier)
    return bool(stamps[start] - stamps[start - 1] == stamps[stop] - stamps[start])


def _runs_through_once(
    stamps: NDArray[np.datetime64],
    local: NDArray[np.datetime64],
    series: NDArray[np.int64],
    change: ClockChange,
) -> bool:
    """Tell whether the stamps go on at their usual step through the doubled hour, but once."""
    return (
        _logged_around(stamps, change)
        and not _shows_doubled_hour(local, series, change)
        and _runs_through(stamps, change)
    )


def _shows_doubled_hour(
    local: NDArray[np.datetime64], series: NDArray[np.int64], change: ClockChange
) -> bool:
    """Tell whether stamps of one point come twice, or fall back, in the doubled hour."""
    low, high = change.local_span
    touched = np.flatnonzero((local >= low) & (local < high))
    pairs = pd.DataFrame({"point": series[touched], "local": local[touched]})
    return bool(pairs.duplicated().any())


def _neighbours(
    local: NDArray[np.datetime64],
    series: NDArray[np.int64],
    mine: NDArray[np.int64],
    newest_first: bool,
) -> tuple[np.datetime64 | None, np.datetime64 | None]:
    """Return the stamps of the same point just before and after the rows ``mine``, in time."""
    code = series[mine[0]]
    low, high = int(mine.min()), int(mine.max())
    ahead = np.flatnonzero(series[:low] == code)
    behind = np.flatnonzero(series[high + 1 :] == code)
    earlier = local[ahead[-1]] if ahead.size else None
    later = local[high + 1 + behind[0]] if behind.size else None
    return (later, earlier) if newest_first else (earlier, later)


def _shown(moment: np.datetime64) -> str:
    return str(moment.astype("datetime64[s]")).replace("T", " ")
