"""Present values of BACnet devices: asked for, spooled, stored; two real devices by two stacks."""

import asyncio
import json
import os
import signal
import socket
import subprocess
import sys
import time
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from threading import Event, Thread

import pytest
from typer.testing import CliRunner

from analytics.vocabulary.errors import IngestError, RegisterError
from ingest.bacnet.values import Refused, known_units, read_values, units_sentence
from service.cli import bacnet as _bacnet_commands  # noqa: F401 - they are added to ``app``
from service.cli.command import app
from service.register.bacnet import BacnetNetwork, Value
from service.register.reading import read_bacnet, read_register
from service.settings import Settings
from service.store import bacnet as states
from service.store import gaps, imports
from service.usecases.bacnet_following import ask_once, follow
from service.usecases.ledger import Ledger
from service.usecases.polling import Asked, ask, pause_s, until_next
from service.usecases.value_spool import ValueSpool
from tests.service.bacnet_peers import free_port, peer, plain_peer
from tests.service.waiting import wait_for

ROOT = Path(__file__).parent.parent.parent
SUPPLY, RETURN = "A.HX1.PRI FLW T", "A.HX1.PRI RTN T"
SECOND_SUPPLY, SECOND_RETURN = "A.HX1.SEC FLW T", "A.HX1.SEC RTN T"
NOW = datetime(2025, 10, 1, 12, tzinfo=UTC)


def value(device, number, point):
    return Value(address=device.address, instance=1, object=f"analog-input,{number}", point=point)


def network(*values, **more):
    return BacnetNetwork(
        address=f"127.0.0.1:{free_port()}", instance=999, logs=(), page=50, every_s=3600.0,
        values=values, timeout_s=2.0, retries=0, **more,
    )  # fmt: skip


def gaps_of(ledger):
    with ledger.store.reading() as connection:
        return gaps.load_gaps(connection, "HX-01")


# --- against two stacks ------------------------------------------------------------------------------


def test_values_go_the_way_of_every_file(ledger):
    """Out of service is kept in the file and not used; other units than registered count, and are said."""
    said = []
    with peer() as device:
        network_ = network(
            value(device, 1, SUPPLY), value(device, 2, RETURN), value(device, 3, SECOND_SUPPLY),
            value(device, 4, SECOND_RETURN),
        )  # fmt: skip
        assert ask_once(ledger, network_, said.append) == ()
    frame = ledger.readings("HX-01")
    assert frame.iloc[0].to_dict() == pytest.approx(
        {
            "primary_supply_temperature": 80.25, "primary_return_temperature": 45.5,
            "secondary_return_temperature": 40.0,
        }
    )  # fmt: skip
    assert any("1 analog-input,3" in s and "flagged out-of-service" in s for s in said)
    assert any("has the units degrees-fahrenheit, the register says degC" in s for s in said)
    (run,) = ledger.import_runs()
    with ledger.store.reading() as connection:
        kept = imports.kept_file(connection, run["sha256"]).decode()
    assert '"real-value": 65.0' in kept
    assert not list((ledger.settings.workspace / "spool" / "bacnet").glob("*.jsonl"))


def test_a_device_without_several_at_once_is_asked_one_by_one(own_ledger):
    said = []
    with plain_peer() as device:
        network_ = network(
            value(device, 1, SUPPLY), value(device, 2, RETURN), value(device, 9, SECOND_SUPPLY)
        )
        assert ask_once(own_ledger, network_, said.append) == ()
    frame = own_ledger.readings("HX-01")
    assert frame.to_dict("list") == {"primary_supply_temperature": [80.25]}
    assert any("flagged fault" in s for s in said)
    assert any("no value, object: unknown-object" in s for s in said)


@contextmanager
def following(ledger, network_):
    """Follow in a thread; yields what is reported."""
    said, stop = [], Event()
    thread = Thread(target=follow, args=(ledger, network_, stop, said.append))
    thread.start()
    try:
        yield said
    finally:
        stop.set()
        thread.join(60)
        assert not thread.is_alive()


def spooled(ledger):
    path = ledger.settings.workspace / "spool" / "bacnet" / "arriving.jsonl"
    return [json.loads(n) for n in path.read_text().splitlines()] if path.exists() else []


def with_value(records):
    return [r for r in records if "real-value" in r["log-datum"]]


def blanks(records, point):
    """Return the stamps at which a point has records, none of them with a value."""
    own = [r for r in records if r["object-name"] == point]
    return {r["timestamp"] for r in own} - {r["timestamp"] for r in with_value(own)}


def test_a_silent_device_is_a_gap_asked_again_and_holds_up_no_other(own_ledger):
    with peer() as device, plain_peer() as other:
        network_ = network(value(device, 1, SUPPLY), value(other, 1, RETURN), poll_s=0.2)
        with following(own_ledger, network_) as said:
            wait_for(lambda: len(with_value(spooled(own_ledger))) >= 4)
            device.process.send_signal(signal.SIGSTOP)
            wait_for(lambda: any("A gap from now on" in s for s in said))
            before = len(with_value(spooled(own_ledger)))
            wait_for(lambda: len(with_value(spooled(own_ledger))) >= before + 4)
            # stamps are whole seconds, and a value stands before a blank of the same stamp, as the
            # last one's may be
            wait_for(lambda: len(blanks(spooled(own_ledger), SUPPLY)) >= 2)
            device.process.send_signal(signal.SIGCONT)
            wait_for(lambda: any("answers again" in s for s in said))
    assert sum("A gap from now on" in s for s in said) == 1
    found = gaps_of(own_ledger)
    own = found[found["role"] == "primary_supply_temperature"]
    assert own["reason"].tolist() == ["log interrupted", "no usable value"]
    assert own["end_utc"].iloc[1] > own["begin_utc"].iloc[1]
    # the other device has the gap of the time before the first question alone
    assert (found["role"] == "primary_return_temperature").sum() == 1


# --- read-only ---------------------------------------------------------------------------------------


class Relay(Thread):
    """Hands datagrams on between a client and a device, and notes the services asked for."""

    def __init__(self, device_port):
        super().__init__(daemon=True)
        self.front, self.back = (socket.socket(socket.AF_INET, socket.SOCK_DGRAM) for _ in "ab")
        for each in (self.front, self.back):
            each.bind(("127.0.0.1", 0))
        self.device, self.seen, self.client = ("127.0.0.1", device_port), set(), None
        Thread(target=self.answers, daemon=True).start()

    @property
    def address(self):
        return f"127.0.0.1:{self.front.getsockname()[1]}"

    def run(self):
        while True:
            data, self.client = self.front.recvfrom(2048)
            # BVLC of four octets, NPDU of two; then the type of PDU, and for a confirmed request its
            # sizes and invoke number before the service
            kind = data[6] >> 4
            self.seen.add((kind, data[9] if kind == 0 else data[7]))
            self.back.sendto(data, self.device)

    def answers(self):
        while True:
            data, _ = self.back.recvfrom(2048)
            self.front.sendto(data, self.client)


def test_nothing_but_reading_is_sent_and_a_write_is_refused_meanwhile(own_ledger):
    """Service choices of ASHRAE 135, clause 21: 12 ReadProperty, 14 ReadPropertyMultiple, 26 ReadRange."""
    import rusty_bacnet as bacnet

    from service.register.bacnet import Log

    async def write(address):
        async with bacnet.BACnetClient(interface="127.0.0.1", port=free_port()) as client:
            device = bacnet.ObjectIdentifier(bacnet.ObjectType.DEVICE, 999)
            with pytest.raises(bacnet.BacnetProtocolError) as refused:
                await client.write_property(
                    address, device, bacnet.PropertyIdentifier.OBJECT_NAME,
                    bacnet.PropertyValue.character_string("changed"),
                )  # fmt: skip
            return str(refused.value)

    with peer() as device, plain_peer() as plain:
        relays = [Relay(device.port), Relay(plain.port)]
        for relay in relays:
            relay.start()
        log = Log(address=relays[0].address, instance=1001, object="trend-log,1",
                  point=SECOND_SUPPLY, units=None)  # fmt: skip
        network_ = network(value(relays[0], 1, SUPPLY), value(relays[1], 1, RETURN), poll_s=0.2)
        network_ = BacnetNetwork(
            **{n: getattr(network_, n) for n in network_.__slots__ if n != "logs"}, logs=(log,)
        )
        with following(own_ledger, network_):
            wait_for(lambda: len(with_value(spooled(own_ledger))) >= 4)
            # class services is 5, code service-request-denied is 29
            assert asyncio.run(write(network_.address)) == "BACnet error: class=5 code=29"
    assert relays[0].seen == {(0, 12), (0, 14), (0, 26)}
    assert relays[1].seen == {(0, 12), (0, 14)}


# --- killed and started again ------------------------------------------------------------------------


@pytest.mark.slow
def test_a_reader_that_is_killed_loses_and_doubles_nothing(workspace):
    """Logs go on where they were; values that were spooled are stored, and those alone."""
    path = workspace / "plant.toml"
    with peer() as device:
        entry = f'device = "{device.address}"\ninstance = 1001\n'
        path.write_text(
            path.read_text()
            + f'\n[bacnet]\naddress = "127.0.0.1:{free_port()}"\nevery_minutes = 60.0\n'
            f'poll_minutes = 0.004\n[[bacnet.log]]\n{entry}object = "trend-log,1"\n'
            f'point = "{SUPPLY}"\n[[bacnet.value]]\n{entry}object = "analog-input,2"\n'
            f'point = "{RETURN}"\n'
        )
        command = [
            sys.executable, "-c", "from service.cli import main; main()",
            "bacnet", "follow", "-w", str(workspace),
        ]  # fmt: skip
        ledger = Ledger.open(Settings(workspace=workspace, workers=1))
        lines = []
        for again in (1, 2):
            before = read_of(ledger)
            reader = subprocess.Popen(
                command, env={**os.environ, "PYTHONPATH": str(ROOT)}, stdout=subprocess.DEVNULL
            )
            wait_for(lambda n=before: read_of(ledger) > n and spooled(ledger))
            time.sleep(0.2 * again)
            reader.kill()
            reader.wait()
            lines += with_value(spooled(ledger))
            with (workspace / "spool" / "bacnet" / "arriving.jsonl").open("ab") as torn:
                torn.write(b'{"object-name": "A.HX1.PRI')  # cut short as power went
        before, last = read_of(ledger), max(r["timestamp"] for r in lines)
        # stamps are whole seconds, rounded: what comes now is told from what was there
        wait_for(lambda: f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}" > last)
        with following(ledger, read_bacnet(path)):
            wait_for(lambda: read_of(ledger) > before)
            wait_for(lambda: any(r["timestamp"] > last for r in with_value(spooled(ledger))))
    try:
        found = state_of(ledger)
        assert (found["lost"], found["read"]) == (0, found["number"])
        frame = ledger.readings("HX-01")
        assert frame["primary_supply_temperature"].count() == found["number"]
        stamps = set(
            frame["primary_return_temperature"].dropna().index.strftime("%Y-%m-%dT%H:%M:%SZ")
        )
        assert lines
        assert {r["timestamp"] for r in lines} <= stamps
        assert spooled(ledger) == []
        interrupted = gaps_of(ledger)
        # each beginning speaks of the time before it
        assert (interrupted["role"] == "primary_return_temperature").sum() == 3
    finally:
        ledger.close()


def state_of(ledger):
    with ledger.store.reading() as connection:
        return states.log_state(connection, 1001, "trend-log,1")


def read_of(ledger):
    return (state_of(ledger) or {"read": 0})["read"]


# --- the command --------------------------------------------------------------------------------------


def test_fetch_reads_logs_and_values_and_says_what_was_silent(workspace):
    path = workspace / "plant.toml"
    runner = CliRunner()

    def run():
        done = runner.invoke(app, ["bacnet", "fetch", "-w", str(workspace), "--json"])
        return done.exit_code, json.loads(done.stdout), done.stderr

    with plain_peer() as device:
        entry = f'device = "{device.address}"\ninstance = 1002\n'
        path.write_text(
            path.read_text()
            + f'\n[bacnet]\naddress = "127.0.0.1:{free_port()}"\ntimeout_seconds = 2.0\nretries = 0\n'
            f'[[bacnet.log]]\n{entry}object = "trend-log,1"\npoint = "{SUPPLY}"\n'
            f'[[bacnet.value]]\n{entry}object = "analog-input,1"\npoint = "{RETURN}"\n'
        )
        code, (log,), said = run()
        assert (code, log["records"], log["failed"]) == (0, 30, None)
        assert "1 new values, 0 refused" in said
    code, (log,), said = run()
    assert code == 1
    assert "no-response" in log["failed"]
    assert "A gap from now on, until it answers" in said
    ledger = Ledger.open(Settings(workspace=workspace, workers=1))
    try:
        counts = ledger.readings("HX-01").count().to_dict()
        assert counts == {"primary_supply_temperature": 29, "primary_return_temperature": 1}
        assert "no usable value" in gaps_of(ledger)["reason"].tolist()
    finally:
        ledger.close()


# --- in small ----------------------------------------------------------------------------------------


class MadeUpSource:
    """Answers with what it is given; ``None``: not at all."""

    def __init__(self, values, *, several=True):
        self.values, self.several, self.asked = values, several, []

    async def read(self, thing, name):
        self.asked.append((thing, name))
        return self.of(thing, name)

    async def read_several(self, things, names):
        self.asked.append((tuple(things), tuple(names)))
        if self.values is None:
            raise IngestError("no-response")
        if not self.several:
            raise Refused("unrecognized-service")
        found = {}
        for thing in things:
            for name in names:
                try:
                    found[thing, name] = self.of(thing, name)
                except Refused as exc:
                    found[thing, name] = exc
        return found

    def of(self, thing, name):
        if self.values is None:
            raise IngestError("no-response")
        if (thing, name) not in self.values:
            raise Refused("unknown-property")
        return self.values[thing, name]


AI = "analog-input,1"


def asked(units="degC"):
    one = Value(address="192.0.2.20", instance=1, object=AI, point=SUPPLY)
    return Asked(address="192.0.2.20", values=(one,), units={SUPPLY: units})


@pytest.mark.parametrize(
    ("given", "datum"),
    [
        (70.5, {"real-value": 70.5}),
        (1, {"integer-value": 1}),
        (None, {"null-value": None}),
        ("open", {"failure": {"error-class": "property", "error-code": "no number: open"}}),
    ],
)
@pytest.mark.parametrize("several", [True, False])
def test_every_kind_of_answer(given, datum, several):
    source = MadeUpSource({(AI, "present-value"): given}, several=several)
    found = asyncio.run(read_values(source, [AI], NOW))
    assert found.records[AI] == {"timestamp": "2025-10-01T12:00:00Z", "log-datum": datum}
    assert found.together is several


def test_many_objects_are_asked_for_in_parts_that_fit_a_small_answer():
    things = [f"analog-input,{n}" for n in range(20)]
    source = MadeUpSource({(t, "present-value"): 1.0 for t in things})
    found = asyncio.run(read_values(source, things, NOW))
    assert [len(part) for part, _ in source.asked] == [8, 8, 4]
    assert list(found.records) == things


def test_what_is_odd_is_said_once_and_unknown_units_do_not_cost_the_file(tmp_path):
    source = MadeUpSource({(AI, "present-value"): 70.0, (AI, "units"): "amperes"})
    spool, said, one = ValueSpool(tmp_path), [], asked()
    for _ in range(3):
        assert asyncio.run(ask(source, one, spool, said.append))
    (sentence,) = said
    assert "has the units amperes, which are not known here: read in degC" in sentence
    assert "amperes" not in (spool.folder / "arriving.jsonl").read_text()


@pytest.mark.parametrize(
    ("now_s", "left_s"), [(600.0, 60.0), (630.0, 30.0), (659.0, 61.0), (659.999, 60.001)]
)
def test_values_are_asked_for_at_whole_intervals_once(now_s, left_s):
    assert until_next(now_s, 60.0) == pytest.approx(left_s)


def test_a_full_disk_is_a_sentence(tmp_path):
    spool = ValueSpool(tmp_path)
    (spool.folder / "arriving.jsonl").mkdir()
    with pytest.raises(RegisterError, match=r"arriving\.jsonl: cannot be written"):
        spool.write([{"timestamp": "2025-10-01T12:00:00Z"}])


def test_a_silent_device_is_left_alone_ever_longer_up_to_an_hour():
    assert [pause_s(n, 60.0) + 60.0 for n in range(1, 8)] == [
        120.0, 240.0, 480.0, 960.0, 1920.0, 3600.0, 3600.0
    ]  # fmt: skip
    assert pause_s(10**6, 60.0) == 3540.0


def test_a_batch_that_was_stored_when_the_power_went_is_not_stored_again(own_ledger):
    spool, source = (
        ValueSpool(own_ledger.settings.workspace),
        MadeUpSource({(AI, "present-value"): 70.0}),
    )
    asyncio.run(ask(source, asked(), spool, lambda _text: None))
    spool.close_batch()
    (batch,) = spool.folder.glob("bacnet values *.jsonl")
    kept = batch.read_bytes()
    (first,) = spool.store(own_ledger)
    batch.write_bytes(kept)  # as if it had not come to deleting it
    (second,) = ValueSpool(own_ledger.settings.workspace).store(own_ledger)
    assert (first[1].new_values, second[1].new_values, second[1].repeated) == (1, 0, True)
    assert not list(spool.folder.glob("*.jsonl"))


@pytest.mark.parametrize(
    ("given", "registered", "said"),
    [
        ("degrees-celsius", "degC", None),
        (None, "degC", None),
        ("62", "degC", None),
        ("degrees-fahrenheit", "degC", "has the units degrees-fahrenheit, the register says degC"),
        ("degrees-phi", "degC", "are not known here"),
        ("cubic-meters-per-hour", "m3/h", None),
        ("liters-per-second", "m3/h", "the register says m3/h"),
    ],
)
def test_units_against_the_register(given, registered, said):
    sentence = units_sentence("1 analog-input,1", given, registered)
    assert (sentence is None) if said is None else (said in sentence)
    assert known_units("amperes") is None


# --- the register ------------------------------------------------------------------------------------


def describe(workspace, *, point=SUPPLY, thing="analog-input,1", more=""):
    path = workspace / "plant.toml"
    path.write_text(
        path.read_text()
        + '\n[bacnet]\naddress = "127.0.0.1:47809"\npoll_minutes = 2.0\ntimeout_seconds = 1.5\n'
        f'[[bacnet.value]]\ndevice = "192.0.2.20"\ninstance = 1\nobject = "{thing}"\n'
        f'point = "{point}"\n{more}'
    )
    read_register(path)
    return read_bacnet(path)


def test_the_register_names_values(workspace):
    found = describe(workspace)
    assert (found.poll_s, found.timeout_s, found.retries, found.logs) == (120.0, 1.5, 1, ())
    (one,) = found.values
    assert (one.address, one.object, one.point) == ("192.0.2.20", "analog-input,1", SUPPLY)


LOG = (
    '[[bacnet.log]]\ndevice = "192.0.2.20"\ninstance = 1\nobject = "trend-log,1"\n'
    f'point = "{SUPPLY}"\n'
)
TWICE = (
    '[[bacnet.value]]\ndevice = "192.0.2.20"\ninstance = 1\nobject = "analog-input,1"\n'
    f'point = "{RETURN}"\n'
)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        (
            {"point": "nowhere"},
            'bacnet.value "analog-input,1": no exchanger has the point "nowhere"',
        ),
        ({"thing": "device,1"}, "object"),
        ({"more": LOG}, "is read from a log and as a value. Keep the log"),
        ({"more": TWICE}, "a value stands twice"),
    ],
)
def test_what_is_wrong_with_a_value_is_said(workspace, changes, said):
    with pytest.raises(RegisterError, match=said):
        describe(workspace, **changes)
