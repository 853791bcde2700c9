"""Which instrument is accused: the one that is off for sure and by what matters.

Lives here: the accusation alone. Not here: the odds it rests on (``decisions.diagnosis``), its alerts, the
verdict drawn from it.
"""

from collections.abc import Sequence

import numpy as np

from analytics.decisions.diagnosis import (
    CREDIBLE,
    INSTRUMENT_EVIDENCE,
    Odds,
    shares_by_cause,
)
from analytics.trends.account import Account
from analytics.trends.model import DEPOSIT, INSTRUMENTS
from analytics.trends.tracking import matters
from analytics.vocabulary.records import AlertEvent, Cause, CauseKind

ALIKE = 0.4  # share of the blame from which an instrument is named beside another
# Log evidence by which an error at the cold end must beat all that flows nobody measures could bring about
# (by simulation).
BEYOND_FLOWS = 100.0
COLD_END = (1, 3)
UNNAMED_MARGIN = 10.0  # log evidence by which it must beat what may not be named (by simulation)


def accused_instrument(
    account: Account, odds: Odds, listed: list[Cause], alarmed: set[str | None]
) -> Cause | None:
    """Return the instrument that is off for sure and matters, else ``None``.

    Instruments may share the blame (only the ratio of two meters shows in the balance; both ends of a
    cold pair look alike at times): then the likelier is named and the other is the runner-up.
    """
    named = (*account.may_be_named(), *odds.borne_out)
    return next(
        (
            c
            for c in off_for_sure(odds, listed, alarmed)
            if _index_of(c) in named
            and (c.subject in alarmed or _began_since(account, _index_of(c)))
            and (
                c.subject in alarmed
                or _index_of(c) in odds.borne_out
                or _beats_unnamed(odds, _index_of(c), named)
            )
        ),
        None,
    )


def _began_since(account: Account, unknown: int) -> bool:
    """Tell whether a change began after the reference period: what began inside it is the yardstick's own."""
    scores, row = account.scores, account.present_row()
    assert scores is not None
    assert account.ready is not None
    return bool(scores.onset[row, scores.index.index(unknown)] >= account.ready)


def _beats_unnamed(odds: Odds, unknown: int, named: tuple[int, ...]) -> bool:
    """Tell whether an instrument explains clearly more than those that may not be named can."""
    own = max(v for i, v in odds.evidence.items() if unknown in odds.explanation[i].moving)
    others = [
        v
        for i, v in odds.evidence.items()
        if unknown not in odds.explanation[i].moving
        and set(odds.explanation[i].moving) - {DEPOSIT, *named}
    ]
    return own > max(others, default=-np.inf) + UNNAMED_MARGIN


def off_for_sure(odds: Odds, listed: list[Cause], alarmed: set[str | None]) -> list[Cause]:
    """Return the instruments one of which is off for sure, by what matters; the likelier first."""
    shares = shares_by_cause(odds)
    together = sum(
        odds.share[i] for i, e in enumerate(odds.explanation) if any(m != DEPOSIT for m in e.moving)
    )
    found = []
    for cause in listed:
        if cause.kind not in (CauseKind.THERMOMETER, CauseKind.FLOW_METER):
            continue
        unknown = _index_of(cause)
        evidence = max(
            odds.evidence[i] for i, e in enumerate(odds.explanation) if unknown in e.moving
        )
        sure = together > CREDIBLE and shares[cause.kind, cause.subject] >= ALIKE * together
        moved = odds.moved[unknown]
        large = abs(moved.value) > matters(unknown) and not moved.low <= 0 <= moved.high
        if sure and (large or cause.subject in alarmed) and evidence > INSTRUMENT_EVIDENCE:
            found.append(cause)
    return found


def alarmed_instruments(alerts: Sequence[AlertEvent]) -> set[str | None]:
    """Return the instruments whose alert stands: whatever they were off by before, they have changed."""
    kinds = (CauseKind.THERMOMETER, CauseKind.FLOW_METER)
    return {a.subject for a in alerts if a.kind in kinds and a.ended_utc is None}


def _index_of(cause: Cause) -> int:
    return {role: i for i, role in INSTRUMENTS}[str(cause.subject)]


def off_beyond_flows(odds: Odds, listed: list[Cause], alarmed: set[str | None]) -> Cause | None:
    """Return a thermometer of the cold end whose error no change of flows or plates could mimic."""
    cold_end = [c for c in off_for_sure(odds, listed, alarmed) if _index_of(c) in COLD_END]
    others = max(
        v for i, v in odds.evidence.items() if not set(odds.explanation[i].moving) & set(COLD_END)
    )
    best = max(
        v for i, v in odds.evidence.items() if set(odds.explanation[i].moving) & set(COLD_END)
    )
    return cold_end[0] if cold_end and best > others + BEYOND_FLOWS else None
