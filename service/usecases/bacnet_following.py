"""Follow devices until stopped: logs every quarter of an hour or so, present values every minute.

Both go through one node, as a network address can be had once.
"""

import asyncio
from collections.abc import Callable, Sequence
from threading import Event
from typing import Any

from sqlalchemy.exc import OperationalError

from analytics.vocabulary.errors import PlateledgerError
from service.register.bacnet import BacnetNetwork
from service.store import registered
from service.usecases.bacnet import fetch_logs, open_node, sentence
from service.usecases.ledger import Ledger
from service.usecases.polling import Asked, ask, devices_of, keep_asking
from service.usecases.value_spool import ValueSpool

_LOOK_s = 0.2
Report = Callable[[str], None]


def follow(ledger: Ledger, network: BacnetNetwork, stop: Event, report: Report) -> None:
    """Read logs and values until ``stop`` is set; what was left over from before is stored first.

    Raises
    ------
    IngestError
        If our own address cannot be used.
    """
    asyncio.run(_follow(ledger, network, stop, report))


def ask_once(ledger: Ledger, network: BacnetNetwork, report: Report) -> tuple[str, ...]:
    """Ask each device for its values once and store them; return the addresses that were silent."""
    return asyncio.run(_ask_once(ledger, network, report))


async def _follow(ledger: Ledger, network: BacnetNetwork, stop: Event, report: Report) -> None:
    spool = ValueSpool(ledger.settings.workspace)
    application = open_node(network)
    tasks = [
        asyncio.create_task(_keep_asking(application, asked, spool, network, report))
        for asked in _devices(ledger, network)
    ]
    tasks.append(asyncio.create_task(_keep_reading(ledger, application, network, spool, report)))
    try:
        while not stop.is_set():
            done, _ = await asyncio.wait(
                tasks, timeout=_LOOK_s, return_when=asyncio.FIRST_COMPLETED
            )
            for task in done:
                task.result()  # they go on for ever, unless something is wrong with the program
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        application.close()
        await _store(ledger, spool, report)


def _devices(ledger: Ledger, network: BacnetNetwork) -> tuple[Asked, ...]:
    with ledger.store.reading() as connection:
        plant = registered.load_plant(connection)
    return devices_of(network, {p.name: p.unit for p in plant.points})


async def _keep_asking(
    application: Any, asked: Asked, spool: ValueSpool, network: BacnetNetwork, report: Report
) -> None:
    from ingest.bacnet.client import BacnetDevice

    device = BacnetDevice(application, asked.address)
    await keep_asking(device, asked, spool, network.poll_s, report)


async def _keep_reading(
    ledger: Ledger, application: Any, network: BacnetNetwork, spool: ValueSpool, report: Report
) -> None:
    while True:
        try:
            outcomes = await fetch_logs(ledger.store, application, network)
            for outcome in outcomes:
                report(sentence(outcome))
            await _assess(ledger, [tag for o in outcomes for tag in o.tags])
        except OperationalError as exc:
            report(f"the database cannot be used, logs are read later: {exc.orig}")
        await _store(ledger, spool, report)
        await asyncio.sleep(network.every_s)


async def _assess(ledger: Ledger, tags: Sequence[str]) -> None:
    await asyncio.to_thread(ledger.assess_when_due, sorted(set(tags)))


async def _store(ledger: Ledger, spool: ValueSpool, report: Report) -> None:
    """Store what was spooled; what cannot be stored now waits."""
    spool.close_batch()
    try:
        done = await asyncio.to_thread(spool.store, ledger)
    except (PlateledgerError, OperationalError) as exc:
        report(f"the values wait in {spool.folder}: {exc}")
        return
    for name, outcome in done:
        if isinstance(outcome, str):
            report(f"{name}: refused and kept. {outcome}")
        else:
            report(f"{name}: {outcome.new_values:,} new values, {outcome.refused_rows} refused.")
            await _assess(ledger, outcome.tags)


async def _ask_once(ledger: Ledger, network: BacnetNetwork, report: Report) -> tuple[str, ...]:
    from ingest.bacnet.client import BacnetDevice

    spool = ValueSpool(ledger.settings.workspace)
    application = open_node(network)
    try:
        silent = []
        for asked in _devices(ledger, network):
            device = BacnetDevice(application, asked.address)
            if not await ask(device, asked, spool, report):
                silent.append(asked.address)
    finally:
        application.close()
    await _store(ledger, spool, report)
    return tuple(silent)
