"""The register as the database keeps it: the plant, its exchangers, when a reader last looked."""

from collections.abc import Mapping
from datetime import datetime
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, delete, insert, select, union, update

from analytics.vocabulary.errors import RegisterError
from service.register.plant import STALE_AFTER_DAYS, Plant
from service.store.codec import (
    exchanger_from,
    exchanger_snapshot,
    plain,
    points_from,
    units_from,
)
from service.store.tables import (
    AlertRow,
    EvaluationRow,
    ExchangerRow,
    PlantRow,
    SeenRow,
    reading_block,
)


def save_plant(connection: Connection, plant: Plant, *, now_utc: datetime) -> None:
    """Store the plant; exchangers no longer registered keep their readings but are not shown."""
    snapshot = {
        "name": plant.name,
        "zone": plant.zone.key,
        "logger_zone": plant.logger_zone,
        "units": plain(plant.units),
        "stale_after_days": plant.stale_after_days,
        "points": plain(plant.points),
        "notes": {tag: list(notes) for tag, notes in plant.notes.items()},
    }
    connection.execute(delete(PlantRow))
    connection.execute(insert(PlantRow).values(id=1, snapshot=snapshot, registered_utc=now_utc))
    connection.execute(update(ExchangerRow).values(registered=False))
    known = set(connection.scalars(select(ExchangerRow.tag)))
    rows = [
        {
            "tag": e.tag,
            "position": position,
            "registered": True,
            "snapshot": exchanger_snapshot(e),
        }
        for position, e in enumerate(plant.exchangers)
    ]
    fresh = [{**row, "data_version": 0} for row in rows if row["tag"] not in known]
    if fresh:
        connection.execute(insert(ExchangerRow), fresh)
    for row in rows:
        if row["tag"] in known:
            connection.execute(
                update(ExchangerRow).where(ExchangerRow.tag == row["tag"]).values(**row)
            )


def load_plant(connection: Connection) -> Plant:
    """Return the plant as registered last.

    Raises
    ------
    RegisterError
        If none is.
    """
    snapshot = connection.execute(select(PlantRow.snapshot)).scalar()
    if snapshot is None:
        raise RegisterError(
            "nothing is registered in this ledger yet. Write the register (plateledger init), "
            "then load it: plateledger register"
        )
    rows = connection.scalars(
        select(ExchangerRow.snapshot).where(ExchangerRow.registered).order_by(ExchangerRow.position)
    )
    return Plant(
        name=snapshot["name"],
        zone=ZoneInfo(snapshot["zone"]),
        logger_zone=snapshot.get("logger_zone"),  # registers loaded before know none
        exchangers=tuple(exchanger_from(s) for s in rows),
        points=points_from(snapshot["points"]),
        units=units_from(snapshot["units"]),
        stale_after_days=snapshot.get("stale_after_days", STALE_AFTER_DAYS),
        notes={tag: tuple(notes) for tag, notes in snapshot["notes"].items()},
    )


def is_registered(connection: Connection) -> bool:
    """Tell whether a plant was loaded into the database."""
    return connection.execute(select(PlantRow.id)).first() is not None


def exchanger_ids(connection: Connection) -> Mapping[str, int]:
    """Return the database's number of each registered exchanger, by tag, in register order."""
    rows = connection.execute(
        select(ExchangerRow.tag, ExchangerRow.id)
        .where(ExchangerRow.registered)
        .order_by(ExchangerRow.position)
    )
    return {row.tag: row.id for row in rows}


def exchanger_id(connection: Connection, tag: str) -> int:
    """Return the database's number of an exchanger.

    Raises
    ------
    RegisterError
        If it is not registered.
    """
    found = connection.scalar(
        select(ExchangerRow.id).where(ExchangerRow.tag == tag, ExchangerRow.registered)
    )
    if found is None:
        raise RegisterError(
            f'no exchanger "{tag}" in this ledger. Add it to the register and load it: '
            "plateledger register"
        )
    return found


def stored_number(connection: Connection, tag: str) -> int | None:
    """Return the database's number of an exchanger that was ever registered; ``None`` of any other."""
    return connection.scalar(select(ExchangerRow.id).where(ExchangerRow.tag == tag))


def with_history(connection: Connection) -> frozenset[str]:
    """Return the exchangers, registered or not, that have readings, an assessment or an alert."""
    held = union(
        select(reading_block.c.exchanger_id),
        select(EvaluationRow.exchanger_id),
        select(AlertRow.exchanger_id),
    )
    return frozenset(connection.scalars(select(ExchangerRow.tag).where(ExchangerRow.id.in_(held))))


def last_seen(connection: Connection, view: str) -> datetime | None:
    """Return when a reader last looked at ``view``."""
    return connection.scalar(select(SeenRow.at_utc).where(SeenRow.view == view))


def mark_seen(connection: Connection, view: str, now_utc: datetime) -> None:
    """Remember that a reader looks at ``view`` now."""
    connection.execute(delete(SeenRow).where(SeenRow.view == view))
    connection.execute(insert(SeenRow).values(view=view, at_utc=now_utc))
