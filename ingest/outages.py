"""Hours in which a regular log has no row, or a point no value: told of a file, and of what is stored.

A log that writes at fixed times has a row when nothing happens, so that a missing one says that the
logger, or its export, was away. A log on change of value says by silence that nothing changed: of such
files nothing is told here.
"""

from collections import Counter, defaultdict
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.vocabulary.quantities import ROLES
from ingest.findings import Findings

REASON = "logger silent"
POINT_REASON = "point silent"  # while others of the same log go on
LEAST_S = 2 * 3600  # below, a restart or the hour that clocks skip
LEAST_STEPS = 4  # of the usual interval: daily values are not silent by night
REGULAR_SHARE = 0.9  # of steps that are the usual one, for a log at fixed times
_NEAR = 0.1  # how far such a step may be off
_SHOWN = 3  # of the longest, one by one

Times = NDArray[np.int64]
_NONE: Times = np.empty((0, 3), dtype=np.int64)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outage:
    """Hours without readings: of the whole log where ``roles`` is empty, else of these points alone."""

    begin_utc: datetime  # the last reading before
    end_utc: datetime  # the first one after
    hours: float  # of a point only those in which the others went on
    roles: tuple[str, ...]


class Outages:
    """Collects what rows, and points in them, cover; part after part of a file, in any order of the parts."""

    def __init__(self) -> None:
        self._rows: defaultdict[str, _Log] = defaultdict(_Log)
        self._points: defaultdict[tuple[str, str], _Log] = defaultdict(_Log)

    def add(self, blocks: dict[str, pd.DataFrame]) -> None:
        """Add the trend frames of a file, or of a part of it; the tag "" is of points not registered yet."""
        for tag, frame in blocks.items():
            if not len(frame):
                continue
            index = pd.DatetimeIndex(frame.index)
            at, second = index.asi8, int(np.timedelta64(1, "s") // np.timedelta64(1, index.unit))
            whole = _covered(at, second)
            self._rows[tag].add(whole)
            for role in frame.columns:
                filled = ~np.isnan(frame[role].to_numpy(dtype=float))
                if filled.any():
                    mine = whole if filled.all() else _covered(at[filled], second)
                    self._points[(tag, str(role))].add(mine)

    def is_regular(self, tag: str) -> bool:
        """Tell whether the log writes at fixed times; of another log a missing row says nothing."""
        return tag in self._rows and self._rows[tag].is_regular()

    def of(self, tag: str) -> tuple[Outage, ...]:
        """Return the outages of one log and of the points in it, the newest first."""
        if tag not in self._rows:
            return ()
        found: defaultdict[tuple[int, int, int], list[str]] = defaultdict(list)
        for begin, end, seconds in self._rows[tag].silent().tolist():
            found[begin, end, seconds] = []
        for (_, role), log in sorted(i for i in self._points.items() if i[0][0] == tag):
            for begin, end, seconds in log.silent_beside(self._rows[tag]).tolist():
                found[begin, end, seconds].append(role)
        return tuple(
            Outage(begin_utc=datetime.fromtimestamp(begin, UTC), end_utc=datetime.fromtimestamp(end, UTC),
                   hours=seconds / 3600.0, roles=tuple(roles))
            for (begin, end, seconds), roles in sorted(found.items(), reverse=True)
        )  # fmt: skip

    def say(self, findings: Findings, zone: tzinfo = UTC) -> None:
        """Add a finding for each regular log that was silent for hours, and for each point in it.

        Times are told in ``zone``, the site's, with its name.
        """
        for tag, log in sorted(self._rows.items()):
            silent = _longest_first(log.silent())
            if len(silent):
                text = f"{f'{tag}: the' if tag else 'The'} log is regular and {_sentence(silent, 'has no row', zone)}."
                findings.add(REASON, text, "note", count=len(silent))
        # one point may serve many exchangers, such as the outdoor temperature
        tags: defaultdict[tuple[str, str, int], list[str]] = defaultdict(list)
        for (tag, role), log in sorted(self._points.items()):
            silent = _longest_first(log.silent_beside(self._rows[tag]))
            if len(silent):
                said = _sentence(silent, "has no value", zone)
                label = ROLES[role].label if role in ROLES else role  # before there is a register
                tags[(label, said, len(silent))].append(tag)
        for (label, said, count), its in tags.items():
            text = f"{_listed(its)} {label}: is logged regularly and {said}, while other points go on.".lstrip()
            findings.add(POINT_REASON, text, "note", count=count)


@dataclass(frozen=True, slots=True)
class _Covered:
    """The steps between stamps, and the stretches from stamp to stamp without hours between them."""

    steps: Counter[int]
    stretches: Times  # begin and end in seconds since 1970, shape (n, 2)


def _covered(at: Times, second: int) -> _Covered:
    """Return what stamps cover, of which ``second`` are one."""
    steps = np.diff(at)
    away = np.flatnonzero(steps >= LEAST_S * second)
    begins, ends = np.r_[at[0], at[away + 1]], np.r_[at[away], at[-1]]
    return _Covered(_counted(steps, second), np.column_stack((begins, ends)) // second)


def _counted(steps: Times, second: int) -> Counter[int]:
    """Return how often each step in whole seconds occurs; most are alike, and need no sorting."""
    found: Counter[int] = Counter()
    if len(steps):
        alike = steps[len(steps) // 2]
        others = steps[steps != alike]
        values, counts = np.unique(others // second, return_counts=True)
        found.update(dict(zip(values.tolist(), counts.tolist(), strict=True)))
        found[int(alike // second)] += len(steps) - len(others)
    return found


class _Log:
    """What one log covers."""

    def __init__(self) -> None:
        self._steps: Counter[int] = Counter()
        self._stretches: list[Times] = []

    def add(self, part: _Covered) -> None:
        self._steps.update(part.steps)
        self._stretches.append(part.stretches)

    def _ordered(self) -> tuple[Times, Times]:
        """Return the beginnings of all stretches, rising, and up to when those till then cover."""
        # points may come one after another, so that what one part leaves out another covers
        stretches = np.concatenate(self._stretches)
        stretches = stretches[np.argsort(stretches[:, 0], kind="stable")]
        return stretches[:, 0], np.maximum.accumulate(stretches[:, 1])

    def _away(self) -> Times:
        """Return begin and end of each stretch of hours that is not covered, rising, shape (n, 2)."""
        begins, covered = self._ordered()
        found = np.column_stack((covered[:-1], begins[1:]))
        return found[found[:, 1] - found[:, 0] >= LEAST_S]

    def is_regular(self) -> bool:
        """Tell whether nearly all steps are the usual one."""
        return self._least_s() is not None

    def _least_s(self) -> int | None:
        usual = _usual_step_s(self._steps)
        return None if usual is None else max(LEAST_S, LEAST_STEPS * usual)

    def silent(self) -> Times:
        """Return begin, end and seconds of each silence of a regular log, shape (n, 3); else none."""
        least_s = self._least_s()
        return _NONE if least_s is None else _lasting(self._away(), least_s)

    def silent_beside(self, rows: "_Log") -> Times:
        """The same of a point, with the seconds in which ``rows`` go on without it.

        Its end may come before that of the rows, and its beginning after theirs.
        """
        least_s = self._least_s()
        if least_s is None:
            return _NONE
        (begins, covered), (first, last) = self._ordered(), rows._ordered()
        ends = [[first[0], begins[0]], [covered[-1], last[-1]]]
        found = _lasting(np.concatenate((self._away(), ends)), least_s)
        away = rows._away()
        for silence in found:
            within = np.minimum(away[:, 1], silence[1]) - np.maximum(away[:, 0], silence[0])
            silence[2] -= int(np.maximum(within, 0).sum())
        return found[found[:, 2] >= least_s]


def _lasting(stretches: Times, least_s: int) -> Times:
    seconds = stretches[:, 1] - stretches[:, 0]
    return np.column_stack((stretches, seconds))[seconds >= least_s]


def _longest_first(silent: Times) -> Times:
    return silent[np.argsort(-silent[:, 2], kind="stable")]


def _usual_step_s(steps: Counter[int]) -> int | None:
    """Return the interval of a log at fixed times; ``None``: its steps are too uneven for one."""
    if not steps:
        return None
    usual = max(steps, key=lambda s: (steps[s], s))
    alike = sum(n for s, n in steps.items() if abs(s - usual) <= _NEAR * usual)
    return usual if alike >= REGULAR_SHARE * steps.total() and usual > 0 else None


def _sentence(silent: Times, what: str, zone: tzinfo) -> str:
    hours = silent[:, 2] / 3600.0
    each = [
        f"{_stamp(begin, zone)} to {_stamp(end, zone)} ({seconds / 3600.0:,.0f} h)"
        for begin, end, seconds in silent[:_SHOWN].tolist()
    ]
    if len(silent) == 1:
        return f"{what} from {each[0]}"
    return (
        f"{what} for {LEAST_S // 3600} hours or more {len(silent):,} times, "
        f"{hours.sum():,.0f} h in all; the longest: {', '.join(each)}"
    )


def _listed(tags: list[str]) -> str:
    more = f" and {len(tags) - _SHOWN:,} more" if len(tags) > _SHOWN else ""
    return f"{', '.join(tags[:_SHOWN])}{more}"


def _stamp(at_s: int, zone: tzinfo) -> str:
    return f"{datetime.fromtimestamp(at_s, zone):%Y-%m-%d %H:%M %Z}"
