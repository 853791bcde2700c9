"""What people do with alerts: see, acknowledge, shelve, take out of service."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import Connection

from analytics.vocabulary.errors import PlateledgerError
from analytics.vocabulary.records import AlertEvent, CauseKind, MaintenanceEvent, Remark
from service.alerts.lifecycle import (
    DATA_STOPPED,
    Alert,
    AlertStep,
    StepKind,
    merge,
    steps,
)
from service.store import alerts as rows
from service.store.codec import plain, remark_from
from service.store.store import Store
from service.usecases.reopening import Reopened, reason_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Since:
    """What changed since the last assessment.

    Attributes
    ----------
    concluded_utc : days before it were concluded then
    reopened : days among them whose readings differ now
    entered : entries of the log that were added since
    """

    concluded_utc: datetime
    reopened: tuple[Reopened, ...]
    entered: tuple[MaintenanceEvent, ...]

    def why(self, day_utc: datetime) -> Remark:
        """Return what can have changed the conclusions of a day."""
        by_readings = reason_of(self.reopened, day_utc)
        if by_readings is not None:
            return by_readings
        entered = [e for e in self.entered if e.at_utc.date() <= day_utc.date()] or self.entered
        if entered:
            at = entered[0].at_utc
            words = {"deed": str(entered[0].deed), "day": f"{at.day} {at:%B %Y}"}
            return Remark(code="log_entered", words=words)
        return Remark(code="assessed_anew")


def all_alerts(store: Store, tag: str | None = None) -> tuple[Alert, ...]:
    """Return all alerts with their history, newest first."""
    with store.reading() as connection:
        return _load(connection, tag=tag)


def take_over(
    connection: Connection,
    tag: str,
    events: Iterable[AlertEvent],
    *,
    now_utc: datetime,
    since: Since | None = None,
) -> None:
    """Store the alerts of a new assessment; what people did with known ones is kept.

    ``since`` is what changed since the last assessment; ``None``: this is the first.
    """
    known = _load(connection, tag=tag)
    changed = since is None or bool(since.reopened)
    merged = merge(known, events, tag=tag, now_utc=now_utc, reopened=changed)
    numbers = rows.save_alerts(connection, tag, (_to_row(a) for a in merged))
    before = {a.number: a for a in known}
    for number, alert in zip(numbers, merged, strict=True):
        found = steps(
            before.get(alert.number), alert, now_utc=now_utc,
            concluded_utc=None if since is None else since.concluded_utc,
            why=_no_reason if since is None else since.why,
        )  # fmt: skip
        rows.add_steps(connection, number, (_step_row(s) for s in found))


def _no_reason(day_utc: datetime) -> Remark:
    del day_utc
    return Remark(code="assessed_anew")


def acknowledge(store: Store, number: int, *, by: str, now_utc: datetime) -> Alert:
    """Acknowledge an alert; once acknowledged, the first name and time stay."""

    def change(alert: Alert) -> Alert:
        if alert.acknowledged_utc is not None:
            return alert
        return replace(alert, acknowledged_utc=now_utc, acknowledged_by=by.strip())

    return _change(store, number, change, StepKind.ACKNOWLEDGED, by=by, now_utc=now_utc)


def shelve(
    store: Store, number: int, *, until_utc: datetime | None, by: str, now_utc: datetime
) -> Alert:
    """Shelve an alert until then; ``None`` takes it off the shelf."""
    if until_utc is not None and until_utc <= now_utc:
        raise PlateledgerError(
            f"alert {number}: the shelf must end in the future, got {until_utc:%Y-%m-%d %H:%M} UTC."
        )
    return _change(
        store, number, lambda a: replace(a, shelved_until_utc=until_utc, shelved_by=by.strip()),
        StepKind.UNSHELVED if until_utc is None else StepKind.SHELVED, by=by, now_utc=now_utc,
    )  # fmt: skip


def put_out_of_service(store: Store, number: int, *, out: bool, now_utc: datetime) -> Alert:
    """Take an alert out of service, or back into it."""
    what = StepKind.REMOVED_FROM_SERVICE if out else StepKind.RETURNED_TO_SERVICE
    return _change(
        store, number, lambda a: replace(a, out_of_service=out), what, by="", now_utc=now_utc
    )


def _change(
    store: Store, number: int, change: Callable[[Alert], Alert], what: StepKind, *, by: str,
    now_utc: datetime,
) -> Alert:  # fmt: skip
    with store.writing() as connection:
        found = _load(connection, number=number)
        if not found:
            raise PlateledgerError(
                f"alert {number}: there is none with this number. See: plateledger alerts"
            )
        changed = change(found[0])
        if changed == found[0]:
            return changed
        rows.save_alerts(connection, changed.tag, [_to_row(changed)])
        step = AlertStep(
            what=what, at_utc=now_utc, raised_utc=changed.raised_utc, ended_utc=changed.ended_utc,
            by=by.strip(),
        )  # fmt: skip
        rows.add_steps(connection, number, [_step_row(step)])
    return replace(changed, history=(*changed.history, step))


def _load(
    connection: Connection, *, tag: str | None = None, number: int | None = None
) -> tuple[Alert, ...]:
    found = rows.load_alerts(connection, tag=tag, number=number)
    history = rows.load_steps(connection, [r["id"] for r in found])
    return tuple(_from_row(r, history.get(r["id"], ())) for r in found)


def _from_row(row: Mapping[str, Any], history: Iterable[Mapping[str, Any]]) -> Alert:
    values = {k: v for k, v in row.items() if k not in ("id", "exchanger_id")}
    kind = values["kind"]
    values["kind"] = kind if kind == DATA_STOPPED else CauseKind(kind)
    values["remark"] = remark_from(values["remark"])
    return Alert(number=row["id"], history=tuple(_step_from(s) for s in history), **values)


def _step_from(row: Mapping[str, Any]) -> AlertStep:
    reason = row["reason"]
    return AlertStep(
        what=StepKind(row["what"]), at_utc=row["at_utc"], raised_utc=row["raised_utc"],
        ended_utc=row["ended_utc"], by=row["by"],
        reason=None if reason is None else remark_from(reason),
    )  # fmt: skip


def _step_row(step: AlertStep) -> dict[str, Any]:
    return {
        "at_utc": step.at_utc, "what": str(step.what), "raised_utc": step.raised_utc,
        "ended_utc": step.ended_utc, "by": step.by,
        "reason": None if step.reason is None else plain(step.reason),
    }  # fmt: skip


def _to_row(alert: Alert) -> dict[str, Any]:
    fields = ("tag", "subject", "raised_utc", "ended_utc", "acknowledged_utc", "acknowledged_by",
              "shelved_until_utc", "shelved_by", "out_of_service", "suppressed", "withdrawn_utc")  # fmt: skip
    values: dict[str, Any] = {name: getattr(alert, name) for name in fields}
    return {**values, "id": alert.number, "kind": str(alert.kind), "remark": plain(alert.remark)}
