"""Read the trend logs of BACnet devices; how far each was read is stored with its readings.

What comes is kept as a file of log records and goes the way of every file.
"""

import asyncio
import json
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime, tzinfo
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection

from analytics.vocabulary.errors import PlateledgerError
from service.register.bacnet import BacnetNetwork, Log
from service.register.plant import Plant
from service.store import bacnet, registered
from service.store.store import Store
from service.usecases.files import ImportOptions
from service.usecases.importing import store_file

if TYPE_CHECKING:
    from ingest.bacnet.client import BacnetDevice
    from ingest.bacnet.following import Catch, Cursor, Device

_AT_ONCE = 5_000  # records in one transaction
_OPTIONS = ImportOptions(accept=True)  # a log that waits for an answer is overwritten meanwhile
Report = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class LogOutcome:
    """What was read from a log."""

    log: Log
    records: int = 0
    new_values: int = 0
    tags: tuple[str, ...] = ()
    events: tuple[str, ...] = ()
    failed: str | None = None


def fetch(store: Store, network: BacnetNetwork) -> tuple[LogOutcome, ...]:
    """Read all logs up to their newest records; a log that fails leaves the others alone.

    Raises
    ------
    IngestError
        If our own address cannot be used.
    """
    return asyncio.run(_fetch(store, network))


async def _fetch(store: Store, network: BacnetNetwork) -> tuple[LogOutcome, ...]:
    application = open_node(network)
    try:
        return await fetch_logs(store, application, network)
    finally:
        application.close()


def open_node(network: BacnetNetwork) -> Any:
    """Return our own node on the network; see ``ingest.bacnet.client.open_application``."""
    from ingest.bacnet.client import open_application

    return open_application(network.address, network.instance, network.timeout_s, network.retries)


async def fetch_logs(
    store: Store, application: Any, network: BacnetNetwork
) -> tuple[LogOutcome, ...]:
    """Read all logs through a node that is open; see :func:`fetch`."""
    from ingest.bacnet.client import BacnetDevice

    outcomes = []
    clocks_read: set[tuple[str, int]] = set()
    for log in network.logs:
        device = BacnetDevice(application, log.address)
        try:
            outcome = await fetch_log(store, device, log, network.page)
            if (log.address, log.instance) not in clocks_read:
                clocks_read.add((log.address, log.instance))
                told = await _clock_told(store, device, log.instance)
                outcome = replace(outcome, events=outcome.events + told)
            outcomes.append(outcome)
        except PlateledgerError as exc:
            outcomes.append(LogOutcome(log=log, failed=str(exc)))
    return tuple(outcomes)


async def _clock_told(store: Store, device: "BacnetDevice", instance: int) -> tuple[str, ...]:
    from ingest.bacnet.clock import clock_findings

    clock = await device.clock(instance)
    if clock is None:
        return ()
    with store.reading() as connection:
        plant = registered.load_plant(connection)
    whose = "the site's" if plant.logger_zone is None else "the loggers'"
    return clock_findings(clock, datetime.now(UTC), _clock_of(plant), whose)


def _clock_of(plant: Plant) -> tzinfo:
    """Return the clock by which devices stamp their records: the loggers', else the site's."""
    from ingest.rules import clock_of

    return clock_of(plant.logger_zone, plant.zone)


async def fetch_log(store: Store, device: "Device", log: Log, page: int) -> LogOutcome:
    """Read a log up to its newest record, some thousand records a transaction.

    Raises
    ------
    IngestError
        If the device does not answer or contradicts itself. What was stored before stays, and the
        next call goes on from there.
    """
    records, new_values = 0, 0
    tags: dict[str, None] = {}
    events: list[str] = []
    units: _Units | None = None
    more = True
    while more:
        cursor, zone = _begin(store, log)
        caught: list[dict[str, Any]] = []
        told: list[str] = []
        while more and len(caught) < _AT_ONCE:
            catch = await _next(device, log, cursor, zone, page)
            cursor, more = catch.cursor, catch.more
            caught += catch.records
            told += catch.events
        if caught:
            if units is None:
                units = await _units(store, device, log)
                events += units.events
            # in a thread: values are asked for meanwhile
            outcome = await asyncio.to_thread(_store, store, log, caught, cursor, units.given)
            records, new_values = records + len(caught), new_values + outcome.new_values
            tags |= dict.fromkeys(outcome.tags)
        events += told
    return LogOutcome(
        log=log, records=records, new_values=new_values, tags=tuple(tags), events=tuple(events)
    )


async def _next(device: "Device", log: Log, cursor: "Cursor", zone: tzinfo, page: int) -> "Catch":
    from ingest.bacnet.following import catch_up

    return await catch_up(device, log.object, cursor, zone, page)


def _begin(store: Store, log: Log) -> "tuple[Cursor, tzinfo]":
    from ingest.bacnet.following import Cursor

    with store.reading() as connection:
        state = bacnet.log_state(connection, log.instance, log.object)
        zone = _clock_of(registered.load_plant(connection))
    if state is None:
        return Cursor(), zone
    names = ("epoch", "number", "fingerprint", "last_utc", "read", "lost")
    return Cursor(**{n: state[n] for n in names}), zone


@dataclass(frozen=True, slots=True, kw_only=True)
class _Units:
    """What goes into the file as units, and what is odd about them."""

    given: str | list[str] | None
    events: tuple[str, ...]


async def _units(store: Store, device: "Device", log: Log) -> _Units:
    """Return the units of a log: those of its entry, else those of the object that it logs.

    Units that are not known here would have the whole file refused, so the register's count.
    """
    from ingest.bacnet.values import known_units, units_sentence

    told = await device.logged_units(log.object, log.instance)
    multiple = log.object.startswith("trend-log-multiple")
    with store.reading() as connection:
        registered_units = {p.name: p.unit for p in registered.load_plant(connection).points}
    events = []
    for place, units in enumerate(told, 1):
        name = f"{log.point} member {place}" if multiple else log.point
        unit = registered_units.get(name) if log.units is None else known_units(log.units)
        sentence = (
            None if unit is None else units_sentence(f"what is logged as {name}", units, unit)
        )
        events += [] if sentence is None else [sentence]
    usable = [u if u is not None and known_units(u) is not None else "" for u in told]
    if log.units is not None or not any(usable):
        return _Units(given=log.units, events=tuple(events))
    return _Units(given=usable if multiple else usable[0], events=tuple(events))


def _store(
    store: Store, log: Log, records: list[dict[str, Any]], cursor: "Cursor",
    units: str | list[str] | None,
) -> Any:  # fmt: skip
    common: dict[str, Any] = {
        "object-name": log.point, "object-identifier": log.object, "device": log.instance
    }  # fmt: skip
    if units is not None:
        common["units"] = units
    data = "".join(json.dumps({**common, **r}) + "\n" for r in records).encode()
    name = f"bacnet {log.instance} {log.object} {cursor.epoch}-{cursor.number}.jsonl"
    seen_utc = datetime.now(UTC)

    def remember(connection: Connection) -> None:
        bacnet.set_log_state(
            connection, log.instance, log.object, seen_utc=seen_utc, **asdict(cursor)
        )

    outcome = store_file(store, name, data, _OPTIONS, beside=remember)
    if outcome.repeated:
        # the very records were imported before, as a file of their own
        with store.writing() as connection:
            remember(connection)
    return outcome


def sentence(outcome: LogOutcome) -> str:
    """Return what was read from a log, in a sentence."""
    where = f"{outcome.log.instance} {outcome.log.object} ({outcome.log.point})"
    if outcome.failed is not None:
        return f"{where}: not read. {outcome.failed}"
    told = "".join(f" {e}" for e in outcome.events)
    return f"{where}: {outcome.records:,} records, {outcome.new_values:,} new values.{told}"
