"""Files that were sent and wait for an answer, between the check and the storing.

Kept in a folder of the workspace, so that a restart of the service or a second process loses none;
bounded in number, size and age. What is stored goes to the ledger and is let go here.
"""

import hashlib
import json
import re
import time
from collections.abc import Iterator
from pathlib import Path
from tempfile import NamedTemporaryFile
from typing import BinaryIO

from analytics.vocabulary.errors import IngestError

FOLDER = "uploads"
_FILES_MOST = 200
_AGE_MOST_S = 7 * 86_400.0
_CHUNK = 1 << 20
_DIGEST = re.compile(r"^[0-9a-f]{64}$")


class Uploads:
    """Files sent, by the SHA-256 of their bytes; the oldest go where there are too many."""

    def __init__(
        self, folder: Path, *, file_bytes_most: int, bytes_most: int, files_most: int = _FILES_MOST
    ) -> None:
        self._folder = folder
        self._file_bytes_most = file_bytes_most
        self._bytes_most = bytes_most
        self._files_most = files_most

    def keep(self, name: str, source: BinaryIO) -> str:
        """Hold a file and return the hash by which it is asked for again.

        Raises
        ------
        IngestError
            If it is too large, or the workspace cannot be written to.
        """
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            digest = self._write(name, source)
            self._tidy(keep=digest)
        except OSError as exc:
            raise IngestError(
                f"{name}: cannot be held at {self._folder}, {exc.strerror}. "
                "Make room there, or use the command: plateledger import"
            ) from None
        return digest

    def get(self, digest: str) -> tuple[str, bytes] | None:
        """Return name and bytes, or ``None`` if the file is no longer held."""
        if not _DIGEST.match(digest):
            return None
        try:
            name = json.loads(self._label(digest).read_text(encoding="utf-8"))["name"]
            return str(name), (self._folder / digest).read_bytes()
        except (OSError, ValueError, KeyError):
            return None

    def forget(self, digest: str) -> None:
        """Let a file go."""
        if _DIGEST.match(digest):
            self._label(digest).unlink(missing_ok=True)
            (self._folder / digest).unlink(missing_ok=True)

    def _label(self, digest: str) -> Path:
        return self._folder / f"{digest}.json"

    def _write(self, name: str, source: BinaryIO) -> str:
        found, size = hashlib.sha256(), 0
        with NamedTemporaryFile(dir=self._folder, prefix="arriving-", delete=False) as target:
            path = Path(target.name)
            try:
                while chunk := source.read(_CHUNK):
                    size += len(chunk)
                    if size > self._file_bytes_most:
                        raise IngestError(
                            f"{name}: is larger than {self._file_bytes_most / 2**20:.0f} MiB. "
                            "Split it by month, or use the command: plateledger import"
                        )
                    found.update(chunk)
                    target.write(chunk)
            except BaseException:
                path.unlink(missing_ok=True)
                raise
        digest = found.hexdigest()
        path.replace(self._folder / digest)
        self._label(digest).write_text(json.dumps({"name": name}), encoding="utf-8")
        return digest

    def _tidy(self, keep: str) -> None:
        """Let go of what is too old, and of the oldest where there is too much."""
        now_s = time.time()
        count, size = 0, 0
        for digest, age_s, its_size in self._held(now_s):
            count, size = count + 1, size + its_size
            beyond = count > self._files_most or size > self._bytes_most or age_s > _AGE_MOST_S
            if beyond and digest != keep:
                self.forget(digest)
        for left in self._folder.glob("arriving-*"):  # of a process that was killed
            if now_s - left.stat().st_mtime > _AGE_MOST_S:
                left.unlink(missing_ok=True)

    def _held(self, now_s: float) -> Iterator[tuple[str, float, int]]:
        """Yield hash, age and size of what is held, the newest first."""
        states = [(p.name, p.stat()) for p in self._folder.iterdir() if _DIGEST.match(p.name)]
        for name, state in sorted(states, key=lambda s: -s[1].st_mtime_ns):
            yield name, now_s - state.st_mtime, state.st_size
