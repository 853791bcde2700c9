"""Waiting for what a test speaks of."""

import time
from collections.abc import Callable

MOST_S = 60.0  # a limit for a machine that is busy, and no time that anything takes


def wait_for(condition: Callable[[], object]) -> None:
    """Return as soon as ``condition`` holds."""
    until = time.monotonic() + MOST_S
    while not condition():
        assert time.monotonic() < until, "waited in vain"
        time.sleep(0.05)
