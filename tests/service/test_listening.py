"""A broker of its own kind on 127.0.0.1:1883: what is published reaches the ledger, whatever stops."""

import json
import os
import socket
import subprocess
import sys
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from threading import Event, Thread
from uuid import uuid4

import numpy as np
import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from analytics.vocabulary.errors import RegisterError
from service.register.broker import Topic
from service.register.reading import read_broker, read_register
from service.settings import Settings
from service.usecases.ledger import Ledger
from service.usecases.listening import Listener
from service.usecases.spool import Line, Message, Spool, line_of
from tests.service.waiting import wait_for

ROOT = Path(__file__).parent.parent.parent
ADDRESS = ("127.0.0.1", 1883)
START = datetime(2025, 10, 1, tzinfo=UTC)
NOW = datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC)


# --- messages to lines -------------------------------------------------------------------------------

T = Topic(topic="t", point="P")


def message(payload, *, retained=False):
    return Message(topic="t", payload=payload, retained=retained, arrived_utc=NOW)


@pytest.mark.parametrize(
    ("payload", "time_utc", "value"),
    [
        (b"63.4", "2026-01-02T03:04:05", 63.4),
        (b' {"value": 63.4, "time": "2025-10-26T02:30:00+02:00"}', "2025-10-26T00:30:00", 63.4),
        (b'{"value": "63", "time": 1761438600}', "2025-10-26T00:30:00", 63.0),
        (b'{"value": true, "time": 1761438600000}', "2025-10-26T00:30:00", 1.0),
        (b"OFF", "2026-01-02T03:04:05", 0.0),
    ],
)
def test_message_to_line(payload, time_utc, value):
    """1761438600 s since 1970 is 2025-10-26 00:30 UTC (date -u -d @1761438600)."""
    line = line_of(message(payload), T)
    assert (line.time, float(line.value), line.refused) == (f"{time_utc}+00:00", value, "")


@pytest.mark.parametrize(
    ("payload", "why"),
    [
        (b'{"value": 1, "time": "2025-10-26T02:30:00"}', "no offset"),
        (b'{"value": 1, "time": "yesterday"}', "is no time"),
        (b'{"reading": 1}', "value is no number"),
        (b'{"value": NaN}', "not finite"),
        (b'{"value": 1', "no JSON"),
        (b"\xff\x00", "value is no number"),
    ],
)
def test_message_that_cannot_be_read(payload, why):
    line = line_of(message(payload), T)
    assert why in line.refused
    assert line.value == payload.decode("utf-8", "replace").strip()


def test_members_by_other_names():
    topic = Topic(topic="t", point="P", value="d.v", time="d.ts")
    line = line_of(message(b'{"d": {"v": 5.5, "ts": "2025-10-26T00:30:00Z"}}'), topic)
    assert (line.time, line.value) == ("2025-10-26T00:30:00+00:00", "5.5")


def test_a_kept_message_without_its_time_is_no_reading_of_now():
    assert "does not carry its time" in line_of(message(b"63.4", retained=True), T).refused
    assert not line_of(message(b'{"value": 1, "time": 1761438600}', retained=True), T).refused


def test_a_line_cut_by_a_power_failure_is_dropped(tmp_path):
    spool = Spool(tmp_path)
    spool.write([Line(time="2025-10-01T00:00:00Z", point="P", value="1")])
    with (tmp_path / "spool" / "arriving.csv").open("ab") as target:
        target.write(b"2025-10-01T00:15:00Z,P")
    Spool(tmp_path).write([Line(time="2025-10-01T00:30:00Z", point="P", value="3")])
    lines = (tmp_path / "spool" / "arriving.csv").read_text().splitlines()
    assert lines == ["time,point,value", "2025-10-01T00:00:00Z,P,1", "2025-10-01T00:30:00Z,P,3"]


# --- the register's table ------------------------------------------------------------------------------


def with_broker(workspace, topics, client_id="plateledger-test", **more):
    path = workspace / "plant.toml"
    lines = ["", "[mqtt]", f'client_id = "{client_id}"']
    lines += [f"{k} = {v}" for k, v in more.items()]
    for topic, point in topics:
        lines += ["[[mqtt.topic]]", f'topic = "{topic}"', f'point = "{point}"']
    path.write_text(path.read_text(encoding="utf-8") + "\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_topics_are_checked_with_the_register(workspace):
    path = with_broker(workspace, [("a/b", "OAT"), ("a/c", "nothing")])
    with pytest.raises(RegisterError, match='no exchanger has the point "nothing"'):
        read_register(path)


@pytest.mark.parametrize("topics", [[("a/+", "OAT")], [("a", "OAT"), ("a", "OAT")]])
def test_a_topic_carries_one_point(workspace, topics):
    with pytest.raises(RegisterError, match="topic"):
        read_register(with_broker(workspace, topics))


def test_without_a_broker_the_message_says_what_to_add(workspace):
    with pytest.raises(RegisterError, match=r"Add \[mqtt\]"):
        read_broker(workspace / "plant.toml")


# --- with a broker ----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def _broker():
    try:
        socket.create_connection(ADDRESS, timeout=2).close()
    except OSError as exc:
        if os.environ.get("PLATELEDGER_TEST_STRICT"):
            pytest.fail(f"no MQTT broker for the tests: {exc}")
        pytest.skip("no MQTT broker at 127.0.0.1:1883")


@pytest.fixture
def plant(workspace, _broker):
    """A workspace whose register names topics that are this test's alone."""
    name = f"plateledger-test-{uuid4().hex[:8]}"
    points = {f"{name}/supply": "A.HX1.PRI FLW T", f"{name}/return": "A.HX1.PRI RTN T"}
    with_broker(workspace, points.items(), client_id=name, batch_minutes=0.02)
    yield workspace, list(points)
    # a session that nobody takes up again is ended
    client = Client(CallbackAPIVersion.VERSION2, client_id=name, clean_session=True)
    client.connect(*ADDRESS)
    client.disconnect()


@contextmanager
def listening(workspace: Path, said: list[str]):
    ledger = Ledger.open(Settings(workspace=workspace, workers=1))
    ledger.load_register()
    ledger.assess_when_due = lambda tags: ()
    stop = Event()
    listener = Listener(ledger, read_broker(workspace / "plant.toml"), report=said.append)
    thread = Thread(target=listener.run, args=(stop,))
    thread.start()
    try:
        wait_for(lambda: any("listening" in s for s in said[:]))
        yield ledger
    finally:
        stop.set()
        thread.join(timeout=60)
        ledger.close()
        assert not thread.is_alive()


def publish(topics, numbers):
    client = Client(CallbackAPIVersion.VERSION2, client_id=f"sender-{uuid4().hex[:8]}")
    client.max_inflight_messages_set(100)
    client.connect(*ADDRESS)
    client.loop_start()
    sent = []
    for n in numbers:
        when = (START + timedelta(minutes=15 * n)).isoformat()
        for topic, base in zip(topics, (80.0, 45.0), strict=True):
            body = json.dumps({"value": base + n / 1000.0, "time": when})
            sent.append(client.publish(topic, body, qos=1))
    for s in sent:
        s.wait_for_publish(timeout=60)
    client.disconnect()
    client.loop_stop()


def stored(workspace):
    ledger = Ledger.open(Settings(workspace=workspace, workers=1))
    try:
        return ledger.readings("HX-01")
    finally:
        ledger.close()


def test_nothing_is_lost_while_nobody_listens(plant):
    """Listen, stop, publish, listen again: every message is there, once."""
    workspace, topics = plant
    said: list[str] = []
    with listening(workspace, said) as ledger:
        publish(topics, range(40))
        wait_for(lambda: len(ledger.readings("HX-01")) == 40)
    publish(topics, range(40, 80))
    assert len(stored(workspace)) == 40
    with listening(workspace, []) as ledger:
        publish(topics, range(80, 100))
        wait_for(lambda: len(ledger.readings("HX-01")) == 100)
    frame = stored(workspace)
    assert len(frame) == 100
    assert np.allclose(frame["primary_supply_temperature"], 80.0 + np.arange(100) / 1000.0)
    assert np.allclose(frame["primary_return_temperature"], 45.0 + np.arange(100) / 1000.0)
    assert not list((workspace / "spool").glob("*.csv"))


def test_what_was_spooled_before_a_crash_is_stored_at_the_next_start(plant):
    workspace, _topics = plant
    left = Line(time="2025-10-01T00:00:00+00:00", point="A.HX1.PRI FLW T", value="80.5")
    Spool(workspace).write([left])
    with listening(workspace, []):
        pass
    assert stored(workspace)["primary_supply_temperature"].tolist() == [80.5]


def test_what_cannot_be_read_is_counted_and_the_rest_is_stored(plant):
    workspace, topics = plant
    with listening(workspace, []) as ledger:
        client = Client(CallbackAPIVersion.VERSION2)
        client.connect(*ADDRESS)
        client.loop_start()
        for payload in (
            b'{"value": 80, "time": "2025-10-01T00:00:00Z"}',
            b'{"value": 81, "time": "2025-10-01T00:15:00"}',
            b'{"value": "warm", "time": "2025-10-01T00:30:00Z"}',
        ):
            client.publish(topics[0], payload, qos=1).wait_for_publish(60)
        client.disconnect()
        client.loop_stop()
        wait_for(lambda: ledger.import_runs() and sum(r["rows"] for r in ledger.import_runs()) >= 1)
    assert stored(workspace)["primary_supply_temperature"].dropna().tolist() == [80.0]
    (kept,) = (workspace / "spool" / "refused").iterdir()
    lines = kept.read_text().splitlines()[1:]
    assert len(lines) == 2
    assert "has no offset" in lines[0]
    assert "warm" in lines[1]


@pytest.mark.slow
def test_killed_in_the_middle_nothing_is_lost(plant):
    """The listener is killed while messages stream in; the next one finds every one of them.

    960 messages: a broker without a configuration keeps 1000 for one that is away.
    """
    workspace, topics = plant
    command = [
        sys.executable,
        "-c",
        "from service.cli import main; main()",
        "listen",
        "-w",
        workspace,
    ]
    first = subprocess.Popen(command, cwd=ROOT, stderr=subprocess.PIPE, text=True)
    while "listening" not in first.stderr.readline():
        assert first.poll() is None
    sender = Thread(target=publish, args=(topics, range(480)))
    sender.start()
    # something has arrived, wherever it lies by now; most of it is still to come
    wait_for(lambda: any((workspace / "spool").glob("*.csv")) or len(stored(workspace)))
    first.kill()
    first.wait()
    first.stderr.close()
    sender.join()
    with listening(workspace, []) as ledger:
        wait_for(lambda: len(ledger.readings("HX-01")) == 480)
    frame = stored(workspace)
    assert np.allclose(frame["primary_supply_temperature"], 80.0 + np.arange(480) / 1000.0)
    assert frame["primary_return_temperature"].notna().all()
