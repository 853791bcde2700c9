"""The maintenance log."""

from collections.abc import Iterable
from datetime import datetime, tzinfo

from sqlalchemy import Connection, delete, insert, select, update

from analytics.vocabulary.records import Deed, MaintenanceEvent
from service.register.maintenance import HOUR_OF_A_DAY
from service.store.registered import exchanger_id
from service.store.tables import ExchangerRow, MaintenanceRow


def add_events(
    connection: Connection, events: Iterable[MaintenanceEvent], *, now_utc: datetime, zone: tzinfo
) -> int:
    """Add entries that are not there yet, and return how many were added.

    Two entries of the same exchanger, moment, deed and instrument are the same entry; so are two of one
    day of which one is noted by the day alone, and then the one that names the time counts.
    """
    added = 0
    for event in events:
        number = exchanger_id(connection, event.tag)
        same = _same_entry(connection, number, event, zone)
        if same is None:
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
        elif same[1] != event.at_utc and _by_day_alone(same[1], zone):
            connection.execute(
                update(MaintenanceRow)
                .where(MaintenanceRow.id == same[0])
                .values(at_utc=event.at_utc, entered_utc=now_utc)
            )
    return added


def remove_event(connection: Connection, event: MaintenanceEvent, *, zone: tzinfo) -> bool:
    """Take an entry out of the log; return False where none is the same."""
    same = _same_entry(connection, exchanger_id(connection, event.tag), event, zone)
    if same is not None:
        connection.execute(delete(MaintenanceRow).where(MaintenanceRow.id == same[0]))
    return same is not None


def is_same_entry(one: MaintenanceEvent, other: MaintenanceEvent, zone: tzinfo) -> bool:
    """Tell whether two entries are one and the same; see :func:`add_events`."""
    alike = (one.tag, one.deed, one.role) == (other.tag, other.deed, other.role)
    return alike and _same_moment(one.at_utc, other.at_utc, zone)


def _same_entry(
    connection: Connection, number: int, event: MaintenanceEvent, zone: tzinfo
) -> tuple[int, datetime] | None:
    query = select(MaintenanceRow.id, MaintenanceRow.at_utc).where(
        MaintenanceRow.exchanger_id == number,
        MaintenanceRow.deed == str(event.deed),
        MaintenanceRow.role == (event.role or ""),
    )
    alike = [
        (abs(r.at_utc - event.at_utc), r.id, r.at_utc)
        for r in connection.execute(query)
        if _same_moment(r.at_utc, event.at_utc, zone)
    ]
    return min(alike)[1:] if alike else None


def _same_moment(one_utc: datetime, other_utc: datetime, zone: tzinfo) -> bool:
    if one_utc == other_utc:
        return True
    one_day = one_utc.astimezone(zone).date() == other_utc.astimezone(zone).date()
    return one_day and (_by_day_alone(one_utc, zone) or _by_day_alone(other_utc, zone))


def _by_day_alone(at_utc: datetime, zone: tzinfo) -> bool:
    return at_utc.astimezone(zone).time() == HOUR_OF_A_DAY


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
