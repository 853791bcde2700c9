"""Files that were sent and wait for an answer, between the check and the storing.

Kept in memory and few: what is stored goes to the ledger, what is not is forgotten.
"""

import hashlib
from collections import OrderedDict
from threading import Lock

_MOST = 4


class Uploads:
    """The last few files sent, by the SHA-256 of their bytes."""

    def __init__(self, most: int = _MOST) -> None:
        self._most = most
        self._held: OrderedDict[str, tuple[str, bytes]] = OrderedDict()
        self._lock = Lock()

    def keep(self, name: str, data: bytes) -> str:
        """Hold a file and return the hash by which it is asked for again."""
        digest = hashlib.sha256(data).hexdigest()
        with self._lock:
            self._held[digest] = (name, data)
            self._held.move_to_end(digest)
            while len(self._held) > self._most:
                self._held.popitem(last=False)
        return digest

    def get(self, digest: str) -> tuple[str, bytes] | None:
        """Return name and bytes, or ``None`` if the file is no longer held."""
        with self._lock:
            return self._held.get(digest)

    def forget(self, digest: str) -> None:
        """Let a file go."""
        with self._lock:
            self._held.pop(digest, None)
