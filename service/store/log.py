"""The maintenance log."""

from collections.abc import Iterable
from datetime import datetime

from sqlalchemy import Connection, insert, select

from analytics.vocabulary.records import Deed, MaintenanceEvent
from service.store.registered import exchanger_id
from service.store.tables import ExchangerRow, MaintenanceRow


def add_events(
    connection: Connection, events: Iterable[MaintenanceEvent], *, now_utc: datetime
) -> int:
    """Add entries that are not there yet, and return how many were added.

    Two entries of the same exchanger, moment, deed and instrument are the same entry.
    """
    added = 0
    for event in events:
        number = exchanger_id(connection, event.tag)
        same = select(MaintenanceRow.id).where(
            MaintenanceRow.exchanger_id == number,
            MaintenanceRow.at_utc == event.at_utc,
            MaintenanceRow.deed == str(event.deed),
            MaintenanceRow.role == (event.role or ""),
        )
        if connection.scalar(same) is not None:
            continue
        connection.execute(
            insert(MaintenanceRow).values(
                exchanger_id=number,
                at_utc=event.at_utc,
                deed=str(event.deed),
                role=event.role or "",
                plates_after=event.plates_after,
                note=event.note,
                entered_utc=now_utc,
            )
        )
        added += 1
    return added


def entered_since(
    connection: Connection, tag: str, since_utc: datetime
) -> tuple[MaintenanceEvent, ...]:
    """Return the entries of an exchanger that were added to the log after a moment, oldest first."""
    number = exchanger_id(connection, tag)
    query = select(MaintenanceRow.at_utc, MaintenanceRow.deed, MaintenanceRow.role).where(
        MaintenanceRow.exchanger_id == number, MaintenanceRow.entered_utc > since_utc
    )
    found = {(r.at_utc, r.deed, r.role) for r in connection.execute(query)}
    return tuple(
        e for e in load_events(connection, tag) if (e.at_utc, str(e.deed), e.role or "") in found
    )


def load_events(connection: Connection, tag: str | None = None) -> tuple[MaintenanceEvent, ...]:
    """Return the log, oldest first; of one exchanger or of all registered ones."""
    query = (
        select(ExchangerRow.tag, MaintenanceRow.__table__)
        .join(ExchangerRow, ExchangerRow.id == MaintenanceRow.exchanger_id)
        .where(ExchangerRow.registered)
        .order_by(MaintenanceRow.at_utc, ExchangerRow.position, MaintenanceRow.id)
    )
    if tag is not None:
        query = query.where(ExchangerRow.tag == tag)
    return tuple(
        MaintenanceEvent(
            tag=row.tag,
            at_utc=row.at_utc,
            deed=Deed(row.deed),
            role=row.role or None,
            plates_after=row.plates_after,
            note=row.note,
        )
        for row in connection.execute(query)
    )
