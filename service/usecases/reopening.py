"""Which days that were concluded before rest on other readings now: late, corrected or taken out.

Lives here: a mark of each day's readings that is kept with an assessment, and its comparison with the
next one's. It is taken from the readings themselves, so that it does not matter by which way they
came or went: a file, a device, a corrected mapping, originals read again.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Literal, cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.vocabulary.quantities import ROLE_NAMES
from analytics.vocabulary.records import Remark

_DAY_US = 86_400_000_000
_MIX = np.array([0x9E3779B97F4A7C15, 0xBF58476D1CE4E5B9, 0x94D049BB133111EB], dtype=np.uint64)
_MARK = np.dtype([("day", "<i8"), ("values", "<i8"), ("mark", "<u8")])

Marks = NDArray[np.void]  # (d,) of _MARK: day since 1970, how many values, a mark of what they are
Kind = Literal["late", "corrected", "removed"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reopened:
    """Concluded days whose readings changed; from ``first_utc`` to ``last_utc``, both included."""

    kind: Kind
    first_utc: datetime
    last_utc: datetime
    days: int

    def remark(self) -> Remark:
        """Say it in words."""
        first, last = (f"{t.day} {t:%B %Y}" for t in (self.first_utc, self.last_utc))
        code = f"readings_{self.kind}"
        if self.days == 1:
            return Remark(code=f"{code}_day", words={"day": first})
        return Remark(
            code=code, numbers={"days": float(self.days)}, words={"first": first, "last": last}
        )


def day_marks(trends: pd.DataFrame, gaps: pd.DataFrame | None = None) -> Marks:
    """Return a mark of each UTC day that has readings.

    Two days with the same readings have the same mark, whatever order or files they came in; with
    any other value, stamp or role it differs, but for one chance in 2**64. A gap of which the logger
    tells (``gaps``, a gap frame) says that a reading held for less long: it marks the days on which it
    begins and ends.
    """
    if not len(trends) or not len(trends.columns):
        return np.empty(0, dtype=_MARK)
    times = cast("pd.DatetimeIndex", trends.index).as_unit("us").asi8
    stamp = _mixed(times.astype(np.uint64))
    total, count = np.zeros(len(times), dtype=np.uint64), np.zeros(len(times), dtype=np.int64)
    for role in trends.columns:
        value = trends[role].to_numpy(dtype=float)
        known = ~np.isnan(value)
        name = _mixed(np.array([ROLE_NAMES.index(str(role))], dtype=np.uint64))
        cell = _mixed((value + 0.0).view(np.uint64) ^ stamp ^ name)
        total += np.where(known, cell, np.uint64(0))
        count += known
    days, starts = np.unique(times // _DAY_US, return_index=True)
    found = np.empty(len(days), dtype=_MARK)
    found["day"], found["values"] = days, np.add.reduceat(count, starts)
    found["mark"] = np.add.reduceat(total, starts)
    if gaps is not None and len(gaps):
        _mark_gaps(found, gaps)
    return found[found["values"] > 0]


def _mark_gaps(found: Marks, gaps: pd.DataFrame) -> None:
    ends = [
        np.asarray(pd.DatetimeIndex(gaps[name]).as_unit("us").asi8)
        for name in ("begin_utc", "end_utc")
    ]
    names = np.array([ROLE_NAMES.index(r) for r in gaps["role"]], dtype=np.uint64)
    bits = _mixed(ends[0].astype(np.uint64)) ^ ends[1].astype(np.uint64)
    cells = _mixed(bits ^ _mixed(names + np.uint64(len(ROLE_NAMES))))  # apart from any reading's
    days = np.unique(
        np.column_stack(
            [np.arange(len(cells)).repeat(2), np.column_stack(ends).ravel() // _DAY_US]
        ),
        axis=0,
    )
    row = np.searchsorted(found["day"], days[:, 1])
    there = (row < len(found)) & (found["day"][np.minimum(row, len(found) - 1)] == days[:, 1])
    np.add.at(found["mark"], row[there], cells[days[there, 0]])


def _mixed(bits: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Spread 64 bits over 64 bits, one to one (the finaliser of splitmix64)."""
    with np.errstate(over="ignore"):
        z = bits + _MIX[0]
        z = (z ^ (z >> np.uint64(30))) * _MIX[1]
        z = (z ^ (z >> np.uint64(27))) * _MIX[2]
    mixed: NDArray[np.uint64] = z ^ (z >> np.uint64(31))
    return mixed


def packed(marks: Marks) -> bytes:
    """Return marks as bytes."""
    return marks.tobytes()


def unpacked(data: bytes | None) -> Marks | None:
    """Return the marks that :func:`packed` wrote; ``None`` where none were kept."""
    return None if data is None else np.frombuffer(data, dtype=_MARK)


def reopened(before: Marks | None, now: Marks, through_utc: datetime) -> tuple[Reopened, ...]:
    """Return the days before that of ``through_utc`` whose readings differ, by what happened to them.

    A day with more values got late ones, one with fewer lost some; with as many, some were corrected.

    Parameters
    ----------
    before : Marks or None
        Of the last assessment; ``None``: not kept, nothing can be told.
    now : Marks
    through_utc : datetime
        The end of the data at the last assessment: the day it falls on was not concluded.
    """
    if before is None:
        return ()
    open_from = int(through_utc.timestamp() // 86400)
    old, new = (m[m["day"] < open_from] for m in (before, now))
    days = np.union1d(old["day"], new["day"])
    values = np.zeros((2, len(days)), dtype=np.int64)
    marks = np.zeros((2, len(days)), dtype=np.uint64)
    for row, kept in enumerate((old, new)):
        at = np.searchsorted(days, kept["day"])
        values[row, at], marks[row, at] = kept["values"], kept["mark"]
    more = values[1] - values[0]
    kinds: tuple[tuple[Kind, NDArray[np.bool_]], ...] = (
        ("late", more > 0), ("corrected", (more == 0) & (marks[0] != marks[1])), ("removed", more < 0),
    )  # fmt: skip
    return tuple(_reopened(kind, days[chosen]) for kind, chosen in kinds if chosen.any())


def _reopened(kind: Kind, days: NDArray[np.int64]) -> Reopened:
    start = datetime(1970, 1, 1, tzinfo=UTC)
    first, last = (start + timedelta(days=int(d)) for d in (days.min(), days.max()))
    return Reopened(kind=kind, first_utc=first, last_utc=last, days=len(days))


def reason_of(changed: Sequence[Reopened], day_utc: datetime) -> Remark | None:
    """Return which changed readings can have moved what is concluded of a day: none after it.

    The earliest of them, as the account of a day rests on all before it.
    """
    can = [c for c in changed if c.first_utc <= day_utc]
    return min(can, key=lambda c: c.first_utc).remark() if can else None
