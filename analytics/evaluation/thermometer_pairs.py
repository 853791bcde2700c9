"""Which pairs of thermometers disagree, by how much, since when, and from which evidence."""

from datetime import datetime
from typing import Literal

import numpy as np
import pandas as pd

from analytics.trends.account import Account
from analytics.trends.idle import ACROSS, CONTRASTS, PRIMARY_PAIR, SECONDARY_PAIR, Stretch
from analytics.trends.model import Array
from analytics.trends.reference_condition import estimate
from analytics.vocabulary.quantities import (
    PRIMARY_RETURN,
    PRIMARY_SUPPLY,
    SECONDARY_RETURN,
    SECONDARY_SUPPLY,
    TEMPERATURES,
)
from analytics.vocabulary.records import PairOffset

PAIRS: tuple[tuple[str, str], ...] = (
    (PRIMARY_RETURN, SECONDARY_RETURN),  # the cold end: what the approach is read from
    (PRIMARY_SUPPLY, PRIMARY_RETURN),
    (SECONDARY_SUPPLY, SECONDARY_RETURN),
)


def pair_offsets(account: Account) -> tuple[PairOffset, ...]:
    """Return each piece of evidence on each pair, by time, and all together."""
    found = _from_idle(account)
    if account.offsets is not None and account.fit is not None and account.period is not None:
        begin, end = account.period.first, account.period.last
        hours = float(account.fit.hours)
        found = [
            _from_filter(account, p, "load", begin, end, hours, end + 1) for p in PAIRS
        ] + found
        last = int(account.offsets.day[-1]) - 1
        found.sort(key=lambda o: o.to_utc)
        heard = hours + sum(s.hours for s in account.idle.stretches())
        found += [
            _from_filter(account, p, "together", begin, last, heard, int(account.table.day[-1]))
            for p in PAIRS
        ]
    return tuple(found)


def contrast_of(pair: tuple[str, str]) -> Array:
    """Return the combination of the four errors that a pair's difference is."""
    row = np.zeros(4)
    row[TEMPERATURES.index(pair[0])], row[TEMPERATURES.index(pair[1])] = 1.0, -1.0
    return row


def _from_idle(account: Account) -> list[PairOffset]:
    found = []
    for kind in ("standstill", "circulation"):
        for stretch in account.idle.stretches(circulating=kind == "circulation"):
            for pair in PAIRS:
                contrast = contrast_of(pair)
                sd = _pair_sd(contrast, stretch)
                if np.isfinite(sd):
                    used = contrast != 0
                    found.append(
                        _record(
                            account, pair, kind, (stretch.first, stretch.last), float(stretch.hours),
                            (float(contrast[used] @ stretch.middle_K[used]), sd),
                        )
                    )  # fmt: skip
    return found


def _pair_sd(contrast: Array, stretch: Stretch) -> float:
    """Return a pair's standard uncertainty from those of the three contrasts, which make it up."""
    share = np.linalg.solve(CONTRASTS.T @ CONTRASTS + np.ones((4, 4)), contrast) @ CONTRASTS.T
    assert share.shape == (len((PRIMARY_PAIR, SECONDARY_PAIR, ACROSS)),)
    with np.errstate(invalid="ignore"):
        part = np.where(np.abs(share) > 1e-9, share * stretch.sd_K, 0.0)
    return float(np.sqrt((part**2).sum()))


def _from_filter(
    account: Account, pair: tuple[str, str], kind: Literal["load", "together"],
    first: int, last: int, hours: float, as_of: int,
) -> PairOffset:  # fmt: skip
    assert account.offsets is not None
    said = account.offsets.pair(contrast_of(pair), as_of)
    return _record(account, pair, kind, (first, last), hours, said)


def _record(
    account: Account, pair: tuple[str, str], kind: str, days: tuple[int, int], hours: float,
    said: tuple[float, float],
) -> PairOffset:  # fmt: skip
    return PairOffset(
        first_role=pair[0], second_role=pair[1], evidence=kind,  # type: ignore[arg-type]
        from_utc=_moment(days[0]), to_utc=_moment(days[1] + 1), hours=hours,
        difference_K=estimate(*said), age_days=float(account.table.day[-1] - days[1]),
    )  # fmt: skip


def _moment(day: int) -> datetime:
    return pd.Timestamp(day, unit="D", tz="UTC").to_pydatetime()
