"""A small field device by another BACnet stack than the reader's and the other peer's, as a process.

``python bacnet_plain_peer.py PORT`` prints "ready" and runs for five minutes at most. It answers ReadProperty
and ReadRange by sequence number, one APDU at a time, and no ReadPropertyMultiple, as many a field
controller. The stack is an elder one of the authors of the reader's and shares no code with it. Its log holds 30 records of 2025-10-01, a minute apart; the eleventh says that the log was
interrupted.
"""

import os
import sys
import time
import warnings
from threading import Timer

warnings.filterwarnings("ignore")  # the stack's, of what Python drops one day

from bacpypes.apdu import ReadRangeACK
from bacpypes.app import BIPSimpleApplication
from bacpypes.basetypes import (
    DateTime,
    DeviceObjectPropertyReference,
    LogRecord,
    LogRecordLogDatum,
    LogStatus,
    ResultFlags,
    StatusFlags,
)
from bacpypes.constructeddata import ListOf, SequenceOfAny
from bacpypes.core import deferred, run
from bacpypes.errors import ExecutionError
from bacpypes.local.device import LocalDeviceObject
from bacpypes.object import AnalogInputObject, TrendLogObject

FIRST, LAST, INTERRUPTED = 101, 130, 111


class Device(BIPSimpleApplication):
    def do_ReadRangeRequest(self, apdu):
        chosen = apdu.range.bySequenceNumber if apdu.range else None
        if apdu.objectIdentifier != ("trendLog", 1) or chosen is None:
            raise ExecutionError(errorClass="object", errorCode="unknownObject")
        start = chosen.referenceSequenceNumber
        numbers = range(start, min(start + chosen.count, LAST + 1)) if start >= FIRST else ()
        items = SequenceOfAny()
        items.cast_in(ListOf(LogRecord)([record(n) for n in numbers]))
        flags = [FIRST in numbers, LAST in numbers, bool(numbers) and LAST not in numbers]
        answer = ReadRangeACK(context=apdu)
        answer.objectIdentifier, answer.propertyIdentifier = apdu.objectIdentifier, "logBuffer"
        answer.resultFlags, answer.itemCount = ResultFlags([int(f) for f in flags]), len(numbers)
        answer.itemData = items
        if numbers:
            answer.firstSequenceNumber = start
        self.response(answer)


def record(number):
    minute = number - FIRST
    if number == INTERRUPTED:
        datum = LogRecordLogDatum(logStatus=LogStatus([0, 0, 1]))
    else:
        datum = LogRecordLogDatum(realValue=60 + minute / 100)
    # years count from 1900; 1 October 2025 is a Wednesday
    stamp = DateTime(date=(125, 10, 1, 3), time=(12, minute, 0, 0))
    return LogRecord(timestamp=stamp, logDatum=datum, statusFlags=StatusFlags([0, 0, 0, 0]))


def main(port):
    device = LocalDeviceObject(
        objectIdentifier=("device", 1002), objectName="Field device", maxApduLengthAccepted=480,
        segmentationSupported="noSegmentation", vendorIdentifier=15,
        # its clock and zone are those of the process
        utcOffset=time.timezone // 60, daylightSavingsStatus=bool(time.localtime().tm_isdst),
    )  # fmt: skip
    application = Device(device, f"127.0.0.1:{port}")
    for number, name, value, flags in (
        (1, "PRI FLW T", 80.25, [0, 0, 0, 0]), (2, "PRI RTN T", 45.5, [0, 1, 0, 0])
    ):  # fmt: skip
        application.add_object(
            AnalogInputObject(
                objectIdentifier=("analogInput", number),
                objectName=name,
                presentValue=value,
                statusFlags=flags,
                units="degreesCelsius",
            )
        )
    application.add_object(
        TrendLogObject(
            objectIdentifier=("trendLog", 1),
            objectName="log",
            recordCount=LAST - FIRST + 1,
            totalRecordCount=LAST,
            enable=True,
            stopWhenFull=False,
            bufferSize=30,
            loggingType="cov",
            statusFlags=[0, 0, 0, 0],
            eventState="normal",
            logDeviceObjectProperty=DeviceObjectPropertyReference(
                objectIdentifier=("analogInput", 1), propertyIdentifier="presentValue"
            ),
        )
    )
    deferred(print, "ready", flush=True)
    end = Timer(300, lambda: os._exit(0))
    end.daemon = True
    end.start()
    run()


if __name__ == "__main__":
    main(int(sys.argv[1]))
