"""A device with a trend log, by a BACnet stack other than the reader's, as a process of its own.

``python bacnet_peer.py PORT COUNT BUFFER`` prints "ready" and runs for five minutes at most. The log's
numbers go on from COUNT; it takes a record every tenth of a second. Analog input 3 is out of service, 4
is in degrees Fahrenheit.
"""

import asyncio
import sys

import rusty_bacnet as bacnet


async def main(port: int, count: int, buffer: int) -> None:
    server = bacnet.BACnetServer(
        device_instance=1001, device_name="Device", interface="127.0.0.1", port=port
    )
    server.add_analog_input(1, "PRI FLW T", 62, 80.25)
    server.add_trend_log(
        1, "log", buffer,
        reference=(
            bacnet.ObjectIdentifier(bacnet.ObjectType.ANALOG_INPUT, 1),
            bacnet.PropertyIdentifier.PRESENT_VALUE,
        ),
        log_interval=10, logging_type="polled", total_record_count=count,
    )  # fmt: skip
    server.add_analog_input(2, "PRI RTN T", 62, 45.5)
    server.add_trend_log_multiple(
        4, "both", buffer,
        members=[
            (
                bacnet.ObjectIdentifier(bacnet.ObjectType.ANALOG_INPUT, i),
                bacnet.PropertyIdentifier.PRESENT_VALUE,
            )
            for i in (1, 2)
        ],
        log_interval=10, logging_type="polled",
    )  # fmt: skip
    server.add_analog_input(3, "SEC FLW T", 62, 65.0)
    server.add_analog_input(4, "SEC RTN T", 64, 104.0)
    server.add_binary_input(1, "PUMP")
    server.add_trend_log(
        2, "in degrees Fahrenheit", buffer,
        reference=(
            bacnet.ObjectIdentifier(bacnet.ObjectType.ANALOG_INPUT, 4),
            bacnet.PropertyIdentifier.PRESENT_VALUE,
        ),
        log_interval=10, logging_type="polled",
    )  # fmt: skip
    await server.start()
    await server.write_property_local(
        bacnet.ObjectIdentifier(bacnet.ObjectType.ANALOG_INPUT, 3),
        bacnet.PropertyIdentifier.OUT_OF_SERVICE, bacnet.PropertyValue.boolean(True),
        source_object=None,
    )  # fmt: skip
    print("ready", flush=True)
    await asyncio.sleep(300)


if __name__ == "__main__":
    asyncio.run(main(*map(int, sys.argv[1:])))
