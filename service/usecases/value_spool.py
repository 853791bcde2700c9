"""Values asked of devices, on their way to the ledger: on disk as soon as they are read."""

import json
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from threading import Lock
from typing import Any

from analytics.vocabulary.errors import RegisterError
from service.usecases.files import ImportOptions
from service.usecases.importing import ImportOutcome
from service.usecases.ledger import Ledger
from service.usecases.spool import FOLDER, append, make_folder, mend, store_batches

_CURRENT = "arriving.jsonl"
_OPTIONS = ImportOptions(accept=True)  # nobody is there to be asked; what is doubtful is a finding


class ValueSpool:
    """Records on disk that wait to be stored, a line each; they outlive the process."""

    def __init__(self, workspace: Path) -> None:
        self.folder = workspace / FOLDER / "bacnet"
        self._current = self.folder / _CURRENT
        self._storing = Lock()
        make_folder(self.folder)
        mend(self._current)

    def write(self, records: Sequence[dict[str, Any]]) -> None:
        """Append records; they are on the disk when this returns.

        Raises
        ------
        RegisterError
            If the disk does not take them.
        """
        if not records:
            return
        try:
            append(self._current, "".join(json.dumps(r) + "\n" for r in records).encode())
        except OSError as exc:
            raise RegisterError(f"{self._current}: cannot be written, {exc.strerror}.") from None

    def close_batch(self) -> None:
        """End the batch that is being written, if any; :meth:`store` then takes it."""
        if self._current.exists() and self._current.stat().st_size:
            name = f"bacnet values {datetime.now(UTC):%Y-%m-%dT%H%M%S.%fZ}.jsonl"
            self._current.replace(self.folder / name)

    def store(self, ledger: Ledger) -> list[tuple[str, ImportOutcome | str]]:
        """Store all batches that were ended; return each with what it stored, or why it was refused."""
        with self._storing:  # a stop may come while the batch before is being stored
            return store_batches(self.folder, "bacnet values *.jsonl", ledger, _OPTIONS)
