"""What people do with alerts: see, acknowledge, shelve, take out of service."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from datetime import datetime
from typing import Any

from sqlalchemy import Connection

from analytics.vocabulary.errors import PlateledgerError
from analytics.vocabulary.records import AlertEvent, CauseKind
from service.alerts.lifecycle import DATA_STOPPED, Alert, merge
from service.store import alerts as rows
from service.store.codec import plain, remark_from
from service.store.store import Store


def all_alerts(store: Store, tag: str | None = None) -> tuple[Alert, ...]:
    """Return all alerts, newest first."""
    with store.reading() as connection:
        return tuple(_from_row(r) for r in rows.load_alerts(connection, tag=tag))


def take_over(
    connection: Connection, tag: str, events: Iterable[AlertEvent], *, now_utc: datetime
) -> None:
    """Store the alerts of a new assessment; what people did with known ones is kept."""
    known = tuple(_from_row(r) for r in rows.load_alerts(connection, tag=tag))
    merged = merge(known, events, tag=tag, now_utc=now_utc)
    rows.save_alerts(connection, tag, (_to_row(a) for a in merged))


def acknowledge(store: Store, number: int, *, by: str, now_utc: datetime) -> Alert:
    """Acknowledge an alert; once acknowledged, the first name and time stay."""

    def change(alert: Alert) -> Alert:
        if alert.acknowledged_utc is not None:
            return alert
        return replace(alert, acknowledged_utc=now_utc, acknowledged_by=by.strip())

    return _change(store, number, change)


def shelve(
    store: Store, number: int, *, until_utc: datetime | None, by: str, now_utc: datetime
) -> Alert:
    """Shelve an alert until then; ``None`` takes it off the shelf."""
    if until_utc is not None and until_utc <= now_utc:
        raise PlateledgerError(
            f"alert {number}: the shelf must end in the future, got {until_utc:%Y-%m-%d %H:%M} UTC."
        )
    return _change(
        store, number, lambda a: replace(a, shelved_until_utc=until_utc, shelved_by=by.strip())
    )


def put_out_of_service(store: Store, number: int, *, out: bool) -> Alert:
    """Take an alert out of service, or back into it."""
    return _change(store, number, lambda a: replace(a, out_of_service=out))


def _change(store: Store, number: int, change: Callable[[Alert], Alert]) -> Alert:
    with store.writing() as connection:
        found = rows.load_alerts(connection, number=number)
        if not found:
            raise PlateledgerError(
                f"alert {number}: there is none with this number. See: plateledger alerts"
            )
        changed = change(_from_row(found[0]))
        rows.save_alerts(connection, changed.tag, [_to_row(changed)])
    return changed


def _from_row(row: Mapping[str, Any]) -> Alert:
    values = {k: v for k, v in row.items() if k not in ("id", "exchanger_id")}
    kind = values["kind"]
    values["kind"] = kind if kind == DATA_STOPPED else CauseKind(kind)
    values["remark"] = remark_from(values["remark"])
    return Alert(number=row["id"], **values)


def _to_row(alert: Alert) -> dict[str, Any]:
    fields = ("tag", "subject", "raised_utc", "ended_utc", "acknowledged_utc", "acknowledged_by",
              "shelved_until_utc", "shelved_by", "out_of_service", "suppressed", "withdrawn_utc")  # fmt: skip
    values: dict[str, Any] = {name: getattr(alert, name) for name in fields}
    return {**values, "id": alert.number, "kind": str(alert.kind), "remark": plain(alert.remark)}
