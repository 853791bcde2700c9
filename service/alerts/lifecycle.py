"""The life of an alert in the words of IEC 62682 / ISA-18.2.

Lives here: the record of one alert, its state at a moment, and how the alerts of a new assessment
are matched with those already known. Pure; storing is ``service.store``, words are ``service.wording``.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum

from analytics.vocabulary.records import AlertEvent, CauseKind, Remark

DATA_STOPPED = "data stopped"

# Two runs of the same detection may date an alert a little apart once late readings arrive; nearer
# than this they are the same alert, so that what a person did with it is kept.
_SAME_ALERT = timedelta(days=14)


class AlertState(StrEnum):
    """States of IEC 62682, clause 5; the words a reader sees."""

    UNACKNOWLEDGED = "active, not acknowledged"
    ACKNOWLEDGED = "active, acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned to normal, not acknowledged"
    NORMAL = "returned to normal"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed by design"
    OUT_OF_SERVICE = "out of service"


class StepKind(StrEnum):
    """What happens to an alert. Words of IEC 62682 where it has one; withdrawing is none of its."""

    RAISED = "raised"
    RETURNED = "returned to normal"
    ACKNOWLEDGED = "acknowledged"
    SHELVED = "shelved"
    UNSHELVED = "unshelved"
    REMOVED_FROM_SERVICE = "out of service"
    RETURNED_TO_SERVICE = "back in service"
    WITHDRAWN = "withdrawn"  # the readings as they are now no longer raise it
    RAISED_AGAIN = "raised again"  # after it was withdrawn
    ACTIVE_AGAIN = "active again"  # its return to normal no longer holds
    DATED_ANEW = "dated anew"
    END_DATED_ANEW = "return to normal dated anew"


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertStep:
    """One step in the life of an alert, and the alert's days from then on; none is ever erased.

    ``reason`` says what changed a conclusion that stood; ``None``: the ordinary course of things.
    """

    what: StepKind
    at_utc: datetime
    raised_utc: datetime
    ended_utc: datetime | None
    by: str = ""
    reason: Remark | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Alert:
    """One alert with what people did about it. ``number`` is ``None`` until it is stored."""

    number: int | None
    tag: str
    kind: CauseKind | str  # a CauseKind, or "data stopped"
    subject: str | None  # the role of the instrument, where it is one
    raised_utc: datetime
    ended_utc: datetime | None
    remark: Remark
    acknowledged_utc: datetime | None = None
    acknowledged_by: str = ""
    shelved_until_utc: datetime | None = None
    shelved_by: str = ""
    out_of_service: bool = False
    suppressed: bool = False
    withdrawn_utc: datetime | None = None  # data corrected since no longer raise it
    history: tuple[AlertStep, ...] = ()  # oldest first

    def state(self, now_utc: datetime) -> AlertState:
        """Return the state at ``now_utc``."""
        if self.out_of_service:
            return AlertState.OUT_OF_SERVICE
        if self.shelved_until_utc is not None and now_utc < self.shelved_until_utc:
            return AlertState.SHELVED
        active = self.is_active(now_utc)
        if active and self.suppressed:
            return AlertState.SUPPRESSED
        if active:
            return AlertState.ACKNOWLEDGED if self.acknowledged_utc else AlertState.UNACKNOWLEDGED
        return AlertState.NORMAL if self.acknowledged_utc else AlertState.RETURNED_UNACKNOWLEDGED

    def is_active(self, now_utc: datetime) -> bool:
        """Tell whether what raised the alert still stands at ``now_utc``."""
        return self.withdrawn_utc is None and (self.ended_utc is None or self.ended_utc > now_utc)


def needs_a_person(alert: Alert, now_utc: datetime) -> bool:
    """Tell whether the alert waits to be acknowledged."""
    return alert.state(now_utc) in (
        AlertState.UNACKNOWLEDGED,
        AlertState.RETURNED_UNACKNOWLEDGED,
    )


def unacknowledged(alerts: Iterable[Alert], now_utc: datetime) -> Mapping[str, int]:
    """Return by tag how many alerts wait to be acknowledged; a tag without any is left out."""
    return Counter(a.tag for a in alerts if needs_a_person(a, now_utc))


def merge(
    known: Sequence[Alert],
    events: Iterable[AlertEvent],
    *,
    tag: str,
    now_utc: datetime,
    reopened: bool = True,
) -> tuple[Alert, ...]:
    """Match the alerts of a new assessment with those known; keep acknowledgement and shelving.

    Parameters
    ----------
    known : sequence of Alert
        All stored alerts of this exchanger.
    events : iterable of AlertEvent
        What the assessment raises now, over the whole history.
    tag : str
        The exchanger.
    now_utc : datetime
        Stamps the withdrawal of known alerts that corrected data no longer raise.
    reopened : bool
        Whether readings of concluded days have changed. If not, an alert that data stopped, which is
        no longer raised, has returned to normal: they come again.

    Returns
    -------
    alerts : tuple of Alert
        Every known alert, updated, and the new ones without a number, by date raised.
    """
    free = {id(a): a for a in known}
    merged: list[Alert] = []
    for event in sorted(events, key=lambda e: e.raised_utc):
        match = _nearest(event, free.values())
        if match is None:
            merged.append(_new(tag, event))
            continue
        del free[id(match)]
        merged.append(
            replace(
                match,
                raised_utc=event.raised_utc,
                ended_utc=event.ended_utc,
                remark=event.remark,
                withdrawn_utc=None,
            )
        )
    gone = (_gone(a, now_utc, reopened=reopened) for a in free.values())
    return _suppress(tuple(sorted((*merged, *gone), key=lambda a: a.raised_utc)), now_utc)


def _gone(alert: Alert, now_utc: datetime, *, reopened: bool) -> Alert:
    if alert.kind == DATA_STOPPED and not reopened and alert.withdrawn_utc is None:
        return replace(alert, ended_utc=alert.ended_utc or now_utc)
    return replace(alert, withdrawn_utc=alert.withdrawn_utc or now_utc)


def steps(
    before: Alert | None,
    after: Alert,
    *,
    concluded_utc: datetime | None,
    why: Callable[[datetime], Remark],
    now_utc: datetime,
) -> tuple[AlertStep, ...]:
    """Return what a new assessment did to an alert.

    Parameters
    ----------
    before : Alert or None
        As it was stored; ``None``: it is new.
    concluded_utc : datetime or None
        Days before it were concluded by the last assessment: a change there has a reason to be told.
    why : callable
        Returns what changed the conclusions of a day.
    """
    found: list[AlertStep] = []

    def add(what: StepKind, day_utc: datetime, *, always: bool = False) -> None:
        told = always or (concluded_utc is not None and day_utc < concluded_utc)
        found.append(
            AlertStep(
                what=what, at_utc=now_utc, raised_utc=after.raised_utc, ended_utc=after.ended_utc,
                reason=why(day_utc) if told else None,
            )
        )  # fmt: skip

    if before is None:
        add(StepKind.RAISED, after.raised_utc)
        if after.ended_utc is not None:
            add(StepKind.RETURNED, after.ended_utc)
        return tuple(found)
    if after.withdrawn_utc is not None:
        if before.withdrawn_utc is None:
            add(StepKind.WITHDRAWN, after.raised_utc, always=True)
        return tuple(found)
    if before.withdrawn_utc is not None:
        add(StepKind.RAISED_AGAIN, after.raised_utc, always=True)
    elif before.raised_utc != after.raised_utc:
        add(StepKind.DATED_ANEW, min(before.raised_utc, after.raised_utc), always=True)
    if before.ended_utc is None and after.ended_utc is not None:
        add(StepKind.RETURNED, after.ended_utc)
    elif before.ended_utc is not None and after.ended_utc is None:
        add(StepKind.ACTIVE_AGAIN, before.ended_utc, always=True)
    elif before.ended_utc and after.ended_utc and before.ended_utc != after.ended_utc:
        add(StepKind.END_DATED_ANEW, min(before.ended_utc, after.ended_utc), always=True)
    return tuple(found)


def _nearest(event: AlertEvent, known: Iterable[Alert]) -> Alert | None:
    same = [
        a
        for a in known
        if (str(a.kind), a.subject) == (str(event.kind), event.subject)
        and abs(a.raised_utc - event.raised_utc) <= _SAME_ALERT
    ]
    return min(same, key=lambda a: abs(a.raised_utc - event.raised_utc), default=None)


def _new(tag: str, event: AlertEvent) -> Alert:
    return Alert(
        number=None,
        tag=tag,
        kind=event.kind,
        subject=event.subject,
        raised_utc=event.raised_utc,
        ended_utc=event.ended_utc,
        remark=event.remark,
    )


def _suppress(alerts: tuple[Alert, ...], now_utc: datetime) -> tuple[Alert, ...]:
    """While the data have stopped, that is the one thing to act on; the others wait behind it."""
    stopped = any(a.kind == DATA_STOPPED and a.is_active(now_utc) for a in alerts)
    return tuple(
        replace(a, suppressed=stopped and a.kind != DATA_STOPPED and a.is_active(now_utc))
        for a in alerts
    )
