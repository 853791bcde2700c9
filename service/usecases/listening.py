"""Listen to a broker: every message is on disk before it is acknowledged, and stored in batches.

The session is persistent and the quality of service 1: while nobody listens the broker keeps what
comes (as much as it is set to keep), and sends again what was not acknowledged. A message that comes
twice is stored once where it carries its time.
"""

import time
from collections.abc import Callable
from datetime import UTC, datetime
from queue import Empty, Queue
from threading import Event
from typing import TYPE_CHECKING, Any

from sqlalchemy.exc import OperationalError

from analytics.vocabulary.errors import PlateledgerError, RegisterError
from service.register.broker import Broker
from service.usecases.ledger import Ledger
from service.usecases.spool import REFUSED, Message, Spool, line_of

if TYPE_CHECKING:
    from paho.mqtt.client import Client

_QOS = 1
_WAIT_S = 0.5
_AT_ONCE = 1000
_RECONNECT_S = (1, 60)
Report = Callable[[str], None]


class Listener:
    """One connection to a broker and the spool behind it."""

    def __init__(
        self, ledger: Ledger, broker: Broker, *, password: str | None = None,
        report: Report = lambda _text: None,
    ) -> None:  # fmt: skip
        self._ledger, self._broker, self._report = ledger, broker, report
        self._topics = {t.topic: t for t in broker.topics}
        self._spool = Spool(ledger.settings.workspace)
        self._arrived: Queue[tuple[Message, int]] = Queue()
        self._client = self._make_client(password)
        self._stored_at = time.monotonic()
        self._refused = 0

    def run(self, stop: Event) -> None:
        """Listen until ``stop`` is set; what was left over from before is stored first."""
        self._store()
        self._client.connect_async(self._broker.host, self._broker.port, keepalive=30)
        self._client.loop_start()
        try:
            while not stop.is_set():
                self._spool_what_came()
                if time.monotonic() - self._stored_at >= self._broker.batch_s:
                    self._store()
        finally:
            self._client.disconnect()
            self._client.loop_stop()
            # what was acknowledged is on disk; what was not comes again
            self._store()

    def _make_client(self, password: str | None) -> "Client":
        try:
            from paho.mqtt.client import Client
            from paho.mqtt.enums import CallbackAPIVersion
        except ImportError:
            raise RegisterError(
                'the MQTT client is not installed. Install it: pip install "plateledger[mqtt]"'
            ) from None
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._broker.client_id,
            clean_session=False,
            manual_ack=True,
        )
        if self._broker.username is not None:
            client.username_pw_set(self._broker.username, password)
        if self._broker.tls:
            client.tls_set()
        client.reconnect_delay_set(*_RECONNECT_S)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        return client

    def _on_connect(
        self, client: "Client", _data: Any, _flags: Any, reason: Any, _more: Any
    ) -> None:
        where = f"{self._broker.host}:{self._broker.port}"
        if reason.is_failure:
            self._report(f"{where}: refused the connection, {reason}. Trying again.")
            return
        client.subscribe([(topic, _QOS) for topic in self._topics])
        self._report(f"{where}: listening to {len(self._topics)} topics.")

    def _on_disconnect(
        self, _client: "Client", _data: Any, _flags: Any, reason: Any, _more: Any
    ) -> None:
        if reason.is_failure:
            self._report(f"{self._broker.host}: the connection was lost, {reason}. Trying again.")

    def _on_message(self, _client: "Client", _data: Any, message: Any) -> None:
        came = Message(
            topic=message.topic, payload=message.payload, retained=bool(message.retain),
            arrived_utc=datetime.now(UTC),
        )  # fmt: skip
        self._arrived.put((came, message.mid))

    def _spool_what_came(self) -> None:
        came: list[tuple[Message, int]] = []
        try:
            came.append(self._arrived.get(timeout=_WAIT_S))
            while len(came) < _AT_ONCE:
                came.append(self._arrived.get_nowait())
        except Empty:
            pass
        if not came:
            return
        # the broker may still hold the subscription to a topic that the register no longer names
        known = [m for m, _ in came if m.topic in self._topics]
        self._refused += self._spool.write([line_of(m, self._topics[m.topic]) for m in known])
        for _, number in came:
            self._client.ack(number, _QOS)

    def _store(self) -> None:
        self._stored_at = time.monotonic()
        if self._refused:
            where = self._spool.folder / REFUSED
            self._report(f"{self._refused} messages could not be read; {where} holds them and why.")
            self._refused = 0
        self._spool.close_batch()
        try:
            done = self._spool.store(self._ledger)
        except (PlateledgerError, OperationalError) as exc:
            self._report(f"the batch waits in {self._spool.folder}: {exc}")
            return
        for name, outcome in done:
            if isinstance(outcome, str):
                self._report(f"{name}: refused and kept. {outcome}")
            else:
                self._report(
                    f"{name}: {outcome.new_values} new values, {outcome.refused_rows} refused."
                )
                self._ledger.assess_when_due(outcome.tags)
