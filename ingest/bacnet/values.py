"""Present values of a device's objects, as log records: many in one question, or one by one.

Lives here: what is asked for, and what an answer means as a record. Not here: the network (``client``),
when to ask and where records go (the service). An answer that brings no number is a record too, with why.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol

from analytics.vocabulary.errors import IngestError, UnitError
from analytics.vocabulary.units import parse_unit
from ingest.bacnet.units import unit_of_name

PROPERTIES = ("present-value", "status-flags", "units")
FLAGS = ("in-alarm", "fault", "overridden", "out-of-service")  # bit 0 first
NO_UNITS = ("no-units", "95")
# Objects in one question: their answer fits the smallest APDU that is of any use (480 octets).
_TOGETHER = 8


class Refused(IngestError):
    """The device answered, but not with what was asked; ``code`` is its reason by the standard's name."""

    def __init__(self, text: str, code: str | None = None) -> None:
        super().__init__(text)
        self.code = code or text


class Source(Protocol):
    """What reading values needs of a device."""

    async def read(self, thing: str, name: str) -> Any:
        """Return a property; ``Refused`` where the device has none to give."""

    async def read_several(
        self, things: Sequence[str], names: Sequence[str]
    ) -> dict[tuple[str, str], Any]:
        """Return properties of several objects, a ``Refused`` in place of each that is not given."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Values:
    """Records of one asking, by object, and whether the device takes several questions in one."""

    records: dict[str, dict[str, Any]]
    together: bool


async def read_values(
    device: Source, things: Sequence[str], asked_utc: datetime, *, together: bool = True
) -> Values:
    """Ask for the present value, status flags and units of ``things``.

    ``together`` is what is known of the device: one that refuses ReadPropertyMultiple once is asked
    one by one from then on.

    Raises
    ------
    IngestError
        If the device does not answer at all.
    """
    found: dict[tuple[str, str], Any] = {}
    for first in range(0, len(things), _TOGETHER):
        part = things[first : first + _TOGETHER]
        if together:
            try:
                found |= await device.read_several(part, PROPERTIES)
                continue
            except Refused:
                together = False
        for thing in part:
            found |= await _one_by_one(device, thing)
    stamp = asked_utc.isoformat().replace("+00:00", "Z")
    return Values(
        records={t: {"timestamp": stamp, **_record(t, found)} for t in things}, together=together
    )


async def _one_by_one(device: Source, thing: str) -> dict[tuple[str, str], Any]:
    found: dict[tuple[str, str], Any] = {}
    for name in PROPERTIES:
        try:
            found[thing, name] = await device.read(thing, name)
        except Refused as exc:
            found[thing, name] = exc
            if name == PROPERTIES[0]:
                break  # without a value its flags and units tell nothing
    return found


def _record(thing: str, found: dict[tuple[str, str], Any]) -> dict[str, Any]:
    value = found.get((thing, "present-value"), Refused("not in the answer"))
    flags, units = found.get((thing, "status-flags")), found.get((thing, "units"))
    record: dict[str, Any] = {"log-datum": _datum(value)}
    if isinstance(flags, Sequence) and not isinstance(flags, str):
        record["status-flags"] = [n for n, bit in zip(FLAGS, flags, strict=False) if bit]
    if units is not None and not isinstance(units, Refused) and str(units) not in NO_UNITS:
        record["units"] = str(units)
    return record


def _datum(value: Any) -> dict[str, Any]:
    """Return a value as BACnetLogRecord has it; whole numbers cover binary and multi-state ones."""
    if isinstance(value, Refused):
        return failure("property", value.code)
    if value is None or value == ():
        return {"null-value": None}
    if isinstance(value, float):
        return {"real-value": float(value)}
    if isinstance(value, int):
        return {"integer-value": int(value)}
    return failure("property", f"no number: {str(value)[:40]}")


def failure(error_class: str, code: str) -> dict[str, Any]:
    """Return the datum of a value that could not be read."""
    return {"failure": {"error-class": error_class, "error-code": code}}


def known_units(name: str | None) -> str | None:
    """Return the project's unit for units that a device gives; ``None``: none, or none known here."""
    if name is None:
        return None
    try:
        return unit_of_name(name)
    except UnitError:
        return None


def units_sentence(where: str, given: str | None, registered: str) -> str | None:
    """Return what is odd about the units that a device gives against those registered.

    ``given`` by their name in the standard, ``registered`` as the project spells it.
    """
    if given is None:
        return None
    unit = known_units(given)
    if unit is None:
        return (
            f"{where} has the units {given}, which are not known here: read in {registered}, as "
            "registered. Look whether that is so."
        )
    if parse_unit(unit) == parse_unit(registered):
        return None
    return (
        f"{where} has the units {given}, the register says {registered}. "
        "Put the one right that is wrong."
    )
