"""Follow a log of a device by its sequence numbers: nothing lost, nothing twice, gaps told.

Lives here: what to ask for next and what the answer means, whatever carries the question
(``client.py`` on a network, a made-up device in the tests). Numbers are Unsigned32 and go from
2**32 - 1 to 1; a number that is no longer in the buffer brings no records (ASHRAE 135, clauses 12.25
and 15.8).
"""

import hashlib
import json
from dataclasses import dataclass, replace
from datetime import UTC, datetime, tzinfo
from typing import Any, Protocol

from analytics.vocabulary.errors import IngestError

_TURN = 2**32 - 1
_PLANS_MOST = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """Records of one answer, oldest first, in JSON by the standard's names."""

    first: int  # number of the first record; of no meaning without records
    records: tuple[dict[str, Any], ...]
    more: bool


class Device(Protocol):
    """What following needs of a device."""

    async def counts(self, log: str) -> tuple[int, int]:
        """Return the number of records in the buffer, and the number of the newest."""

    async def page(self, log: str, first: int, count: int) -> Page:
        """Return at most ``count`` records from number ``first`` on."""

    async def logged_units(self, log: str, instance: int) -> tuple[str | None, ...]:
        """Return the units of what is logged, by member; empty where nothing is told."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cursor:
    """How far a log was read. ``epoch`` rises with each wrap and each new beginning."""

    epoch: int = 0
    number: int | None = None  # None: nothing was read yet
    fingerprint: str = ""  # of the last record
    last_utc: datetime | None = None
    read: int = 0
    lost: int = 0  # records overwritten before they were read


@dataclass(frozen=True, slots=True, kw_only=True)
class Catch:
    """Records that came after a cursor, where the cursor is now, and what happened between."""

    records: tuple[dict[str, Any], ...]
    cursor: Cursor
    events: tuple[str, ...] = ()
    more: bool = False


def after(number: int, steps: int = 1) -> int:
    """Return the sequence number ``steps`` later; after 2**32 - 1 comes 1."""
    return (number - 1 + steps) % _TURN + 1


def fingerprint_of(record: dict[str, Any]) -> str:
    """Return what tells a record from another of the same number."""
    return hashlib.sha256(json.dumps(record, sort_keys=True).encode()).hexdigest()[:32]


async def catch_up(device: Device, log: str, cursor: Cursor, zone: tzinfo, page: int) -> Catch:
    """Read the next records of ``log``, one page.

    Raises
    ------
    IngestError
        If the device contradicts itself.
    """
    if cursor.number is not None:
        answer = await device.page(log, cursor.number, page + 1)
        if answer.records and fingerprint_of(answer.records[0]) == cursor.fingerprint:
            rest = replace(answer, first=after(cursor.number), records=answer.records[1:])
            return _caught(rest, cursor, zone, ())
    for _ in range(_PLANS_MOST):
        held, newest = await device.counts(log)
        if not held:
            return Catch(records=(), cursor=cursor)
        oldest = after(newest, 1 - held)
        start, planned, events = _plan(cursor, oldest, held, newest)
        answer = await device.page(log, start, page)
        if answer.records:
            return _caught(answer, planned, zone, events)
        # the log went on between the two questions, and what was planned is overwritten
    raise IngestError(
        f"{log}: the device counts records and gives none. Look whether it reads by sequence number."
    )


def _plan(
    cursor: Cursor, oldest: int, held: int, newest: int
) -> tuple[int, Cursor, tuple[str, ...]]:
    """Return from which number to read where the last record is not in the buffer as it was."""
    if cursor.number is None:
        return oldest, cursor, ()
    lost = (oldest - cursor.number - 1) % _TURN
    ahead = (newest - cursor.number) % _TURN
    if ahead >= held and lost < _TURN // 2:
        event = f"{lost} records were overwritten before they were read: a gap." if lost else ""
        return oldest, replace(cursor, lost=cursor.lost + lost), (event,) if event else ()
    began = replace(cursor, epoch=cursor.epoch + 1, number=None, fingerprint="")
    return oldest, began, ("the numbering began again: the log was set up anew.",)


def _caught(answer: Page, cursor: Cursor, zone: tzinfo, events: tuple[str, ...]) -> Catch:
    epoch, number, last_utc = cursor.epoch, answer.first - 1, cursor.last_utc
    records = []
    told = list(events)
    # numbers were left out, or begin anew: what came between is not known
    missing = cursor.number is None or after(cursor.number) != answer.first
    for place, record in enumerate(answer.records):
        number = after(answer.first, place)
        if (number == 1 and place) or (cursor.number is not None and number < cursor.number == number - 1 + _TURN):  # fmt: skip
            epoch += 1
            told.append("the sequence numbers ran over from 4294967295 to 1.")
        stamp_utc = utc_of(record["timestamp"], zone, last_utc)
        lost_from = _lost_from(record, stamp_utc, last_utc, missing=missing and not place)
        last_utc = stamp_utc or last_utc
        said = record["timestamp"]
        stamp = said if stamp_utc is None else _z(stamp_utc)
        records.append({
            **record, "sequence-number": number, "epoch": epoch, "timestamp": stamp,
            "local-timestamp": said, **lost_from,
        })  # fmt: skip
    if not records:
        return Catch(records=(), cursor=cursor, events=tuple(told))
    now = replace(
        cursor, epoch=epoch, number=number, fingerprint=fingerprint_of(answer.records[-1]),
        last_utc=last_utc, read=cursor.read + len(records),
    )  # fmt: skip
    return Catch(records=tuple(records), cursor=now, events=tuple(told), more=answer.more)


def _lost_from(
    record: dict[str, Any], stamp_utc: datetime | None, last_utc: datetime | None, *, missing: bool
) -> dict[str, str]:
    """Say from when on records before this one may be missing, as far as its file alone cannot tell.

    An interruption is about the time before it; a purge, after which the numbers go on, is not.
    """
    datum = record.get("log-datum") or record.get("log-data") or {}
    status = datum.get("log-status", ()) if isinstance(datum, dict) else ()
    since = last_utc if missing or "log-interrupted" in status else None
    if since is None and "buffer-purged" in status and last_utc is not None:
        since = stamp_utc
    return {} if since is None else {"gap-from": _z(since)}


def _z(moment: datetime) -> str:
    return moment.isoformat().replace("+00:00", "Z")


def utc_of(stamp: dict[str, str], zone: tzinfo, last_utc: datetime | None) -> datetime | None:
    """Return a device's local stamp in UTC; ``None`` where a part of it is not given.

    An hour that comes twice is told by the record before: time goes on.
    """
    try:
        local = datetime.fromisoformat(f"{stamp['date']}T{stamp['time']}0")  # hundredths
    except ValueError:
        return None
    first, second = (local.replace(tzinfo=zone, fold=f).astimezone(UTC) for f in (0, 1))
    if last_utc is not None and first < last_utc <= second:
        return second
    return first
