"""Gaps that loggers told of, summed up by instrument: how many, how long, why."""

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import pandas as pd

from service.store import gaps
from service.store.store import Store

RECENT = timedelta(days=30)


@dataclass(frozen=True, slots=True, kw_only=True)
class ToldGaps:
    """The gaps of one instrument's log; where two overlap their time counts once."""

    role: str
    count: int
    hours: float
    hours_recent: float  # of the last 30 days up to the readings' end
    reasons: dict[str, int]  # how many of each, the commonest first
    last_end: datetime


def gaps_of(store: Store, tag: str) -> pd.DataFrame:
    """Return the gap frame of an exchanger; see ``analytics.vocabulary.gaps``."""
    with store.reading() as connection:
        return gaps.load_gaps(connection, tag)


def summed_up(told: pd.DataFrame, through_utc: datetime) -> tuple[ToldGaps, ...]:
    """Return the gaps of each instrument, the longest silent first."""
    found = []
    for role, own in told.groupby("role", sort=True):
        reasons = own["reason"].value_counts()
        found.append(
            ToldGaps(
                role=str(role),
                count=len(own),
                hours=_hours(own),
                hours_recent=_hours(within(own, through_utc - RECENT, through_utc)),
                reasons={str(r): int(n) for r, n in reasons.items()},
                last_end=own["end_utc"].max().to_pydatetime(),
            )
        )
    return tuple(sorted(found, key=lambda g: -g.hours))


def within(told: pd.DataFrame, start_utc: datetime, end_utc: datetime) -> pd.DataFrame:
    """Return the gaps, cut to what lies between two times."""
    start, end = pd.Timestamp(start_utc), pd.Timestamp(end_utc)
    held = told[(told["begin_utc"] < end) & (told["end_utc"] > start)]
    return held.assign(
        begin_utc=held["begin_utc"].where(held["begin_utc"] > start, start),
        end_utc=held["end_utc"].where(held["end_utc"] < end, end),
    )


def _hours(own: pd.DataFrame) -> float:
    """Return the hours that gaps cover together."""
    own = own.sort_values("begin_utc")
    begins, ends = (
        pd.DatetimeIndex(own[name]).as_unit("us").asi8 for name in ("begin_utc", "end_utc")
    )
    covered = np.maximum.accumulate(ends)  # how far those before reach
    begins[1:] = np.maximum(begins[1:], covered[:-1])
    return float(np.maximum(ends - begins, 0).sum()) / 3.6e9
