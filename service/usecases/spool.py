"""What comes by itself on its way to the ledger: on disk before anybody may forget it.

Lives here: messages of a broker as lines, and what every spool does with its files. Not here: values
asked of devices (``value_spool``).
"""

import csv
import io
import json
import os
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from math import isfinite
from pathlib import Path
from typing import Any

from analytics.vocabulary.errors import IngestError, RegisterError
from service.register.broker import Topic
from service.usecases.files import ImportOptions
from service.usecases.importing import ImportOutcome
from service.usecases.ledger import Ledger

FOLDER = "spool"
REFUSED = "refused"
_CURRENT = "arriving.csv"
_HEADER = b"time,point,value\n"
_REFUSED_HEADER = b"arrived,point,payload,reason\n"
_OPTIONS = ImportOptions(decimal=".", delimiter=",", encoding="utf-8")
# Seconds since 1970 beyond this are milliseconds: the year 5138 is not what a controller means.
_SECONDS_MOST = 1e11
_SWITCH = {True: "1", False: "0", "on": "1", "off": "0", "true": "1", "false": "0"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """A message as it came."""

    topic: str
    payload: bytes
    retained: bool
    arrived_utc: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A message as a line of the batch; ``refused`` says why it cannot be one."""

    time: str
    point: str
    value: str
    refused: str = ""


def line_of(message: Message, topic: Topic) -> Line:
    """Return a message as a line; what cannot be read is kept in ``value`` as it came."""
    text = message.payload.decode("utf-8", "replace").strip()
    arrived = message.arrived_utc.isoformat()
    value: Any = text
    stamp: Any = None
    if text.startswith("{"):
        try:
            body = json.loads(text)
        except ValueError:
            return Line(time=arrived, point=topic.point, value=text, refused="is no JSON")
        value, stamp = _member(body, topic.value), _member(body, topic.time)
    try:
        if stamp is None and message.retained:
            # when it was measured is not known; it may have been kept for weeks
            raise ValueError("was kept by the broker and does not carry its time")
        when = arrived if stamp is None else _moment(stamp).isoformat()
        return Line(time=when, point=topic.point, value=_number(value, topic.value))
    except ValueError as exc:
        return Line(time=arrived, point=topic.point, value=text, refused=str(exc))


def _member(body: Any, name: str) -> Any:
    for part in name.split("."):
        if not isinstance(body, dict):
            return None
        body = body.get(part)
    return body


def _number(value: Any, name: str) -> str:
    if isinstance(value, bool) or (isinstance(value, str) and value.lower() in _SWITCH):
        return _SWITCH[value.lower() if isinstance(value, str) else value]
    try:
        number = float(value)
    except (TypeError, ValueError):
        raise ValueError(f"{name} is no number") from None
    if not isfinite(number):
        raise ValueError(f"{name} is not finite")
    return repr(number)


def _moment(stamp: Any) -> datetime:
    """Return a stamp in UTC; one without an offset is refused, as nothing tells its zone."""
    try:
        if isinstance(stamp, int | float) and not isinstance(stamp, bool):
            seconds = stamp / 1000.0 if abs(stamp) > _SECONDS_MOST else float(stamp)
            return datetime.fromtimestamp(seconds, UTC)
        moment = datetime.fromisoformat(str(stamp))
    except (ValueError, OverflowError, OSError):
        raise ValueError(f"{stamp!r} is no time") from None
    if moment.tzinfo is None:
        raise ValueError(f"{stamp!r} has no offset from UTC")
    return moment.astimezone(UTC)


def _append(path: Path, header: bytes, rows: Sequence[Sequence[str]]) -> None:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows(
        [cell.replace("\n", " ").replace("\r", " ") for cell in row] for row in rows
    )
    append(path, text.getvalue().encode(), header)


def append(path: Path, data: bytes, header: bytes = b"") -> None:
    """Add to a file, after ``header`` where it is new; it is on the disk when this returns."""
    with path.open("ab") as target:
        if target.tell() == 0:
            target.write(header)
        target.write(data)
        target.flush()
        os.fsync(target.fileno())


def mend(path: Path) -> None:
    """Drop the end of a line that was being written when the machine went down."""
    if not path.exists():
        return
    data = path.read_bytes()
    whole = data[: data.rfind(b"\n") + 1]
    if whole != data:
        with path.open("r+b") as target:
            target.truncate(len(whole))


def make_folder(folder: Path) -> None:
    """Make a spool's folder, with that for what is refused.

    Raises
    ------
    RegisterError
        If it cannot be made.
    """
    try:
        (folder / REFUSED).mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        raise RegisterError(f"{folder}: cannot be used, {exc.strerror}.") from None


def store_batches(
    folder: Path, pattern: str, ledger: Ledger, options: ImportOptions
) -> list[tuple[str, ImportOutcome | str]]:
    """Store the files of ``folder``; return each with what it stored, or why it was refused.

    One that is refused is kept beside its reason.
    """
    done: list[tuple[str, ImportOutcome | str]] = []
    for path in sorted(folder.glob(pattern)):
        try:
            done.append((path.name, ledger.import_store(path.name, path.read_bytes(), options)))
        except (IngestError, RegisterError) as exc:
            kept = folder / REFUSED / path.name
            kept.with_name(kept.name + ".reason.txt").write_text(f"{exc}\n", encoding="utf-8")
            path.replace(kept)
            done.append((path.name, str(exc)))
        else:
            path.unlink()
    return done


class Spool:
    """Lines on disk that wait to be stored; they outlive the process."""

    def __init__(self, workspace: Path) -> None:
        self.folder = workspace / FOLDER
        self._current = self.folder / _CURRENT
        make_folder(self.folder)
        # a message of which a part was written was not acknowledged: the broker sends it again
        mend(self._current)

    def write(self, lines: Sequence[Line]) -> int:
        """Append lines; they are on the disk when this returns. Return how many were refused.

        Refused ones go to a file of the day, with the reason.
        """
        good = [(n.time, n.point, n.value) for n in lines if not n.refused]
        bad = [(n.time, n.point, n.value, n.refused) for n in lines if n.refused]
        if good:
            _append(self._current, _HEADER, good)
        if bad:
            day = datetime.now(UTC).date()
            _append(self.folder / REFUSED / f"messages {day}.csv", _REFUSED_HEADER, bad)
        return len(bad)

    def close_batch(self) -> None:
        """End the batch that is being written, if any; :meth:`store` then takes it."""
        if self._current.exists() and self._current.stat().st_size > len(_HEADER):
            name = f"mqtt {datetime.now(UTC):%Y-%m-%dT%H%M%S.%fZ}.csv"
            self._current.replace(self.folder / name)

    def store(self, ledger: Ledger) -> list[tuple[str, ImportOutcome | str]]:
        """Store all batches that were ended; return each with what it stored, or why it was refused."""
        return store_batches(self.folder, "mqtt *.csv", ledger, _OPTIONS)
