"""A folder whose files are imported as they come, and moved to ``done`` or to ``refused``.

A file is taken once it has kept its size and time of change between two looks. What is in the folder
when the watch starts, or was being imported when it was stopped, is taken like anything else: storing
a file twice stores it once.
"""

import time
from dataclasses import dataclass
from pathlib import Path

from analytics.vocabulary.errors import IngestError, RegisterError
from service.usecases.files import ImportOptions, load
from service.usecases.importing import ImportOutcome
from service.usecases.ledger import Ledger
from service.usecases.parts import each_file

DONE, REFUSED = "done", "refused"
REASON = ".reason.txt"
# names under which programs write what they will rename when it is whole
_UNFINISHED = (".part", ".partial", ".tmp", ".temp", ".crdownload", ".filepart", ".swp", "~")
_SETTLE_S = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """A file that was taken: what each file in it stored, and why the rest was refused."""

    name: str
    outcomes: tuple[ImportOutcome, ...]
    refused: str | None
    moved_to: Path


class DropFolder:
    """A watched folder; :meth:`sweep` takes what is ready."""

    def __init__(self, folder: Path, *, settle_s: float = _SETTLE_S) -> None:
        self.folder = folder
        self._settle_s = settle_s
        self._seen: dict[str, tuple[tuple[int, int], float]] = {}

    def prepare(self) -> None:
        """Make the folder and those inside it; raise RegisterError where that cannot be done."""
        try:
            for folder in (self.folder, self.folder / DONE, self.folder / REFUSED):
                folder.mkdir(parents=True, exist_ok=True)
        except OSError as exc:
            raise RegisterError(
                f"{self.folder}: cannot be used, {exc.strerror}. Choose another folder."
            ) from None

    def sweep(self, ledger: Ledger, options: ImportOptions | None = None) -> list[Taken]:
        """Import every file that is complete, oldest first, and return what became of each.

        A database that cannot be reached is no fault of the file: the error goes to the caller, and
        the file waits.
        """
        return [self._take(path, ledger, options or ImportOptions()) for path in self._ready()]

    def _ready(self) -> list[Path]:
        now_s = time.monotonic()
        found: dict[str, tuple[tuple[int, int], float]] = {}
        ready: list[tuple[int, Path]] = []
        for path in self.folder.iterdir():
            name = path.name
            if name.startswith(".") or name.lower().endswith(_UNFINISHED) or not path.is_file():
                continue
            try:
                state = path.stat()
            except FileNotFoundError:
                continue  # taken away between the two looks
            mark = (state.st_size, state.st_mtime_ns)
            before = self._seen.get(name)
            still = before is not None and before[0] == mark
            since_s = before[1] if before is not None and still else now_s
            found[name] = (mark, since_s)
            if still and now_s - since_s >= self._settle_s:
                ready.append((state.st_mtime_ns, path))
        self._seen = found
        return [path for _, path in sorted(ready)]

    def _take(self, path: Path, ledger: Ledger, options: ImportOptions) -> Taken:
        try:
            data = load(path)
        except (IngestError, RegisterError) as exc:
            return self._refuse(path, [], [str(exc)])
        parts = list(
            each_file(path.name, data, lambda name, its: ledger.import_store(name, its, options))
        )
        outcomes = [part.done for part in parts if part.done is not None]
        reasons = [part.refused for part in parts if part.refused]
        if reasons:
            return self._refuse(path, outcomes, reasons)
        target = _free(self.folder / DONE / path.name)
        path.replace(target)
        return Taken(name=path.name, outcomes=tuple(outcomes), refused=None, moved_to=target)

    def _refuse(self, path: Path, outcomes: list[ImportOutcome], reasons: list[str]) -> Taken:
        target = _free(self.folder / REFUSED / path.name)
        # the reason first: a file never lies there without one
        reason = target.with_name(target.name + REASON)
        stored = ", ".join(o.name for o in outcomes)
        reason.write_text(
            "\n".join(reasons)
            + ("\n\nNothing of it was stored." if not stored else f"\n\nStored of it: {stored}.")
            + " Put it right, or answer by hand with plateledger import, and drop it again.\n",
            encoding="utf-8",
        )
        path.replace(target)
        return Taken(
            name=path.name, outcomes=tuple(outcomes), refused=" ".join(reasons), moved_to=target
        )


def _free(path: Path) -> Path:
    """Return ``path``, or one like it that nothing has."""
    number, tried = 2, path
    while tried.exists():
        tried = path.with_name(f"{path.stem} ({number}){path.suffix}")
        number += 1
    return tried
