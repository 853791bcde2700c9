"""Texts to stamps: which notation a file uses, and the reading of each distinct text.

Not here: what the clock's zone is and how its changes are undone (localtime.py).
"""

import re
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from analytics.vocabulary.errors import IngestError
from ingest.rules import DateOrder

_YMD = r"(?P<y>\d{4})[-/.](?P<b>\d{1,2})[-/.](?P<c>\d{1,2})"
_COMPACT = r"(?P<y>\d{4})(?P<b>\d{2})(?P<c>\d{2})"
_XXY = r"(?P<a>\d{1,2})(?P<s>[-/.])(?P<b>\d{1,2})[-/.](?P<c>\d{4}|\d{2})"
_DAY_WORD = r"(?:[^\W\d_]{2,10}\.?,?\s+)?"
_DAY_MONTH = r"(?P<a>\d{1,2})\.?[-/ ]?\s*(?P<w>[^\W\d_]{3,10})\.?,?[-/ ]?\s*(?P<c>\d{4}|\d{2})"
_MONTH_DAY = r"(?P<w>[^\W\d_]{3,10})\.?[-/ ](?P<a>\d{1,2}),?[-/ ]\s*(?P<c>\d{4})"
_CLOCK = (
    r"(?P<H>\d{1,2})[:.hH](?P<M>\d{2})(?:[:.](?P<S>\d{2})(?:[.,:](?P<f>\d{1,9}))?)?"
    r"(?:\s*(?P<p>[AaPp])\.?\s?[Mm]\.?)?"
)
_COMPACT_CLOCK = r"(?P<H>\d{2}):?(?P<M>\d{2})(?::?(?P<S>\d{2})(?:[.,](?P<f>\d{1,9}))?)?"
_ZONE = r"\s*(?P<z>(?:UTC|GMT)?\s?[+-]\d{1,2}(?::?\d{2})?|\(?[A-Za-z]{1,5}\)?)?"
_BETWEEN = r"(?:\s*[T,;_ ]\s*|\s+)"

# name -> pattern; tried in this order, each on what those before it left.
_PATTERNS: tuple[tuple[str, str], ...] = (
    ("year first", rf"^{_YMD}(?:{_BETWEEN}{_CLOCK})?{_ZONE}$"),
    ("year last", rf"^{_DAY_WORD}{_XXY}(?:{_BETWEEN}{_CLOCK})?{_ZONE}$"),
    ("compact", rf"^{_COMPACT}(?:[T_ ]?{_COMPACT_CLOCK})?{_ZONE}$"),
    ("month in words", rf"^{_DAY_WORD}{_DAY_MONTH}(?:{_BETWEEN}{_CLOCK})?{_ZONE}$"),
    ("month in words", rf"^{_DAY_WORD}{_MONTH_DAY}(?:{_BETWEEN}{_CLOCK})?{_ZONE}$"),
)
_PLAIN_SIZES = pa.array([16, 19], pa.int32())
_PLAIN_FROM, _PLAIN_TO = np.datetime64("1971-01-01", "us"), np.datetime64("2200-01-01", "us")
_EPOCH = r"^(\d{10}|\d{13}|\d{16}|\d{19})(?:\.\d*)?$"
_DATE = r"(?:\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.](?:\d{4}|\d{2})|\d{1,2}[-/. ]+[^\W\d_]{3,10}\.?[-/ ,]+(?:\d{4}|\d{2})|[^\W\d_]{3,10}\.? \d{1,2},? \d{4})"
_TIME = r"\d{1,2}:\d{2}(?::\d{2}(?:[.,:]\d+)?)?(?:\s*[AaPp]\.?\s?[Mm]\.?)?"
FULL = re.compile(
    rf"^(?:[^\W\d_]{{2,10}}\.?,?\s+)?{_DATE}(?:\s*[T,;_ ]\s*)(?:{_TIME}|\d{{1,2}}[.hH]\d{{2}}(?:\.\d{{2}})?){_ZONE.replace('?P<z>', '?:')}$"
    r"|^\d{8}[T_ ]?\d{4}(?:\d{2})?Z?$"
)
DATE_ONLY = re.compile(rf"^(?:[^\W\d_]{{2,10}}\.?,?\s+)?{_DATE}$")
TIME_ONLY = re.compile(rf"^{_TIME}$")
EPOCH = re.compile(_EPOCH)
SERIAL = re.compile(r"^[345]\d{4}(?:[.,]\d+)?$")

_MONTHS = {
    1: "jan ene gen tammi", 2: "feb fév fev helmi", 3: "mar mär mrz maer maa", 4: "apr avr huhti",
    5: "may mai maj mag touko", 6: "jun juin kesä", 7: "jul juil heinä", 8: "aug aoû aou elo",
    9: "sep syys", 10: "oct okt ott loka", 11: "nov marras", 12: "dec dez déc des dic joulu",
}  # fmt: skip
_ZONE_HOURS = {
    "z": 0, "utc": 0, "gmt": 0, "wet": 0, "west": 1, "bst": 1, "ist": 1, "cet": 1, "mez": 1,
    "cest": 2, "mesz": 2, "eet": 2, "eest": 3, "msk": 3, "est": -5, "edt": -4, "cst": -6,
    "cdt": -5, "mst": -7, "mdt": -6, "pst": -8, "pdt": -7,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Stamps:
    """The distinct stamp texts of a source, read.

    ``local`` is what the clock showed, NaT where unreadable; ``offset_s`` the offset from UTC that
    the text states, NaN for none.
    """

    local: NDArray[np.datetime64]
    offset_s: NDArray[np.float64]
    notation: str
    why: str
    order: DateOrder | None = None  # where it had to be decided


def _whole(group: pa.Array, otherwise: int = 0) -> NDArray[np.int64]:
    filled = pc.if_else(pc.equal(group, ""), str(otherwise), group)
    return np.asarray(pc.cast(pc.fill_null(filled, "0"), pa.int64()))


def _month_of(words: pa.Array) -> NDArray[np.int64]:
    encoded = pc.utf8_lower(words).dictionary_encode()
    numbers = [
        next((n for n, starts in _MONTHS.items() if str(word).startswith(tuple(starts.split()))), 0)
        # "juillet" and "juin" begin alike; "maaliskuu" is no "mai"
        if not str(word).startswith("juil")
        else 7
        for word in encoded.dictionary.to_pylist()
    ]
    return np.asarray(numbers, dtype=np.int64).take(np.asarray(encoded.indices))


def _offsets(zones: pa.Array) -> NDArray[np.float64]:
    encoded = zones.dictionary_encode()
    seconds = []
    for text in encoded.dictionary.to_pylist():
        word = str(text).strip(" ()").lower()
        match = re.search(r"([+-])(\d{1,2})(?::?(\d{2}))?$", word)
        if match:
            size = int(match[2]) * 3600 + int(match[3] or 0) * 60
            seconds.append(float(-size if match[1] == "-" else size))
        else:
            seconds.append(_ZONE_HOURS[word] * 3600.0 if word in _ZONE_HOURS else float("nan"))
    return np.asarray(seconds, dtype=np.float64).take(np.asarray(encoded.indices))


def _assemble(
    year: NDArray[np.int64], month: NDArray[np.int64], day: NDArray[np.int64]
) -> NDArray[np.datetime64]:
    """Return days; NaT where there is no such day."""
    year = np.where(year < 100, year + 2000, year)
    fits = (month >= 1) & (month <= 12) & (day >= 1) & (day <= 31) & (year > 1970) & (year < 2200)
    months = (np.where(fits, year - 1970, 0) * 12 + np.where(fits, month - 1, 0)).astype(
        "datetime64[M]"
    )
    days = months.astype("datetime64[D]") + (np.where(fits, day, 1) - 1).astype("timedelta64[D]")
    fits &= days.astype("datetime64[M]") == months  # no 30 February
    return np.where(fits, days, np.datetime64("NaT", "D"))


def _time_of_day(groups: dict[str, pa.Array]) -> NDArray[np.timedelta64]:
    hour, minute, second = (_whole(groups[g]) for g in "HMS")
    half = pc.utf8_lower(pc.fill_null(groups["p"], "")) if "p" in groups else None
    valid = (hour <= 24) & (minute < 60) & (second < 61) & ((hour < 24) | (minute + second == 0))
    if half is not None:
        is_half = np.asarray(pc.not_equal(half, ""))
        afternoon = np.asarray(pc.equal(half, "p"))
        valid &= ~is_half | ((hour >= 1) & (hour <= 12))
        hour = np.where(is_half, hour % 12 + 12 * afternoon, hour)
    fraction = pc.utf8_slice_codeunits(pc.utf8_rpad(pc.fill_null(groups["f"], ""), 6, "0"), 0, 6)
    micro = _whole(fraction) + (hour * 3600 + minute * 60 + second) * 1_000_000
    return np.where(valid, micro.astype("timedelta64[us]"), np.timedelta64("NaT", "us"))


def _order(
    a: NDArray[np.int64],
    b: NDArray[np.int64],
    c: NDArray[np.int64],
    groups: dict[str, pa.Array],
    forced: DateOrder | None,
    name: str,
) -> tuple[DateOrder, str]:
    """Decide which of day and month comes first where the year comes last.

    Raises
    ------
    IngestError
        If both readings are possible and neither is borne out by the series.
    """
    readings: dict[DateOrder, NDArray[np.datetime64]] = {
        "dmy": _assemble(c, b, a),
        "mdy": _assemble(c, a, b),
    }
    two_digits = bool(pc.all(pc.equal(pc.utf8_length(groups["c"]), 2)).as_py())
    if two_digits:
        readings["ymd"] = _assemble(a, b, c)
    if forced is not None:
        if forced not in readings:
            raise IngestError(
                f"{name}: the dates do not begin with the year, as in {_shown(a, b, c)!r}. "
                "Give --date-order dmy or mdy."
            )
        return forced, "given"
    size = len(a)
    wrong = {order: int(np.count_nonzero(np.isnat(days))) for order, days in readings.items()}
    # a few dates that do not exist may be damaged ones, and must not turn all the others round
    ruled_out = {order: n > 3 or n >= 0.05 * size for order, n in wrong.items()}
    ruled_out = {order: out and wrong[order] > 0 for order, out in ruled_out.items()}
    if two_digits and not ruled_out["ymd"] and ruled_out["dmy"] and ruled_out["mdy"]:
        return "ymd", "only that reading gives dates that exist"
    if ruled_out["mdy"] and not ruled_out["dmy"]:
        return "dmy", "days above 12 come first"
    if ruled_out["dmy"] and not ruled_out["mdy"]:
        return "mdy", "days above 12 come second"
    if (
        ruled_out["dmy"]
        and ruled_out["mdy"]
        and 4 * min(wrong["dmy"], wrong["mdy"]) < max(wrong["dmy"], wrong["mdy"])
    ):
        return ("dmy" if wrong["dmy"] <= wrong["mdy"] else "mdy"), "fewer dates that do not exist"
    if bool(pc.all(pc.equal(groups["s"], ".")).as_py()):
        return "dmy", "dates with points are day first"
    if np.array_equal(a, b):
        return "dmy", "day and month are equal in every date"
    # Right, the days of a trend follow on each other; wrong, they lie a month apart.
    follow = {}
    for order in ("dmy", "mdy"):
        days, stamps_each = np.unique(
            readings[order][~np.isnat(readings[order])], return_counts=True
        )
        steps = np.diff(days).astype(np.int64)
        daily = not days.size or float(np.median(stamps_each)) < 2
        follow[order] = -1.0 if daily or not steps.size else float(np.mean(steps == 1))
    if follow["dmy"] >= 0.8 and follow["mdy"] <= 0.2 and follow["mdy"] >= 0:
        return "dmy", "sure: read so the days follow on each other, else they lie a month apart"
    if follow["mdy"] >= 0.8 and follow["dmy"] <= 0.2 and follow["dmy"] >= 0:
        return "mdy", "sure: read so the days follow on each other, else they lie a month apart"
    first = int(np.flatnonzero(a != b)[0])
    raise IngestError(
        f"{name}: the date {_shown(a[first:], b[first:], c[first:])!r} may be "
        f"{readings['dmy'][first]} (day first) or {readings['mdy'][first]} (month first), and "
        "nothing in the file settles it. Give --date-order dmy or --date-order mdy."
    )


def _shown(a: NDArray[np.int64], b: NDArray[np.int64], c: NDArray[np.int64]) -> str:
    return f"{int(a[0]):02d}/{int(b[0]):02d}/{int(c[0]):02d}"


def _plain_iso(texts: pa.Array) -> NDArray[np.datetime64] | None:
    """Read stamps that are all as in 2025-01-31 13:45:00, by the library's own reader; else ``None``.

    It takes what the patterns below take, ten times as fast; a day that does not exist or a 24th
    hour sends the whole column to them. Of the texts that it takes, these alone are 16 or 19 long:
    it knows dates, hours and fractions besides, and refuses an offset.
    """
    size = pc.binary_length(texts)
    if not len(texts) or not pc.all(pc.is_in(size, _PLAIN_SIZES)).as_py():
        return None
    try:
        read = pc.cast(texts, pa.timestamp("us"))
    except pa.ArrowInvalid:
        return None
    local: NDArray[np.datetime64] = read.to_numpy(zero_copy_only=False)
    return local if local.min() >= _PLAIN_FROM and local.max() < _PLAIN_TO else None


def parse_stamps(texts: pa.Array, name: str, order: DateOrder | None = None) -> Stamps:
    """Read the distinct stamp texts of a source.

    Raises
    ------
    IngestError
        If day and month cannot be told apart.
    """
    size = len(texts)
    notations: list[str] = []
    why = ""
    decided: DateOrder | None = None
    left = np.arange(size)
    if (plain := _plain_iso(texts)) is not None:
        return Stamps(plain, np.broadcast_to(np.nan, size), "year first", "")
    local, offset_s = np.full(size, np.datetime64("NaT", "us")), np.full(size, np.nan)
    for notation, pattern in _PATTERNS:
        if not left.size:
            break
        found = pc.extract_regex(texts.take(pa.array(left)), pattern)
        hit = np.asarray(pc.is_valid(found))
        if not hit.any():
            continue
        fields = found.filter(pa.array(hit))
        groups = {field.name: fields.field(field.name) for field in fields.type}
        if notation == "year last":
            a, b, c = (_whole(groups[g]) for g in "abc")
            decided, why = _order(a, b, c, groups, order, name)
            year, month, day = {"dmy": (c, b, a), "mdy": (c, a, b), "ymd": (a, b, c)}[decided]
            notation = {"dmy": "day, month, year", "mdy": "month, day, year", "ymd": "year first"}[
                decided
            ]
        elif notation == "month in words":
            year, month, day = _whole(groups["c"]), _month_of(groups["w"]), _whole(groups["a"])
        else:
            year, month, day = (_whole(groups[g]) for g in "ybc")
        notations.append(notation)
        where = left[hit]
        local[where] = _assemble(year, month, day).astype("datetime64[us]") + _time_of_day(groups)
        offset_s[where] = _offsets(pc.fill_null(groups["z"], ""))
        left = left[~hit]
    if left.size:
        notations += _parse_epochs(texts, left, local, offset_s)
    return Stamps(local, offset_s, " or ".join(dict.fromkeys(notations)), why, decided)


def _parse_epochs(
    texts: pa.Array,
    left: NDArray[np.int64],
    local: NDArray[np.datetime64],
    offset_s: NDArray[np.float64],
) -> list[str]:
    """Read seconds or finer counts since 1970 (UTC) and day numbers of spreadsheets (local)."""
    rest = texts.take(pa.array(left))
    notations: list[str] = []
    digits = pc.extract_regex(rest, r"^(?P<n>\d{10,19})(?:[.,]\d*)?$")
    hit = np.asarray(pc.is_valid(digits))
    if hit.any():
        text = digits.filter(pa.array(hit)).field("n")
        length = np.asarray(pc.utf8_length(text)).astype(np.int64)
        power = np.select(
            [length == 10, length == 13, length == 16, length == 19], [6, 3, 0, -3], 9
        )
        count = np.asarray(pc.cast(text, pa.uint64())).astype(np.float64)
        micro = np.round(count * 10.0**power)
        good = power < 9
        where = left[hit][good]
        local[where] = micro[good].astype(np.int64).astype("datetime64[us]")
        offset_s[where] = 0.0
        if where.size:
            notations.append(
                "seconds since 1970" if length[good][0] == 10 else "fractions of seconds since 1970"
            )
    serial = pc.match_substring_regex(rest, SERIAL.pattern)
    hit = np.asarray(serial)
    if hit.any():
        days = pc.cast(pc.replace_substring(rest.filter(serial), ",", "."), pa.float64())
        seconds = np.round(np.asarray(days) * 86400.0).astype(np.int64)
        # day 0 of spreadsheets, which hold 1900 for a leap year, is 30 December 1899
        local[left[hit]] = np.datetime64("1899-12-30", "us") + seconds.astype("timedelta64[s]")
        notations.append("day number of a spreadsheet")
    return notations
