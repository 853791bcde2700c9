"""Ask devices on a BACnet/IP network, by bacpypes3. Read-only by construction.

Nothing is ever written, subscribed or broadcast; of what others ask, only what a device must tell of
itself is answered (ReadProperty, Who-Is). One question at a time.
"""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from analytics.vocabulary.errors import IngestError
from ingest.bacnet.clock import DeviceClock
from ingest.bacnet.following import Page
from ingest.bacnet.values import NO_UNITS, Refused

_ANSWERED = frozenset(
    {"do_ReadPropertyRequest", "do_ReadPropertyMultipleRequest", "do_WhoIsRequest"}
)


def _read_only_class() -> Any:
    try:
        from bacpypes3.errors import ExecutionError
        from bacpypes3.ipv4.app import NormalApplication
    except ImportError:
        raise IngestError(
            'the BACnet client is not installed. Install it: pip install "plateledger[bacnet]"'
        ) from None

    async def refuse(_self: Any, _apdu: Any) -> None:
        raise ExecutionError(errorClass="services", errorCode="serviceRequestDenied")

    served = [n for n in dir(NormalApplication) if n.startswith("do_") and n not in _ANSWERED]
    return type("ReadOnlyApplication", (NormalApplication,), dict.fromkeys(served, refuse))


def open_application(address: str, instance: int, timeout_s: float = 3.0, retries: int = 1) -> Any:
    """Return our own node on the network, at ``address`` ("192.0.2.10/24:47808") alone.

    A device that does not answer within ``timeout_s`` is asked ``retries`` times more.

    Raises
    ------
    IngestError
        If the address cannot be used, or the library is not installed.
    """
    application = _read_only_class()
    from bacpypes3.object import DeviceObject
    from bacpypes3.pdu import IPv4Address

    device = DeviceObject(
        objectIdentifier=("device", instance), objectName=f"plateledger-{instance}",
        vendorIdentifier=0, maxApduLengthAccepted=1476, segmentationSupported="segmented-both",
        maxSegmentsAccepted=16, apduTimeout=round(timeout_s * 1000), apduSegmentTimeout=1000,
        numberOfApduRetries=retries,
    )  # fmt: skip
    try:
        return application(device, IPv4Address(address))
    except (OSError, ValueError) as exc:
        raise IngestError(f"BACnet address {address!r} cannot be used: {exc}.") from exc


class BacnetDevice:
    """One device on the network; the ``Device`` of ``following.py``."""

    def __init__(self, application: Any, address: str) -> None:
        self._application, self._address = application, address

    async def counts(self, log: str) -> tuple[int, int]:
        """Return Record_Count and Total_Record_Count of a log."""
        return int(await self.read(log, "record-count")), int(
            await self.read(log, "total-record-count")
        )

    async def read(self, thing: str, name: str) -> Any:
        """Return a property.

        Raises
        ------
        IngestError
            If the device does not answer, or answers with an error (``Refused``).
        """
        from bacpypes3.apdu import ErrorRejectAbortNack

        try:
            value = await self._application.read_property(self._address, thing, name)
        except ErrorRejectAbortNack as exc:
            value = exc
        except (ValueError, TypeError, AttributeError) as exc:
            raise Refused(f"{self._address}, {thing}, {name}: cannot be read: {exc}.") from exc
        if isinstance(value, ErrorRejectAbortNack):
            raise self._failed(thing, name, value)
        return value

    async def read_several(
        self, things: Sequence[str], names: Sequence[str]
    ) -> dict[tuple[str, str], Any]:
        """Return properties of several objects by ReadPropertyMultiple; ``Refused`` for each not given.

        Raises
        ------
        IngestError
            If the device does not answer, or not to this service (``Refused``).
        """
        from bacpypes3.apdu import ErrorRejectAbortNack
        from bacpypes3.basetypes import ErrorType
        from bacpypes3.pdu import Address

        asked = [part for thing in things for part in (thing, list(names))]
        try:
            answer = await self._application.read_property_multiple(Address(self._address), asked)
        except ErrorRejectAbortNack as exc:
            answer = exc
        except (ValueError, TypeError, AttributeError) as exc:
            raise Refused(f"{self._address}: several at once cannot be read: {exc}.") from exc
        if not isinstance(answer, list):
            raise self._failed(things[0], names[0], answer)
        found = {(str(thing), str(name)): value for thing, name, _, value in answer}
        return {
            key: Refused(str(value.errorCode)) if isinstance(value, ErrorType) else value
            for key, value in found.items()
        }

    async def clock(self, instance: int) -> DeviceClock | None:
        """Return the device's clock; ``None`` where it shows none, or only a part of it."""
        thing = f"device,{instance}"
        date = await self._optional(thing, "local-date")
        time = await self._optional(thing, "local-time")
        if date is None or time is None or await self._optional(thing, "local-date") != date:
            return None  # not told, or midnight went by between the two
        offset = await self._optional(thing, "utc-offset")
        daylight = await self._optional(thing, "daylight-savings-status")
        try:
            local = datetime(  # noqa: DTZ001 - a device shows local time without a zone
                date[0] + 1900, date[1], date[2], time[0], time[1], time[2], time[3] * 10_000
            )
        except ValueError:  # parts that are not specified are 255
            return None
        return DeviceClock(
            local=local,
            utc_offset_min=None if offset is None else int(offset),
            daylight=None if daylight is None else bool(daylight),
        )

    async def logged_units(self, log: str, instance: int) -> tuple[str | None, ...]:
        """Return the units of what a log logs, one for each member, by their name in the standard.

        ``None`` where they are not told: another device's object, another property than its present
        value, an object without units. Empty where the log does not say what it logs.
        """
        references = await self._optional(log, "log-device-object-property")
        if references is None:
            return ()
        single = not isinstance(references, Sequence)
        units: list[str | None] = []
        for reference in [references] if single else references:
            device = reference.deviceIdentifier
            here = device is None or str(device) == f"device,{instance}"
            if not here or str(reference.propertyIdentifier) != "present-value":
                units.append(None)
                continue
            said = await self._optional(str(reference.objectIdentifier), "units")
            units.append(None if said is None or str(said) in NO_UNITS else str(said))
        return tuple(units)

    async def _optional(self, thing: str, name: str) -> Any:
        try:
            return await self.read(thing, name)
        except IngestError:
            return None

    async def page(self, log: str, first: int, count: int) -> Page:
        """Return records of the log's buffer by sequence number."""
        from bacpypes3.apdu import ErrorRejectAbortNack, ReadRangeACK, ReadRangeRequest
        from bacpypes3.basetypes import (
            LogMultipleRecord,
            LogRecord,
            PropertyIdentifier,
            Range,
            RangeBySequenceNumber,
        )
        from bacpypes3.constructeddata import SequenceOf
        from bacpypes3.json.util import sequence_to_json
        from bacpypes3.pdu import Address
        from bacpypes3.primitivedata import ObjectIdentifier

        request = ReadRangeRequest(
            objectIdentifier=ObjectIdentifier(log),
            propertyIdentifier=PropertyIdentifier("log-buffer"),
            range=Range(
                bySequenceNumber=RangeBySequenceNumber(referenceSequenceNumber=first, count=count)
            ),
            destination=Address(self._address),
        )
        try:
            ack = await self._application.request(request)
        except ErrorRejectAbortNack as exc:
            ack = exc
        if not isinstance(ack, ReadRangeACK):
            raise self._failed(log, "log-buffer", ack)
        if str(ack.objectIdentifier) != str(request.objectIdentifier) or ack.itemCount > count:
            raise IngestError(f"{self._address}, {log}: the answer is not to what was asked.")
        if not ack.itemCount:
            return Page(first=first, records=(), more=False)
        kind = LogMultipleRecord if log.startswith("trend-log-multiple") else LogRecord
        try:
            records = tuple(sequence_to_json(r) for r in ack.itemData.cast_out(SequenceOf(kind)))
        except (ValueError, TypeError, AttributeError) as exc:
            raise IngestError(f"{self._address}, {log}: records cannot be read: {exc}.") from exc
        got = first if ack.firstSequenceNumber is None else int(ack.firstSequenceNumber)
        if got != first or len(records) != ack.itemCount:
            raise IngestError(f"{self._address}, {log}: the answer is not to what was asked.")
        return Page(first=got, records=records, more=not ack.resultFlags[1])

    def _failed(self, thing: str, name: str, why: Any) -> IngestError:
        from bacpypes3.apdu import AbortPDU, AbortReason

        silent = isinstance(why, AbortPDU) and why.apduAbortRejectReason == AbortReason.noResponse
        text = f"{self._address}, {thing}, {name}: {why}. Check address and object in the register."
        return IngestError(text) if silent else Refused(text, str(why))
