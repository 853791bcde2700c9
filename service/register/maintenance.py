"""The maintenance log as people keep it: ``maintenance.csv``, and one entry typed on a line.

The log itself is the ledger's. The file is only read: lines that the log does not have yet are added.

Columns: tag, date, deed, role, plates_after, note. The last three may be empty.
"""

import csv
from datetime import UTC, date, datetime, time
from pathlib import Path
from zoneinfo import ZoneInfo

from analytics.vocabulary.errors import RegisterError
from analytics.vocabulary.quantities import ROLE_NAMES
from analytics.vocabulary.records import Deed, MaintenanceEvent
from service.register.explaining import nearest
from service.register.plant import Plant
from service.register.reading import exchanger_of

COLUMNS = ("tag", "date", "deed", "role", "plates_after", "note")
HEADER = ",".join(COLUMNS) + "\n"
# A visit noted by its day alone is put at noon, so that it falls on that day in UTC as well.
HOUR_OF_A_DAY = time(12)


def read_maintenance(
    path: Path, plant: Plant, *, now_utc: datetime | None = None
) -> tuple[MaintenanceEvent, ...]:
    """Read the log at ``path``; a missing file is an empty log.

    With ``now_utc`` a visit that is dated after it is refused.

    Raises
    ------
    RegisterError
        With a sentence for each line that is wrong.
    """
    if not path.exists():
        return ()
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise RegisterError(f"{path.name}: is not UTF-8 text. Save it as UTF-8.") from None
    lines = text.splitlines()
    if not lines or not lines[0].strip():
        return ()
    delimiter = ";" if lines[0].count(";") > lines[0].count(",") else ","
    rows = csv.DictReader(lines, delimiter=delimiter, skipinitialspace=True)
    missing = [c for c in COLUMNS[:3] if c not in (rows.fieldnames or ())]
    unknown = [c for c in rows.fieldnames or () if c not in COLUMNS]
    if missing or unknown:
        what = (
            f"column {missing[0]} is missing" if missing else f"column {unknown[0]!r} is not known"
        )
        raise RegisterError(f"{path.name} line 1: {what}. Columns: {', '.join(COLUMNS)}.")
    events: list[MaintenanceEvent] = []
    problems: list[str] = []
    for row in rows:
        if not any((v or "").strip() for v in row.values() if isinstance(v, str)):
            continue
        try:
            events.append(_event_of(row, plant, now_utc))
        except RegisterError as exc:
            problems.append(f"{path.name} line {rows.line_num}: {exc}")
    if problems:
        raise RegisterError("\n".join(problems))
    return tuple(events)


def _event_of(
    row: dict[str, str | None], plant: Plant, now_utc: datetime | None
) -> MaintenanceEvent:
    return entry(
        plant,
        tag=row.get("tag") or "",
        when=row.get("date") or "",
        deed=row.get("deed") or "",
        role=row.get("role") or None,
        plates_after=row.get("plates_after") or None,
        note=row.get("note") or "",
        now_utc=now_utc,
    )


def entry(
    plant: Plant,
    *,
    tag: str,
    when: str,
    deed: str,
    role: str | None = None,
    plates_after: str | int | None = None,
    note: str = "",
    now_utc: datetime | None = None,
) -> MaintenanceEvent:
    """Return a log entry from what a person typed; with ``now_utc`` it cannot lie after that day.

    Raises
    ------
    RegisterError
        If the exchanger, date, deed, role or number of plates cannot be right.
    """
    exchanger = exchanger_of(plant, tag.strip())
    at_utc = parse_when(when, plant.zone)
    if now_utc is not None:
        refuse_future(at_utc, now_utc, plant.zone)
    return MaintenanceEvent(
        tag=exchanger.tag,
        at_utc=at_utc,
        deed=_deed(deed),
        role=_role(role),
        plates_after=_plates(plates_after, exchanger.plates_most),
        note=note.strip(),
    )


def parse_when(text: str, zone: ZoneInfo) -> datetime:
    """Return the UTC time of a date, or date and time, typed as ISO 8601 in the site's zone."""
    text = text.strip()
    try:
        if len(text) == 10:
            moment = datetime.combine(date.fromisoformat(text), HOUR_OF_A_DAY)
        else:
            moment = datetime.fromisoformat(text)
    except ValueError:
        raise RegisterError(
            f"date: {text!r} is no date. Write it as 2026-03-02, or 2026-03-02 09:30."
        ) from None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=zone)
    return moment.astimezone(UTC)


def refuse_future(at_utc: datetime, now_utc: datetime, zone: ZoneInfo) -> None:
    """Raise RegisterError where a visit lies after the site's today.

    Days are compared: a visit of today noted by its day alone stands at noon, perhaps still to come.
    """
    day, today = at_utc.astimezone(zone).date(), now_utc.astimezone(zone).date()
    if day > today:
        raise RegisterError(
            f"date: {day} is still to come, today is {today}. The log holds what was done: a planned visit "
            "that is put off would become history by itself. Enter it once it has taken place; until then "
            "keep it out of the log, or correct the year."
        )


def _deed(text: str) -> Deed:
    spelling = " ".join(text.strip().lower().replace("_", " ").replace("-", " ").split())
    try:
        return Deed(spelling)
    except ValueError:
        known = [str(d) for d in Deed]
        proposal = nearest(spelling, known)
        advice = f'Did you mean "{proposal}"?' if proposal else f"Deeds: {', '.join(known)}."
        raise RegisterError(f"deed: {text!r} is not known. {advice}") from None


def _role(text: str | None) -> str | None:
    if text is None or not text.strip():
        return None
    role = text.strip()
    if role not in ROLE_NAMES:
        proposal = nearest(role, ROLE_NAMES)
        advice = f'Did you mean "{proposal}"?' if proposal else f"Roles: {', '.join(ROLE_NAMES)}."
        raise RegisterError(f"role: {role!r} is no role. {advice}")
    return role


def _plates(typed: str | int | None, most: int | None) -> int | None:
    if typed is None or not str(typed).strip():
        return None
    try:
        plates = int(str(typed).strip())
    except ValueError:
        raise RegisterError(f"plates_after: must be a whole number, got {typed!r}.") from None
    if plates < 3 or (most is not None and plates > most):
        upper = f" and at most {most}, what the frame takes" if most is not None else ""
        raise RegisterError(f"plates_after: must be at least 3{upper}, got {plates}.")
    return plates
