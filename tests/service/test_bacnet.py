"""Trend logs of BACnet devices: a made-up device for each thing that can happen to a log, and a real
device process by an independent stack (rusty-bacnet) on the loopback interface."""

import asyncio
import socket
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from analytics.vocabulary.errors import IngestError, RegisterError
from ingest.bacnet.client import BacnetDevice, open_application
from ingest.bacnet.following import Cursor, Page, after, catch_up, utc_of
from service.register.bacnet import BacnetNetwork, Log
from service.register.reading import read_bacnet, read_register
from service.settings import Settings
from service.store import bacnet as states
from service.store import gaps
from service.usecases import bacnet as usecase
from service.usecases.bacnet import fetch, fetch_log
from service.usecases.ledger import Ledger
from tests.service.bacnet_peers import free_port, peer, plain_peer
from tests.service.waiting import wait_for

ROOT = Path(__file__).parent.parent.parent
POINT = "A.HX1.PRI FLW T"
LOG = Log(
    address="127.0.0.1:1", instance=1001, object="trend-log,1", point=POINT,
    units="degrees-celsius",
)  # fmt: skip
TOP = 2**32 - 1
START = datetime(2025, 10, 1)  # noqa: DTZ001 - a device shows local time without a zone


class MadeUpDevice:
    """A ring of records; the k-th ever made is at START + k minutes and has the value 60 + k / 100."""

    def __init__(self, size: int = 100, total: int = 0) -> None:
        self.size, self.total, self.made = size, total, 0
        self.ring: list[tuple[int, dict]] = []
        self.units: tuple[str | None, ...] = ()

    async def logged_units(self, log: str, instance: int) -> tuple[str | None, ...]:
        return self.units

    def log(self, count: int, datum: dict | None = None) -> None:
        for _ in range(count):
            self.total, self.made = after(self.total) if self.total else 1, self.made + 1
            when = START + timedelta(minutes=self.made)
            stamp = {"date": f"{when:%Y-%m-%d}", "time": f"{when:%H:%M:%S}.00"}
            value = datum or {"real-value": 60 + self.made / 100}
            self.ring.append((self.total, {"timestamp": stamp, "log-datum": value}))
        self.ring = self.ring[-self.size :]

    async def counts(self, log: str) -> tuple[int, int]:
        return len(self.ring), self.total

    async def page(self, log: str, first: int, count: int) -> Page:
        places = [i for i, (n, _) in enumerate(self.ring) if n == first]
        found = self.ring[places[0] : places[0] + count] if places else []
        more = bool(found) and found[-1] is not self.ring[-1]
        return Page(first=first, records=tuple(r for _, r in found), more=more)


def run(ledger, device, page=10):
    return asyncio.run(fetch_log(ledger.store, device, LOG, page))


def values(ledger) -> list[float]:
    return ledger.readings("HX-01")["primary_supply_temperature"].dropna().tolist()


def made(first: int, last: int):
    return pytest.approx([60 + k / 100 for k in range(first, last + 1)])


def state(ledger):
    with ledger.store.reading() as connection:
        return states.log_state(connection, 1001, "trend-log,1")


def test_a_log_is_read_once_and_only_what_is_new_after_that(ledger):
    device = MadeUpDevice()
    device.log(35)
    assert run(ledger, device).records == 35
    assert run(ledger, device).records == 0
    device.log(7)
    assert run(ledger, device).new_values == 7
    assert values(ledger) == made(1, 42)
    assert (state(ledger)["number"], state(ledger)["read"], state(ledger)["lost"]) == (42, 42, 0)


def test_overwritten_records_are_a_gap_of_exact_size(own_ledger):
    device = MadeUpDevice(size=100)
    device.log(50)
    run(own_ledger, device)
    device.log(286)
    outcome = run(own_ledger, device)
    assert outcome.events == ("186 records were overwritten before they were read: a gap.",)
    assert values(own_ledger) == pytest.approx(
        [60 + k / 100 for k in (*range(1, 51), *range(237, 337))]
    )
    assert state(own_ledger)["lost"] == 186


def test_numbers_that_run_over(own_ledger):
    """After 4294967295 comes 1 (ASHRAE 135, Total_Record_Count)."""
    device = MadeUpDevice(total=TOP - 15)
    device.log(40)
    outcome = run(own_ledger, device)
    assert outcome.events == ("the sequence numbers ran over from 4294967295 to 1.",)
    assert values(own_ledger) == made(1, 40)
    assert (state(own_ledger)["epoch"], state(own_ledger)["number"]) == (1, 25)


def test_a_wrap_between_two_pages_and_two_fetches(own_ledger):
    device = MadeUpDevice(total=TOP - 20)
    device.log(20)
    run(own_ledger, device)
    assert state(own_ledger)["number"] == TOP
    device.log(5)
    run(own_ledger, device)
    assert values(own_ledger) == made(1, 25)
    assert (state(own_ledger)["epoch"], state(own_ledger)["number"]) == (1, 5)


def test_a_log_set_up_anew_begins_a_new_epoch(own_ledger):
    device = MadeUpDevice()
    device.log(30)
    run(own_ledger, device)
    device.total, device.ring = 0, []
    device.log(12)
    outcome = run(own_ledger, device)
    assert "began again" in outcome.events[0]
    assert values(own_ledger) == made(1, 42)
    assert state(own_ledger)["epoch"] == 1


def test_a_purge_with_nothing_unread_loses_nothing(own_ledger):
    device = MadeUpDevice()
    device.log(30)
    run(own_ledger, device)
    device.ring = []
    device.log(1, {"log-status": ["buffer-purged"]})
    device.log(5)
    outcome = run(own_ledger, device)
    assert outcome.events == ()
    assert values(own_ledger) == pytest.approx(
        [60 + k / 100 for k in (*range(1, 31), *range(32, 37))]
    )


def test_a_page_of_events_alone_does_not_stop_the_log(own_ledger):
    device = MadeUpDevice()
    device.log(3, {"log-status": ["log-interrupted"]})
    assert run(own_ledger, device).records == 3
    device.log(2)
    run(own_ledger, device)
    assert values(own_ledger) == made(4, 5)


@pytest.mark.parametrize("fails_at", ["before", "after"])
def test_a_crash_in_the_middle_loses_and_doubles_nothing(ledger, monkeypatch, fails_at):
    """Readings and cursor are one transaction: a crash on either side of either leaves both."""
    device = MadeUpDevice()
    device.log(30)
    run(ledger, device)
    device.log(30)
    real = states.set_log_state

    def crash(*args, **more):
        if fails_at == "after":
            real(*args, **more)
        raise RuntimeError("power cut")

    with monkeypatch.context() as patched:
        patched.setattr(states, "set_log_state", crash)
        with pytest.raises(RuntimeError):
            run(ledger, device)
    assert values(ledger) == made(1, 30)
    assert state(ledger)["number"] == 30
    assert run(ledger, device).new_values == 30
    assert values(ledger) == made(1, 60)


def test_a_long_log_is_stored_in_parts(own_ledger, monkeypatch):
    monkeypatch.setattr(usecase, "_AT_ONCE", 40)
    device = MadeUpDevice(size=200)
    device.log(190)
    assert run(own_ledger, device).records == 190
    assert values(own_ledger) == made(1, 190)


def test_the_doubled_hour_goes_on_where_the_last_record_was():
    """Clocks of the zone CET went back on 27 October 2024 at 01:00 UTC."""
    zone = ZoneInfo("CET")
    stamp = {"date": "2024-10-27", "time": "02:30:00.00"}
    before = datetime(2024, 10, 27, 0, 45, tzinfo=UTC)
    assert utc_of(stamp, zone, None) == datetime(2024, 10, 27, 0, 30, tzinfo=UTC)
    assert utc_of(stamp, zone, before) == datetime(2024, 10, 27, 1, 30, tzinfo=UTC)
    assert utc_of({"date": "*", "time": "02:30:00.00"}, zone, None) is None


def test_a_device_that_contradicts_itself_is_refused():
    class Silent(MadeUpDevice):
        async def page(self, log, first, count):
            return Page(first=first, records=(), more=False)

    device = Silent()
    device.log(5)
    with pytest.raises(IngestError, match="counts records and gives none"):
        asyncio.run(catch_up(device, "trend-log,1", Cursor(), ZoneInfo("UTC"), 10))


@pytest.mark.parametrize(
    ("stated", "of_device", "value", "said"),
    [
        (None, ("degrees-fahrenheit",), 15.0, ["degrees-fahrenheit, the register says degC"]),
        (None, ("degrees-celsius",), 59.0, []),
        (None, ("amperes",), 59.0, ["amperes, which are not known here"]),
        (None, (None,), 59.0, []),
        (None, (), 59.0, []),
        # what the register says of the log itself goes before what its object says
        (
            "degrees-celsius",
            ("degrees-fahrenheit",),
            59.0,
            ["degrees-fahrenheit, the register says degC"],
        ),
        ("degrees-fahrenheit", ("degrees-fahrenheit",), 15.0, []),
    ],
)
def test_units_come_from_what_is_logged(own_ledger, stated, of_device, value, said):
    device = MadeUpDevice()
    device.units = of_device
    device.log(3, {"real-value": 59.0})
    log = replace(LOG, units=stated)
    outcome = asyncio.run(fetch_log(own_ledger.store, device, log, 10))
    assert values(own_ledger) == pytest.approx([value] * 3)
    assert len(outcome.events) == len(said)
    for event, part in zip(outcome.events, said, strict=True):
        assert part in event


# --- the register ----------------------------------------------------------------------------------


def describe(workspace: Path, port: int, own: int, point: str = POINT) -> None:
    path = workspace / "plant.toml"
    path.write_text(
        path.read_text()
        + f'\n[bacnet]\naddress = "127.0.0.1:{own}"\nevery_minutes = 0.01\n[[bacnet.log]]\n'
        f'device = "127.0.0.1:{port}"\ninstance = 1001\nobject = "trend-log,1"\npoint = "{point}"\n'
        'units = "degrees-celsius"\n'
    )


def test_the_register_names_logs(workspace):
    with pytest.raises(RegisterError, match=r"names no BACnet log\. Add \[bacnet\]"):
        read_bacnet(workspace / "plant.toml")
    describe(workspace, 47808, 47809)
    read_register(workspace / "plant.toml")
    network = read_bacnet(workspace / "plant.toml")
    assert (network.page, network.logs[0].point) == (50, POINT)


def test_a_log_of_an_unknown_point_is_refused(workspace):
    describe(workspace, 47808, 47809, point="nowhere")
    with pytest.raises(RegisterError, match='no exchanger has the point "nowhere"'):
        read_register(workspace / "plant.toml")


def first_records(ledger, network):
    """Fetch until the log has something, and return what was fetched then."""
    fetched = []

    def some() -> int:
        fetched[:] = fetch(ledger.store, network)
        assert fetched[0].failed is None
        return fetched[0].records

    wait_for(some)
    return fetched[0]


# --- against an independent stack ------------------------------------------------------------------


def test_a_real_device_over_the_wrap(own_ledger):
    """The peer's own numbers run over 2**32 - 1; each record is read once."""
    with peer(count=TOP - 5) as device:
        log = Log(address=device.address, instance=1001, object="trend-log,1", point=POINT,
                  units="degrees-celsius")  # fmt: skip
        network = BacnetNetwork(
            address=f"127.0.0.1:{free_port()}", instance=999, logs=(log,), page=4, every_s=1.0
        )

        def read() -> int:
            (outcome,) = fetch(own_ledger.store, network)
            assert outcome.failed is None
            return (state(own_ledger) or {"read": 0})["read"]

        wait_for(lambda: read() >= 12)
    s = state(own_ledger)
    assert s["lost"] == 0
    assert s["epoch"] == 1
    assert s["read"] == s["number"] + 5  # five numbers, TOP - 4 to TOP, come before 1
    got = values(own_ledger)
    assert len(got) == s["read"]
    assert set(got) == {80.25}


def test_the_units_of_what_real_devices_log():
    async def ask(*wanted):
        application = open_application(f"127.0.0.1:{free_port()}", 999)
        try:
            return [
                await BacnetDevice(application, device.address).logged_units(log, instance)
                for device, log, instance in wanted
            ]
        finally:
            application.close()

    with peer() as one, plain_peer() as other:
        found = asyncio.run(
            ask(
                (one, "trend-log,2", 1001), (one, "trend-log-multiple,4", 1001),
                (one, "trend-log,77", 1001), (other, "trend-log,1", 1002),
            )
        )  # fmt: skip
    assert found == [
        ("degrees-fahrenheit",), ("degrees-celsius", "degrees-celsius"), (), ("degrees-celsius",),
    ]  # fmt: skip


def test_a_log_in_other_units_than_registered_is_read_in_its_own(own_ledger):
    with peer() as device:
        log = Log(
            address=device.address, instance=1001, object="trend-log,2", point=POINT, units=None
        )
        network = BacnetNetwork(
            address=f"127.0.0.1:{free_port()}", instance=999, logs=(log,), page=50, every_s=1.0
        )
        outcome = first_records(own_ledger, network)
    assert values(own_ledger) == pytest.approx([40.0] * outcome.records)
    assert any("degrees-fahrenheit, the register says degC" in e for e in outcome.events)


def test_a_real_log_that_an_operator_switches_off_and_empties(own_ledger):
    """What a workstation writes to the device, its log tells; unread records that go so are a gap."""
    import rusty_bacnet as bacnet

    thing = bacnet.ObjectIdentifier(bacnet.ObjectType.TREND_LOG, 1)
    enable, count = bacnet.PropertyIdentifier.LOG_ENABLE, bacnet.PropertyIdentifier.RECORD_COUNT

    async def write(name, value) -> None:
        async with bacnet.BACnetClient(interface="127.0.0.1", port=free_port()) as client:
            await client.write_property(device.address, thing, name, value)

    def total() -> int:
        return asyncio.run(total_of(device.address))

    def read() -> list[str]:
        (outcome,) = fetch(own_ledger.store, network)
        assert outcome.failed is None
        with own_ledger.store.reading() as connection:
            found = gaps.load_gaps(connection, "HX-01").sort_values("begin_utc")
        assert (found["begin_utc"] <= found["end_utc"]).all()
        return found["reason"].tolist()

    with peer() as device:
        log = Log(
            address=device.address, instance=1001, object="trend-log,1", point=POINT, units=None
        )
        network = BacnetNetwork(
            address=f"127.0.0.1:{free_port()}", instance=999, logs=(log,), page=50, every_s=1.0
        )
        wait_for(lambda: total() >= 3)
        assert read() == []
        asyncio.run(write(enable, bacnet.PropertyValue.boolean(False)))
        wait_for(lambda: read() == ["log disabled"])
        off = total()
        asyncio.run(write(enable, bacnet.PropertyValue.boolean(True)))
        wait_for(lambda: total() >= off + 3)
        assert read() == ["log disabled"]
        unread = state(own_ledger)["number"] + 3
        wait_for(lambda: total() >= unread)
        asyncio.run(write(count, bacnet.PropertyValue.unsigned(0)))
        wait_for(lambda: read() == ["log disabled", "records missing"])
    assert state(own_ledger)["lost"] > 0


def test_a_log_of_another_stack_with_an_interruption(own_ledger):
    """30 records of a field device, of which the eleventh says that records before it may be missing."""
    with plain_peer() as device:
        log = Log(
            address=device.address, instance=1002, object="trend-log,1", point=POINT, units=None
        )
        network = BacnetNetwork(
            address=f"127.0.0.1:{free_port()}", instance=999, logs=(log,), page=8, every_s=1.0
        )
        (first,), (second,) = (fetch(own_ledger.store, network) for _ in range(2))
    assert (first.records, first.new_values, second.records) == (30, 29, 0)
    assert values(own_ledger) == pytest.approx([60 + m / 100 for m in range(30) if m != 10])
    with own_ledger.store.reading() as connection:
        (gap,) = gaps.load_gaps(connection, "HX-01").itertuples(index=False)
    # 12:09 and 12:11 of the site, in summer time
    assert f"{gap.begin_utc:%H:%M} to {gap.end_utc:%H:%M}" == "10:09 to 10:11"


async def total_of(address: str) -> int:
    application = open_application(f"127.0.0.1:{free_port()}", 999)
    try:
        _, total = await BacnetDevice(application, address).counts("trend-log,1")
        return total
    finally:
        application.close()


async def clock_of(address: str, instance: int):
    application = open_application(f"127.0.0.1:{free_port()}", 999)
    try:
        return await BacnetDevice(application, address).clock(instance)
    finally:
        application.close()


def is_now(clock) -> bool:
    """The device's local time, less its own offset, is UTC."""
    east = timedelta(minutes=60 * clock.daylight - clock.utc_offset_min)
    utc = (clock.local - east).replace(tzinfo=UTC)
    return abs(datetime.now(UTC) - utc) < timedelta(seconds=10)


def test_the_clock_of_a_real_device():
    with peer() as device:
        assert is_now(asyncio.run(clock_of(device.address, 1001)))


@pytest.mark.parametrize(
    ("zone", "west_min", "said"),
    [
        ("Etc/UTC", 0, ["min slow against the site's time (CET)", "it is +00:00 from UTC"]),
        ("Etc/GMT-9", -540, ["min fast against the site's time (CET)", "it is +09:00 from UTC"]),
        ("CET", -60, []),
    ],
)
def test_a_device_in_another_zone_is_told(own_ledger, zone, west_min, said):
    """The zone is that of the device's process, whatever the machine's is."""
    with plain_peer(zone=zone) as device:
        clock = asyncio.run(clock_of(device.address, 1002))
        log = Log(
            address=device.address, instance=1002, object="trend-log,1", point=POINT, units=None
        )
        network = BacnetNetwork(
            address=f"127.0.0.1:{free_port()}", instance=999, logs=(log,), page=50, every_s=1.0
        )
        (outcome,) = fetch(own_ledger.store, network)
    assert is_now(clock)
    assert clock.utc_offset_min == west_min
    assert len(outcome.events) == len(said)
    for event, part in zip(outcome.events, said, strict=True):
        assert part in event


def test_the_loggers_zone_goes_before_the_sites(workspace):
    """Loggers that stay on winter time all year: their October is an hour behind the site's."""
    path = workspace / "plant.toml"
    text = path.read_text().replace(
        'time_zone = "CET"', 'time_zone = "CET"\nlogger_time_zone = "+01:00"'
    )
    path.write_text(text, encoding="utf-8")
    ledger = Ledger.open(Settings(workspace=workspace, workers=1))
    ledger.load_register()
    try:
        with plain_peer(zone="Etc/GMT-9") as device:
            log = replace(LOG, address=device.address, instance=1002)
            network = BacnetNetwork(
                address=f"127.0.0.1:{free_port()}", instance=999, logs=(log,), page=50, every_s=1.0
            )
            (outcome,) = fetch(ledger.store, network)
        assert "480.0 min fast against the loggers' time (UTC+01:00)" in outcome.events[0]
        first = ledger.readings("HX-01").index[0]
        assert str(first) == "2025-10-01 11:00:00+00:00"  # 12:00 by the loggers, 13:00 by the site
    finally:
        ledger.close()


def test_a_real_multiple_log(workspace):
    """Members of a Trend Log Multiple are points of their own."""
    path = workspace / "plant.toml"
    path.write_text(
        path.read_text()
        .replace(f'"{POINT}"', '"both member 1"', 1)
        .replace('"A.HX1.PRI RTN T"', '"both member 2"', 1)
    )
    ledger = Ledger.open(Settings(workspace=workspace, workers=1))
    ledger.load_register()
    try:
        with peer() as device:
            log = Log(address=device.address, instance=1001, object="trend-log-multiple,4",
                      point="both", units="degrees-celsius")  # fmt: skip
            network = BacnetNetwork(
                address=f"127.0.0.1:{free_port()}", instance=999, logs=(log,), page=50, every_s=1.0
            )
            outcome = first_records(ledger, network)
        assert outcome.failed is None
        assert outcome.new_values == 2 * outcome.records > 0
        frame = ledger.readings("HX-01")
        assert set(frame["primary_supply_temperature"]) == {80.25}
        assert set(frame["primary_return_temperature"]) == {45.5}
    finally:
        ledger.close()


def test_a_device_that_does_not_answer_is_told_and_nothing_stored(ledger):
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as silent:
        silent.bind(("127.0.0.1", 0))
        log = Log(address=f"127.0.0.1:{silent.getsockname()[1]}", instance=1, object="trend-log,1",
                  point=POINT, units=None)  # fmt: skip
        network = BacnetNetwork(
            address=f"127.0.0.1:{free_port()}", instance=999, logs=(log,), page=4, every_s=1.0,
            timeout_s=0.2, retries=1,
        )  # fmt: skip
        began = time.monotonic()
        (outcome,) = fetch(ledger.store, network)
        assert time.monotonic() - began >= 0.4  # as long as the network says, twice
        silent.setblocking(False)
        asked = [silent.recv(1500) for _ in range(2)]
        assert asked[0] == asked[1]
        with pytest.raises(BlockingIOError):
            silent.recv(1500)
    assert "no-response" in outcome.failed
    assert "Check address and object" in outcome.failed
    assert ledger.readings("HX-01").empty


def test_a_write_to_the_reader_is_refused():
    """An independent client's WriteProperty gets an error, and its ReadProperty an answer."""
    import rusty_bacnet as bacnet

    async def attempt() -> tuple[str, str]:
        own = free_port()
        application = open_application(f"127.0.0.1:{own}", 999)
        try:
            async with bacnet.BACnetClient(interface="127.0.0.1", port=free_port()) as client:
                device = bacnet.ObjectIdentifier(bacnet.ObjectType.DEVICE, 999)
                name = bacnet.PropertyIdentifier.OBJECT_NAME
                with pytest.raises(bacnet.BacnetProtocolError) as refused:
                    await client.write_property(
                        f"127.0.0.1:{own}", device, name,
                        bacnet.PropertyValue.character_string("changed"),
                    )  # fmt: skip
                kept = await client.read_property(f"127.0.0.1:{own}", device, name)
                return str(refused.value), str(kept.value)
        finally:
            application.close()

    said, kept = asyncio.run(attempt())
    # ASHRAE 135, clause 18: class services is 5, code service-request-denied is 29
    assert said == "BACnet error: class=5 code=29"
    assert kept == "plateledger-999"


def test_reading_a_property_that_is_not_there_is_a_sentence():
    async def ask() -> None:
        with peer() as device:
            application = open_application(f"127.0.0.1:{free_port()}", 999)
            try:
                await BacnetDevice(application, device.address).counts("trend-log,77")
            finally:
                application.close()

    with pytest.raises(IngestError, match="trend-log,77, record-count: "):
        asyncio.run(ask())
