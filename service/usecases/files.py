"""From a file to readings by exchanger: the one place where the service meets ``ingest``."""

import hashlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from sqlalchemy import Connection

from analytics.vocabulary.errors import IngestError, RegisterError
from service.register.plant import Plant
from service.register.reading import exchanger_of
from service.store import originals
from service.store.codec import fingerprint, plain

if TYPE_CHECKING:
    import pandas as pd

    from ingest.examination import Examination
    from ingest.findings import Finding
    from ingest.large import Survey
    from ingest.rules import Rules
    from ingest.streams import Opener
    from ingest.unpacking import Member


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportOptions:
    """What the user says about a file; ``None`` or empty: find out from the file."""

    exchanger: str | None = None
    date_order: str | None = None  # "dmy", "mdy", "ymd"
    time_zone: str | None = None
    decimal: str | None = None
    delimiter: str | None = None
    encoding: str | None = None
    stamp: str | None = None  # "start", "end", "instant": what a stamp says of its value
    units: Mapping[str, str] = field(default_factory=dict)  # point -> unit
    accept: bool = False  # where a question is open, take the file as the check says


DATE_ORDERS = ("dmy", "mdy", "ymd")
STAMPS = ("start", "end", "instant")
DELIMITERS = {"tab": "\t", "\\t": "\t", "comma": ",", "semicolon": ";", "pipe": "|"}


def rules_for(plant: Plant, options: ImportOptions) -> "Rules":
    """Return the rules by which a file of ``plant`` is read.

    Raises
    ------
    RegisterError
        If the options name an exchanger that is not registered.
    IngestError
        If a zone or delimiter cannot be used.
    """
    from ingest.point_map import Point, PointMap
    from ingest.rules import Rules

    if options.exchanger is not None:
        exchanger_of(plant, options.exchanger)
    delimiter = options.delimiter
    return Rules(
        zone=plant.zone,
        points=PointMap(
            Point(
                name=p.name,
                tag=p.tag,
                role=p.role,
                unit=options.units.get(p.name, p.unit),
                file=p.file,
            )
            for p in plant.points
        ),
        tags=tuple(e.tag for e in plant.exchangers),
        only_tag=options.exchanger,
        delimiter=None if delimiter is None else DELIMITERS.get(delimiter.lower(), delimiter),
        decimal=cast("Any", _one_of("decimal", options.decimal, (",", "."))),
        encoding=options.encoding,
        date_order=cast("Any", _one_of("date_order", options.date_order, DATE_ORDERS)),
        time_zone=options.time_zone or plant.logger_zone,
        stamp=cast("Any", _one_of("stamp", options.stamp, STAMPS)),
        importing_utc=datetime.now(UTC),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """What a file holds: a trend frame for each exchanger, a gap frame for those with gaps."""

    trends: "Mapping[str, pd.DataFrame]"
    examination: "Examination"
    findings: "tuple[Finding, ...]" = ()
    gaps: "Mapping[str, pd.DataFrame]" = field(default_factory=dict)


def read_source(
    plant: Plant, name: str, data: bytes, options: ImportOptions, *, propose: bool = False
) -> Source:
    """Return the trends of each exchanger in a file, and what was recognised and refused.

    Raises
    ------
    IngestError
        If the file cannot be read at all.
    """
    from ingest.pipeline import look, read_trends

    rules = replace(rules_for(plant, options), propose=propose)
    try:
        result = read_trends(data, name, rules)
    except IngestError:
        # none of its points may be registered, which is a matter of the register and not of the
        # file; a file that nobody can read says so here once more
        result = look(data, name, rules)
    return Source(
        trends=result.blocks,
        examination=result.examination,
        findings=tuple(result.findings),
        gaps=result.gaps,
    )


@dataclass(frozen=True, slots=True)
class SentFile:
    """A file that was sent: to be opened from its start as often as need be, or to be held whole."""

    name: str
    open: "Opener"
    whole: Callable[[], bytes]
    data: bytes | None = None  # where it is held anyway

    @classmethod
    def of(cls, name: str, data: bytes | Path) -> "SentFile":
        """Return the file that ``data`` is, or that lies at that path."""
        from ingest.streams import opener

        if isinstance(data, bytes):
            return cls(name, opener(data), lambda: data, data)
        return cls(name, opener(data), lambda: read_bytes(data))

    @classmethod
    def kept(cls, connection: Connection, sha256: str, name: str) -> "SentFile":
        """Return a file that was imported before."""
        from ingest.streams import joined

        def whole() -> bytes:
            data = originals.whole(connection, sha256)
            assert data is not None  # an import refers to its file
            return data

        return cls(name, joined(lambda: originals.parts(connection, sha256)), whole)

    def packed(self) -> Iterator[bytes]:
        """Yield the file packed for keeping, part by part."""
        with self.open() as stream:
            while part := stream.read(originals.PART_BYTES):
                yield originals.pack(part)

    def digest(self) -> tuple[str, int]:
        """Return the SHA-256 of the file, and its size."""
        if self.data is not None:
            return digest(self.data), len(self.data)
        found, size = hashlib.sha256(), 0
        with self.open() as stream:
            while part := stream.read(1 << 20):
                found.update(part)
                size += len(part)
        return found.hexdigest(), size


def survey_source(
    plant: Plant, sent: SentFile, options: ImportOptions, *, propose: bool = False
) -> "Survey | None":
    """Return a survey of a file that is large, to be read part by part; ``None`` for any other.

    Raises
    ------
    IngestError
        If the file cannot be read at all.
    """
    from ingest.large import survey

    return survey(sent.open, sent.name, replace(rules_for(plant, options), propose=propose))


def _one_of(name: str, value: str | None, choices: tuple[str, ...]) -> str | None:
    if value is not None and value not in choices:
        raise RegisterError(f"{name}: must be one of {', '.join(choices)}, got {value!r}.")
    return value


def way_of_reading(plant: Plant, options: ImportOptions) -> str:
    """Return a text that differs whenever a file would be read differently."""
    clock = [plant.zone.key, *([plant.logger_zone] if plant.logger_zone else [])]
    return fingerprint(*clock, plain(plant.points), plain(replace(options, accept=False)))


def digest(data: bytes) -> str:
    """Return the SHA-256 of a file's bytes."""
    return hashlib.sha256(data).hexdigest()


def files_below(paths: Sequence[Path]) -> Iterator[tuple[Path, str]]:
    """Yield each file of ``paths`` and of the folders among them, with the name to show.

    Hidden files are passed over: they are litter of the machine that packed the folder.
    """
    for path in paths:
        if not path.is_dir():
            yield path, path.name
            continue
        for found in sorted(path.rglob("*")):
            inside = found.relative_to(path)
            if found.is_file() and not any(part.startswith(".") for part in inside.parts):
                yield found, f"{path.name}/{inside.as_posix()}"


def contents(name: str, data: bytes) -> "Iterator[Member]":
    """Yield the files that an archive or workbook holds, or the file itself.

    Raises
    ------
    IngestError
        If an archive is damaged, leads outside of itself, or holds too much.
    """
    from ingest.containers import members

    return members(name, data)


def contents_of(name: str, data: bytes | Path) -> Iterator[tuple[str, bytes | Path, str]]:
    """Yield name, content and reason of refusal of what a file holds, or of the file itself.

    The content is a path only where ``data`` is one, and holds until the next is asked for.

    Raises
    ------
    IngestError
        As :func:`contents`.
    """
    from ingest.containers import members_on_disk
    from ingest.large import LARGE_FROM
    from ingest.unpacking import LargeMember

    found = (
        contents(name, data) if isinstance(data, bytes) else members_on_disk(name, data, LARGE_FROM)
    )
    for member in found:
        if isinstance(member, LargeMember):
            yield member.name, member.path, ""
        else:
            yield member.name, member.data, member.refused


def load(path: Path) -> bytes | Path:
    """Return a file's bytes; of a large text its path, so that it is read from there part by part.

    Raises
    ------
    RegisterError, IngestError
        As :func:`read_bytes`.
    """
    from ingest.large import can_be_large

    try:
        return path if path.is_file() and can_be_large(path) else read_bytes(path)
    except OSError as exc:
        raise RegisterError(f"{path}: cannot be opened, {exc.strerror}. Check the path.") from None


def read_bytes(path: Path) -> bytes:
    """Return a file's bytes.

    Raises
    ------
    RegisterError
        If it cannot be opened.
    IngestError
        If it is larger than any source that is held whole may be; it is not read then.
    """
    from ingest.bacnet.json_text import is_json
    from ingest.rules import BYTES_MOST
    from ingest.sources import too_large

    try:
        size = path.stat().st_size
        if path.is_file() and size > BYTES_MOST:
            with path.open("rb") as stream:
                records = is_json(stream.read(4096))
            if records:
                raise IngestError(
                    f"{path.name}: {size / 2**20:.0f} MiB of JSON, more than the limit of "
                    f"{BYTES_MOST / 2**20:.0f} MiB. Split it between its lines, each of which is a record of "
                    "its own, and import the parts in their order."
                )
            raise too_large(path.name, f"{size / 2**20:.0f} MiB", BYTES_MOST)
        return path.read_bytes()
    except OSError as exc:
        raise RegisterError(f"{path}: cannot be opened, {exc.strerror}. Check the path.") from None
