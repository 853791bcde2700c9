"""Ask devices for present values, again and again; what comes is spooled and stored in batches.

Each device is asked on its own, at whole intervals, so that one which is silent holds up no other. A
device that does not answer is asked more and more seldom; each attempt is a record without a value, which
becomes a gap. So does the time before the first record: nobody asked then.
"""

import asyncio
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from analytics.vocabulary.errors import IngestError
from service.register.bacnet import BacnetNetwork, Value
from service.usecases.value_spool import ValueSpool

if TYPE_CHECKING:
    from ingest.bacnet.values import Source

_RETRY_MOST_s = 3600.0
Report = Callable[[str], None]


@dataclass(slots=True, kw_only=True)
class Asked:
    """A device and what came of asking it last."""

    address: str
    values: tuple[Value, ...]
    units: dict[str, str]  # by point, as registered
    together: bool = True  # takes several questions in one, as far as is known
    begun: bool = False
    failures: int = 0  # since its last answer
    said: dict[str, str] = field(default_factory=dict)  # by object, what was told of it last


def devices_of(network: BacnetNetwork, units: dict[str, str]) -> tuple[Asked, ...]:
    """Return the devices to ask, each with its objects; ``units`` by point, as registered."""
    addresses = dict.fromkeys(v.address for v in network.values)
    return tuple(
        Asked(
            address=address, values=tuple(v for v in network.values if v.address == address),
            units=units,
        )
        for address in addresses
    )  # fmt: skip


async def ask(source: "Source", asked: Asked, spool: ValueSpool, report: Report) -> bool:
    """Ask a device once; what it answers, or that it does not, is on disk when this returns.

    Returns
    -------
    answered : bool
    """
    from ingest.bacnet.values import failure, read_values

    now = datetime.fromtimestamp(round(time.time()), UTC)
    objects = [v.object for v in asked.values]
    stamp = now.isoformat().replace("+00:00", "Z")
    try:
        found = await read_values(source, objects, now, together=asked.together)
    except IngestError as exc:
        silent = {"timestamp": stamp, "log-datum": failure("communication", "timeout")}
        spool.write([_named(v, silent) for v in asked.values])
        asked.begun = True
        if not asked.failures:
            report(f"{exc} A gap from now on, until it answers.")
        asked.failures += 1
        return False
    if asked.failures:
        report(f"{asked.address}: answers again.")
    begin = {"timestamp": stamp, "log-datum": {"log-status": ["log-interrupted"]}}
    records = [] if asked.begun else [_named(v, begin) for v in asked.values]
    records += [_checked(asked, v, found.records[v.object], report) for v in asked.values]
    spool.write(records)
    asked.together, asked.begun, asked.failures = found.together, True, 0
    return True


def _named(value: Value, record: dict[str, Any]) -> dict[str, Any]:
    return {
        "object-name": value.point, "object-identifier": value.object, "device": value.instance,
        **record,
    }  # fmt: skip


def _checked(asked: Asked, value: Value, record: dict[str, Any], report: Report) -> dict[str, Any]:
    """Return a record for the file, and tell once what is odd about it.

    Units that are not known here would have the whole file refused, so the register's count.
    """
    from ingest.bacnet.values import known_units, units_sentence

    given, datum = record.get("units"), record["log-datum"]
    where = f"{value.instance} {value.object} ({value.point})"
    odd = units_sentence(where, given, asked.units[value.point])
    if "failure" in datum:
        odd = f"{where}: no value, {datum['failure']['error-code']}."
    elif set(record.get("status-flags", ())) & {"fault", "out-of-service", "overridden"}:
        flags = ", ".join(record["status-flags"])
        odd = f"{where}: flagged {flags}; the value is kept in the file and not used."
    if odd is not None and asked.said.get(value.object) != odd:
        report(odd)
    asked.said[value.object] = odd or ""
    named = _named(value, record)
    if known_units(given) is None:
        named.pop("units", None)
    return named


async def keep_asking(
    source: "Source", asked: Asked, spool: ValueSpool, every_s: float, report: Report
) -> None:
    """Ask a device at whole intervals until cancelled; more and more seldom while it is silent."""
    while True:
        await asyncio.sleep(until_next(time.time(), every_s))
        if not await ask(source, asked, spool, report):
            await asyncio.sleep(pause_s(asked.failures, every_s))


def pause_s(failures: int, every_s: float) -> float:
    """Return how long to leave a device alone that was silent so often, beyond the usual interval."""
    doubled = every_s * 2.0 ** min(failures, 20)
    return max(min(doubled, _RETRY_MOST_s) - every_s, 0.0)


def until_next(now_s: float, every_s: float) -> float:
    """Return how long it is to the next whole interval; one that has as good as come counts as gone."""
    left_s = every_s - now_s % every_s
    return left_s if left_s > 0.1 * every_s else left_s + every_s
