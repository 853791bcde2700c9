"""Log records as JSON to delimited text, so that one dialect reads every form of them.

Taken are an array of records, an object with ``log-buffer`` (whose other members hold for each
record), and JSON Lines. A record has the members of BACnetLogRecord or BACnetLogMultipleRecord by
their names in the standard, and may carry ``object-identifier``, ``object-name``,
``sequence-number`` and ``units``; ``gap-from`` is a reader's own word for records that were lost between
that moment and this record. The column ``line`` says where a record stood: its line, or its
number where all stand in one array.
"""

import csv
import io
import json
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from analytics.vocabulary.errors import IngestError

COLUMNS = (
    "line", "object-name", "object-identifier", "sequence-number", "timestamp", "datum-type",
    "log-datum", "status-flags", "units", "gap-from",
)  # fmt: skip
_SHOWN = 60


def is_json(data: bytes) -> bool:
    """Tell whether a text can be JSON at all."""
    head = data[:512].removeprefix(b"\xef\xbb\xbf").lstrip()
    return head[:1] == b"{" or (head[:1] == b"[" and head[1:].lstrip()[:1] in (b"{", b"]", b""))


def records_text(data: bytes, name: str) -> bytes:
    """Return the records as text with the columns of ``COLUMNS``.

    Raises
    ------
    IngestError
        If it is no JSON, or none of it is a log record.
    """
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as exc:
        raise IngestError(f"{name}: JSON is in UTF-8, byte {exc.start} is not.") from exc
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    found = False
    for line, record in _records(text, name):
        if isinstance(record, Mapping) and "timestamp" in record:
            found = found or "log-datum" in record or "log-data" in record
            writer.writerows([line, *row] for row in _rows(record))
        else:
            # the dialect refuses the line by its stamp and shows it
            shown = record if isinstance(record, str) else json.dumps(record)
            writer.writerow([line, "", "", "", shown[:_SHOWN], *[""] * 5])
    if not found:
        raise IngestError(
            f"{name}: is JSON without a log record of BACnet (timestamp and log-datum). "
            "Export such records, or CSV."
        )
    return out.getvalue().encode()


def _records(text: str, name: str) -> Iterator[tuple[int, Any]]:
    try:
        whole = json.loads(text)
    except (ValueError, RecursionError) as exc:
        yield from _lines(text, name, exc)
        return
    common: Mapping[str, Any] = {}
    if isinstance(whole, Mapping) and "log-buffer" in whole:
        common = {k: v for k, v in whole.items() if k != "log-buffer"}
        whole = whole["log-buffer"]
    for number, record in enumerate(whole if isinstance(whole, list) else [whole], 1):
        yield number, {**common, **record} if isinstance(record, Mapping) else record


def _lines(text: str, name: str, why: Exception) -> Iterator[tuple[int, Any]]:
    lines = text.splitlines()
    if not any(_parsed(line) is not None for line in lines[:50]):
        raise IngestError(f"{name}: is no JSON ({why}). Export it again.")
    for number, line in enumerate(lines, 1):
        if line.strip():
            record = _parsed(line)
            yield number, line if record is None else record


def _parsed(line: str) -> Mapping[str, Any] | None:
    try:
        record = json.loads(line)
    except (ValueError, RecursionError):
        return None
    return record if isinstance(record, Mapping) else None


def _rows(record: Mapping[str, Any]) -> Iterator[list[str]]:
    """Yield a row for the record, or one for each member of a multiple log."""
    stamp = _stamp(record["timestamp"])
    names = (_text(record.get("object-name")), _text(record.get("object-identifier")))
    number, units = _text(record.get("sequence-number")), record.get("units")
    flags, lost = _flags(record.get("status-flags")), _text(record.get("gap-from"))
    data = record.get("log-data")
    members = data.get("log-data") if isinstance(data, Mapping) else data
    if not isinstance(members, list):
        datum = data if isinstance(data, Mapping) else record.get("log-datum")
        yield [*names, number, stamp, *_datum(datum), flags, _text(units), lost]
        return
    for place, member in enumerate(members, 1):
        own = [f"{n} member {place}" if n else "" for n in names]
        if not any(own):  # the file is the log; its members are still points of their own
            own[0] = f"member {place}"
        unit = units[place - 1] if isinstance(units, list) and place <= len(units) else ""
        yield [*own, number, stamp, *_datum(member), flags, _text(unit), lost]


def _stamp(stamp: Any) -> str:
    if isinstance(stamp, Mapping):
        return f"{_text(stamp.get('date'))} {_text(stamp.get('time'))}"
    return _text(stamp)


def _flags(flags: Any) -> str:
    if isinstance(flags, Sequence) and not isinstance(flags, str):
        return " ".join(map(str, flags))
    return _text(flags)


def _datum(datum: Any) -> tuple[str, str]:
    """Return the kind of a datum and its value as text."""
    if isinstance(datum, Mapping) and len(datum) == 1:
        kind, value = next(iter(datum.items()))
        if isinstance(value, Mapping):  # a failure: its class and code
            value = " ".join(_text(v) for v in value.values())
        elif isinstance(value, list):
            value = " ".join(map(_text, value))
        return str(kind), _text(value)
    if datum is None:
        return "null-value", ""
    return "", _text(datum)


def _text(value: Any) -> str:
    if value is None:
        return ""
    return str(value).lower() if isinstance(value, bool) else str(value)
