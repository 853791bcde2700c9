"""Days, times and spans of time in the site's zone, spelt in English on every machine."""

from datetime import datetime, timedelta, tzinfo

from service.wording.numbers import EN_DASH, NBSP

MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September",
    "October", "November", "December",
)  # fmt: skip
WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")

# Within this span a day and a month say the year by themselves; beyond it, months are fine enough.
_NEAR = timedelta(days=200)
_WEEKS_UP_TO = timedelta(days=140)
_MONTH_DAYS = 30.44


def long_day(at_utc: datetime, zone: tzinfo, *, year: bool = True) -> str:
    """Return ``23 November 2026``, or without the year."""
    at = at_utc.astimezone(zone)
    text = f"{at.day}{NBSP}{MONTHS[at.month - 1]}"
    return f"{text}{NBSP}{at.year}" if year else text


def short_day(at_utc: datetime, zone: tzinfo, *, year: bool = False) -> str:
    """Return ``23 Nov``, or with the year."""
    at = at_utc.astimezone(zone)
    text = f"{at.day}{NBSP}{MONTHS[at.month - 1][:3]}"
    return f"{text}{NBSP}{at.year}" if year else text


def long_span(first_utc: datetime, last_utc: datetime, zone: tzinfo) -> tuple[str, str]:
    """Return both days spelt out, the year with the second and, where another, with the first."""
    one_year = first_utc.astimezone(zone).year == last_utc.astimezone(zone).year
    return long_day(first_utc, zone, year=not one_year), long_day(last_utc, zone)


def month(at_utc: datetime, zone: tzinfo, *, year: bool = False) -> str:
    """Return ``Nov``, or ``Nov 2026``."""
    at = at_utc.astimezone(zone)
    text = MONTHS[at.month - 1][:3]
    return f"{text}{NBSP}{at.year}" if year else text


def weekday(at_utc: datetime, zone: tzinfo, *, year: bool = True) -> str:
    """Return ``Monday 23 November 2026``."""
    return f"{WEEKDAYS[at_utc.astimezone(zone).weekday()]}{NBSP}{long_day(at_utc, zone, year=year)}"


def clock(at_utc: datetime, zone: tzinfo) -> str:
    """Return ``08:30``."""
    return f"{at_utc.astimezone(zone):%H:%M}"


def stamp(at_utc: datetime, zone: tzinfo) -> str:
    """Return ``2026-03-02 09:30 CET``: the site's time with its name, which tells the doubled hour of autumn."""
    at = at_utc.astimezone(zone)
    return f"{at:%Y-%m-%d %H:%M} {at.tzname()}"


def day_span(first_utc: datetime, last_utc: datetime, zone: tzinfo, from_utc: datetime) -> str:
    """Return ``2 Jan–21 Mar 2027`` or ``2–21 Jan 2027`` when near ``from_utc``, ``Apr–Nov 2027`` when far.

    The year is always told, as the span may be read long after it was written.
    """
    one_year = first_utc.astimezone(zone).year == last_utc.astimezone(zone).year
    if last_utc - from_utc <= _NEAR:
        first, last = short_day(first_utc, zone), short_day(last_utc, zone, year=True)
        if last.startswith(f"{first}{NBSP}") and one_year:
            return last
        at, end = first_utc.astimezone(zone), last_utc.astimezone(zone)
        if (at.year, at.month) == (end.year, end.month):
            return f"{at.day}{EN_DASH}{last}"
        first = first if one_year else short_day(first_utc, zone, year=True)
        return f"{first}{EN_DASH}{last}"
    first, last = month(first_utc, zone, year=not one_year), month(last_utc, zone, year=True)
    return last if last.startswith(first) else f"{first}{EN_DASH}{last}"


def time_after(first_utc: datetime, last_utc: datetime, zone: tzinfo, from_utc: datetime) -> str:
    """Return ``6–17 weeks after 23 Nov``, or in months when it is far."""
    days_low = max(0.0, (first_utc - from_utc).total_seconds() / 86400)
    days_high = max(days_low, (last_utc - from_utc).total_seconds() / 86400)
    after = f"after {short_day(from_utc, zone)}"
    if timedelta(days=days_high) <= _WEEKS_UP_TO:
        return f"{_count_span(days_low / 7, days_high / 7)}{NBSP}weeks {after}"
    months = _count_span(days_low / _MONTH_DAYS, days_high / _MONTH_DAYS)
    return f"{months}{NBSP}months {after}"


def _count_span(low: float, high: float) -> str:
    first, last = round(low), round(high)
    return f"{last}" if first == last else f"{first}{EN_DASH}{last}"
