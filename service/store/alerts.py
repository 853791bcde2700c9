"""Stored alerts, as plain rows; their life is ``service.alerts.lifecycle``."""

from collections.abc import Iterable, Mapping
from typing import Any

from sqlalchemy import Connection, insert, select, update

from service.store.registered import exchanger_id
from service.store.tables import AlertRow, AlertStepRow, ExchangerRow


def load_alerts(
    connection: Connection, *, tag: str | None = None, number: int | None = None
) -> tuple[Mapping[str, Any], ...]:
    """Return alerts of registered exchangers with their tag, newest first."""
    query = (
        select(ExchangerRow.tag, AlertRow.__table__)
        .join(ExchangerRow, ExchangerRow.id == AlertRow.exchanger_id)
        .where(ExchangerRow.registered)
        .order_by(AlertRow.raised_utc.desc(), AlertRow.id.desc())
    )
    if tag is not None:
        query = query.where(ExchangerRow.tag == tag)
    if number is not None:
        query = query.where(AlertRow.id == number)
    return tuple(dict(r) for r in connection.execute(query).mappings())


def load_steps(
    connection: Connection, numbers: Iterable[int]
) -> Mapping[int, list[Mapping[str, Any]]]:
    """Return the steps of alerts, oldest first, by the alert's number."""
    query = (
        select(AlertStepRow.__table__)
        .where(AlertStepRow.alert_id.in_(list(numbers)))
        .order_by(AlertStepRow.id)
    )
    found: dict[int, list[Mapping[str, Any]]] = {}
    for row in connection.execute(query).mappings():
        found.setdefault(row["alert_id"], []).append(dict(row))
    return found


def add_steps(connection: Connection, number: int, steps: Iterable[Mapping[str, Any]]) -> None:
    """Add steps to the history of an alert."""
    rows = [{"alert_id": number, **step} for step in steps]
    if rows:
        connection.execute(insert(AlertStepRow), rows)


def save_alerts(
    connection: Connection, tag: str, alerts: Iterable[Mapping[str, Any]]
) -> tuple[int, ...]:
    """Store alerts of an exchanger and return their numbers; one whose ``id`` is ``None`` is new."""
    numbers: list[int] = []
    owner = exchanger_id(connection, tag)
    for alert in alerts:
        values = {k: v for k, v in alert.items() if k not in ("id", "tag")}
        values["exchanger_id"] = owner
        if alert["id"] is None:
            new = insert(AlertRow).values(**values).returning(AlertRow.id)
            numbers.append(connection.execute(new).scalar_one())
        else:
            connection.execute(update(AlertRow).where(AlertRow.id == alert["id"]).values(**values))
            numbers.append(alert["id"])
    return tuple(numbers)
