"""How a source is to be read: the site's zone and points, and what the user states outright."""

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta, timezone, tzinfo
from typing import Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from analytics.vocabulary.errors import IngestError
from ingest.point_map import PointMap

DateOrder = Literal["dmy", "mdy", "ymd"]
StampMeaning = Literal["start", "end", "instant"]
BYTES_MOST = 1 << 30

_OFFSET = re.compile(r"^(?:UTC|GMT)?\s*([+-])(\d{1,2})(?::?(\d{2}))?$", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """What was settled on a survey of a large file, for each of its parts (``ingest.large``)."""

    decimal: str
    date_order: DateOrder | None
    interval_s: float | None
    newest_first: bool
    orderly: bool  # a stamp outside the order of its neighbours is a damaged one
    samples: Mapping[tuple[int, int], list[str]]  # cells by column and number, from all of the file


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """What is known before the source is opened.

    Everything from ``delimiter`` on is ``None`` where the file itself shall tell; what the user
    states there is taken without further evidence.
    """

    zone: ZoneInfo
    points: PointMap = field(default_factory=PointMap)
    tags: Collection[str] = ()  # exchangers of the register
    only_tag: str | None = None  # the file is this exchanger's
    delimiter: str | None = None
    decimal: Literal[",", "."] | None = None
    encoding: str | None = None
    date_order: DateOrder | None = None
    time_zone: str | None = None  # a zone name, "UTC", or an offset as in "+01:00"
    stamp: StampMeaning | None = None
    importing_utc: datetime | None = None  # the time of the import, which no stamp can be far past
    propose: bool = False  # weigh what points that nobody registered may be
    bytes_most: int = BYTES_MOST  # of the unpacked source
    surveying: bool = False  # lines are left out: what only all of them together tell is not asked
    settled: Settled | None = None  # the source is a part of a large file

    def __post_init__(self) -> None:
        if self.delimiter is not None and (len(self.delimiter) != 1 or ord(self.delimiter) > 127):
            raise IngestError(
                f"delimiter: must be one plain character, got {self.delimiter!r}. "
                "Give one of ; , | or a tab."
            )
        if self.only_tag is not None and self.tags and self.only_tag not in self.tags:
            raise IngestError(
                f"exchanger {self.only_tag!r} is not in the register. "
                f"Give one of {', '.join(sorted(self.tags))}, or add it there."
            )
        clock_of(self.time_zone, self.zone)

    @property
    def whole(self) -> bool:
        """The source is read from its first line to its last at once."""
        return not self.surveying and self.settled is None

    @property
    def clock(self) -> tzinfo:
        """The zone in which stamps without an offset are read."""
        return clock_of(self.time_zone, self.zone)


def clock_of(text: str | None, otherwise: tzinfo) -> tzinfo:
    """Return the zone that ``text`` names; ``otherwise`` where it is ``None``.

    Raises
    ------
    IngestError
        If it is neither a zone nor an offset.
    """
    if text is None:
        return otherwise
    if text.strip().upper() in ("UTC", "Z", "GMT"):
        return timezone.utc  # noqa: UP017 - beside the offsets below, the same kind of object
    if match := _OFFSET.match(text.strip()):
        sign = -1 if match[1] == "-" else 1
        hours, minutes = int(match[2]), int(match[3] or 0)
        if hours <= 14 and minutes < 60:
            return timezone(sign * timedelta(hours=hours, minutes=minutes))
    try:
        return ZoneInfo(text.strip())
    except (ZoneInfoNotFoundError, ValueError, OSError) as exc:
        raise IngestError(
            f"time zone {text!r} is not known. Give an IANA zone such as CET, UTC, or an offset "
            "such as +01:00."
        ) from exc
