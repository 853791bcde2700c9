"""Stored alerts, as plain rows; their life is ``service.alerts.lifecycle``."""

from collections.abc import Iterable, Mapping
from typing import Any

from sqlalchemy import Connection, insert, select, update

from service.store.registered import exchanger_id
from service.store.tables import AlertRow, ExchangerRow


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


def save_alerts(connection: Connection, tag: str, alerts: Iterable[Mapping[str, Any]]) -> None:
    """Store alerts of an exchanger; one whose ``id`` is ``None`` is new."""
    owner = exchanger_id(connection, tag)
    for alert in alerts:
        values = {k: v for k, v in alert.items() if k not in ("id", "tag")}
        values["exchanger_id"] = owner
        if alert["id"] is None:
            connection.execute(insert(AlertRow).values(**values))
        else:
            connection.execute(update(AlertRow).where(AlertRow.id == alert["id"]).values(**values))
