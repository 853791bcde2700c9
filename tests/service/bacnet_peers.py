"""Devices for the tests as processes of their own, each by a BACnet stack that is not the reader's."""

import os
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

HERE = Path(__file__).parent


@dataclass(frozen=True)
class Peer:
    """A device on the loopback interface."""

    port: int
    process: subprocess.Popen[str]

    @property
    def address(self) -> str:
        return f"127.0.0.1:{self.port}"


def free_port() -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as found:
        found.bind(("127.0.0.1", 0))
        return found.getsockname()[1]


@contextmanager
def _running(script: str, *arguments: object, zone: str = "Etc/UTC") -> Iterator[Peer]:
    """Run a peer whose process has a zone of its own, whatever that of the machine is."""
    port = free_port()
    process = subprocess.Popen(
        [sys.executable, str(HERE / script), str(port), *map(str, arguments)],
        stdout=subprocess.PIPE, text=True, env={**os.environ, "TZ": zone},
    )  # fmt: skip
    try:
        assert process.stdout.readline() == "ready\n"
        yield Peer(port, process)
    finally:
        process.kill()
        process.wait()
        process.stdout.close()


def peer(count: int = 0, buffer: int = 500):
    """A device with logs that grow, by rusty-bacnet."""
    return _running("bacnet_peer.py", count, buffer)


def plain_peer(zone: str = "CET"):
    """A field device without ReadPropertyMultiple, by bacpypes; its clock is that of ``zone``.

    The stack needs a part of the standard library that Python 3.12 no longer has.
    """
    if sys.version_info >= (3, 12):
        pytest.skip("bacpypes does not run on Python 3.12 and newer")
    return _running("bacnet_plain_peer.py", zone=zone)
