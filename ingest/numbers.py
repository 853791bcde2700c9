"""Cells to numbers: decimal mark, thousands separators, missing words, words for on and off.

Works on the distinct texts of a column, which are few in trends of limited resolution.
"""

import re
from collections import Counter
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from ingest.examination import ColumnReport, Examination
from ingest.findings import KEPT_PER_REASON, Findings
from ingest.rules import Rules

# Words by which exports say that there is no value. Compared without case.
MISSING_WORDS: frozenset[str] = frozenset(
    {
        "", "-", "--", "---", "----", "-----", "nan", "-nan", "nan.0", "no data", "nodata", "n/a",
        "na", "#n/a", "#na", "null", "(null)", "<null>", "none", "nil", "bad", "?", "??", "???",
        "missing", "invalid", "error", "err", "fault", "#value!", "#ref!", "#div/0!", "#num!",
        "-9999", "-9999.0", "-9999.00", "-999.9", "-99999", "-32768", "inf", "-inf",
        "infinity", "-infinity", "1.#qnan", "1.#ind", "-1.#ind", "1.#inf", "offline", "down",
        "no value", "not available", "data loss", "undefined", "k.a.", "kein wert", "keine daten",
        "ungültig", "fehler", "ei saatavilla", "saknas", "mangler", "*", "***", "x", "...",
    }
)  # fmt: skip
_ON = ("on", "true", "yes", "running", "run", "active", "ein", "an", "aktiv", "ja", "marche", "open",
       "start", "started", "enabled", "enable", "auf", "till", "på", "oui", "vrai", "wahr", "betrieb")  # fmt: skip
_OFF = ("off", "false", "no", "stopped", "stop", "inactive", "aus", "inaktiv", "nein", "arrêt", "arret",
        "closed", "disabled", "disable", "zu", "från", "av", "non", "faux", "falsch", "idle", "standby")  # fmt: skip
SWITCH_WORDS: dict[str, str] = {**dict.fromkeys(_ON, "1"), **dict.fromkeys(_OFF, "0")}
# "45.2 °C {ok}": the number, its unit, the state the controller gave it
_GIVEN = "given"
_NO_COMMA = "no decimal comma seen"
_STATE = re.compile(r"\{([^{}]*)\}\s*$")
_GROUPING = "[ \u00a0\u202f\u2009'\u2019]"
_GROUPS = re.compile(rf"{_GROUPING}(?=\d{{3}})")
_BODY = re.compile(r"^[-+]?([\d.,]+)")
# no mark, or one that cannot group thousands
_CLEAR = r"^[-+]?\d+(?:[.,](?:\d{1,2}|\d{4,}))?$"
_PLAIN = r"^[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?$"


_BLOCK: Final = 1 << 16
_ODD_MOST = 3  # distinct values with the other mark that may be slips
_AGAINST_ODD = 100  # values with the mark of the file to each of them
_ODD_SHARE = 0.01  # of a point's cells: with more of them they are no slips
_BOTH_MARKS = (
    "values with a decimal comma and with a decimal point occur; those of the rarer kind "
    "are refused or read as grouped. Give --decimal to say which it is."
)


@dataclass(frozen=True, slots=True)
class DecimalMark:
    """Which mark it is, and how that is known; ``question`` where it is not."""

    mark: str
    why: str
    question: str | None = None


@dataclass(frozen=True, slots=True)
class Cells:
    """The distinct texts of a column as numbers.

    ``values``: NaN where missing or unreadable; ``missing``: a missing-data word;
    ``unreadable``: neither number nor such a word; ``unit``: unit written in the cells;
    ``state``: state written in the cell, "" for none; ``switched``: a word for on or off.
    """

    values: NDArray[np.float64]
    missing: NDArray[np.bool_]
    unreadable: NDArray[np.bool_]
    unit: str | None
    state: NDArray[np.object_]
    switched: NDArray[np.bool_]  # a word for on or off, which has no unit


def decimal_mark(texts: pa.Array, delimiter: str) -> DecimalMark:
    """Tell the decimal mark from the cell texts of all value columns, each distinct one counted once."""
    texts = pc.unique(texts)
    # nearly all of a file are plain; the others are looked at one by one
    plain = pc.match_substring_regex(texts, _CLEAR)
    clear = texts.filter(plain)
    comma, dot = (int(pc.sum(pc.match_substring(clear, mark)).as_py() or 0) for mark in (",", "."))
    unclear_comma = unclear_dot = 0
    for text in texts.filter(pc.invert(plain)).to_pylist():
        plain = text.isascii() and " " not in text and "'" not in text
        number = _BODY.match(text if plain else _GROUPS.sub("", text))
        if number is None or not ({",", "."} & set(number[1])):
            continue
        body = number[1]
        if body[-1] in ",.":
            continue  # "01. May" is no number
        if "," in body and "." in body:
            comma, dot = (comma + 1, dot) if body.rfind(",") > body.rfind(".") else (comma, dot + 1)
        elif body.count(",") > 1:
            dot += 1
        elif body.count(".") > 1:
            comma += 1
        else:
            mark = "," if "," in body else "."
            whole, _, decimals = body.partition(mark)
            grouped = len(decimals) == 3 and 1 <= len(whole) <= 3 and whole.lstrip("0") == whole
            if mark == ",":
                comma, unclear_comma = comma + (not grouped), unclear_comma + grouped
            else:
                dot, unclear_dot = dot + (not grouped), unclear_dot + grouped
    if comma and dot:
        mark = "," if comma > dot else "."
        many, few = max(comma, dot), min(comma, dot)
        slips = few <= _ODD_MOST and many >= _AGAINST_ODD * few  # refused as they are read
        why = f"{many:,} distinct values against {few}"
        return DecimalMark(mark, why, None if slips else _BOTH_MARKS)
    if (comma and unclear_dot > comma) or (dot and unclear_comma > dot):
        # one damaged cell must not turn every "80.123" into eighty thousand
        mark = "." if unclear_dot > comma else ","
        return DecimalMark(
            mark,
            f"most values have three digits behind the {'point' if mark == '.' else 'comma'}",
            "most values have three digits behind one mark, and a few have another mark: it cannot "
            "be told which one groups thousands. Give --decimal to say which is the decimal mark.",
        )
    if comma or dot:
        return DecimalMark("," if comma else ".", "the values show it")
    if unclear_comma and not unclear_dot:
        # "1,234" throughout: in a file separated by commas it can only be a quoted thousand
        mark = "." if delimiter == "," else ","
        return DecimalMark(
            mark,
            "every value has three digits behind the comma",
            "the comma may be a decimal mark or group thousands: every value has three digits "
            f"behind it. Taken as {'decimal' if mark == ',' else 'grouping'}; give --decimal to say.",
        )
    return DecimalMark(".", _NO_COMMA)


def _normalise(texts: pa.Array, mark: str) -> pa.Array:
    """Return texts with a decimal point and without grouping, where they are numbers at all."""
    out = texts
    for _ in range(3):  # each pass takes out every other group of a long number
        out = pc.replace_substring_regex(
            out, pattern=rf"(\d){_GROUPING}(\d\d\d)", replacement=r"\1\2"
        )
    out = pc.replace_substring(out, "\u2212", "-")
    grouping = "." if mark == "," else ","
    escaped = re.escape(grouping)
    grouped = pc.match_substring_regex(
        out, rf"^[-+]?\d{{1,3}}(?:{escaped}\d{{3}})+(?:{re.escape(mark)}\d*)?$"
    )
    if pc.any(grouped).as_py():
        out = pc.if_else(grouped, pc.replace_substring(out, grouping, ""), out)
    if mark == ",":
        has_dot = pc.match_substring(out, ".")
        # a point that groups nothing is no decimal mark in this file
        out = pc.if_else(has_dot, pc.replace_substring(out, ".", "?"), out)
        out = pc.replace_substring(out, ",", ".")
    return pc.utf8_ltrim(out, characters="+")


def _to_float(texts: pa.Array) -> NDArray[np.float64]:
    plain = pc.match_substring_regex(texts, _PLAIN)
    numbers = pc.cast(pc.if_else(plain, texts, pa.scalar(None, pa.string())), pa.float64())
    return np.array(numbers.to_numpy(zero_copy_only=False), dtype=np.float64)  # own, to write to


def _without_odd_groups(texts: pa.Array, mark: str) -> pa.Array:
    """Blank "6.123" among "6,118" and "6,131": a slip of the mark there, not six thousand.

    A point groups thousands only where other cells show it with decimals, or none has decimals.
    """
    grouping = "." if mark == "," else ","
    has_grouping = pc.match_substring(texts, grouping)
    has_mark = pc.match_substring(texts, mark)
    if not pc.any(has_grouping).as_py() or pc.any(pc.and_(has_grouping, has_mark)).as_py():
        return texts
    if 2 * (pc.sum(has_mark).as_py() or 0) < len(texts):
        return texts
    return pc.if_else(has_grouping, pc.binary_join_element_wise("?", texts, ""), texts)


def _read_numbers(texts: pa.Array, mark: str) -> NDArray[np.float64]:
    """Read plain numbers straight away, and only what is left with an eye to grouping."""
    straight = texts
    if mark == ",":
        clear = pc.invert(pc.match_substring(texts, "."))
        straight = pc.if_else(clear, pc.replace_substring(texts, ",", "."), "")
    values = _to_float(straight)
    rest = np.flatnonzero(np.isnan(values))
    if rest.size:
        values[rest] = _to_float(_normalise(texts.take(pa.array(rest)), mark))
    return values


def read_cells(texts: pa.Array, mark: str, *, switch: bool = False) -> Cells:
    """Turn distinct cell texts into numbers; ``switch``: words for on and off count as 1 and 0."""
    lowered = pc.utf8_lower(texts)
    state = np.full(len(texts), "", dtype=object)
    missing = np.asarray(pc.is_in(lowered, value_set=pa.array(sorted(MISSING_WORDS))))
    switched = np.zeros(len(texts), dtype=bool)
    if switch:
        words = pd.Series(lowered.to_pylist(), dtype=object)
        meaning = words.map(SWITCH_WORDS)
        switched = meaning.notna().to_numpy(dtype=bool)
        texts = pa.array(meaning.where(switched, texts.to_pylist()).tolist(), pa.string())
    texts = _without_odd_groups(texts, mark)
    values = _read_numbers(texts, mark)
    rest = np.flatnonzero(np.isnan(values) & ~missing)
    unit: str | None = None
    if rest.size:
        unit = _read_decorated(texts, rest, mark, values, missing, state)
    values[missing] = np.nan  # -9999 is a number to the eye only
    unreadable = ~np.isfinite(values) & ~missing
    values[~np.isfinite(values)] = np.nan
    return Cells(values, missing, unreadable, unit, state, switched)


def _read_decorated(
    texts: pa.Array,
    rest: NDArray[np.int64],
    mark: str,
    values: NDArray[np.float64],
    missing: NDArray[np.bool_],
    state: NDArray[np.object_],
) -> str | None:
    """Read cells that carry a unit or a state behind the number, in place; return the unit."""
    cells = pd.Series(texts.take(pa.array(rest)).to_pylist(), dtype=object)
    states = cells.str.extract(_STATE)[0]
    bare = cells.str.replace(_STATE, "", regex=True).str.strip()
    parts = bare.str.extract(r"^([-+]?[\d.,'\u00a0\u202f ]*\d)\s*([^\d\s.,][^\d]{0,11})?$")
    numbers = _to_float(
        _normalise(pa.array(parts[0].fillna("").str.strip().tolist(), pa.string()), mark)
    )
    units = Counter(parts[1].dropna().str.strip().tolist())
    unit, times = units.most_common(1)[0] if units else (None, 0)
    if times < 0.5 * (np.count_nonzero(np.isfinite(values)) + len(rest)):
        unit = None  # a slip in a few cells, such as "8o" for 80, is no unit
    # a second unit in the same column is not converted: such cells stay unreadable
    fits = parts[1].isna() | (parts[1].str.strip() == unit)
    good = fits.to_numpy(dtype=bool) & np.isfinite(numbers)
    values[rest[good]] = numbers[good]
    emptied = bare.str.lower().isin(MISSING_WORDS).to_numpy(dtype=bool)
    missing[rest[emptied]] = True
    state[rest] = states.fillna("").to_numpy(dtype=object)
    return unit


def _spread(texts: pa.Array, most: int = 3000) -> pa.Array:
    step = max(1, len(texts) // most)
    return texts.take(pa.array(np.arange(0, len(texts), step)))


def _spread_all(dictionaries: list[pa.Array]) -> pa.Array:
    return pa.chunked_array([_spread(d) for d in dictionaries], pa.string()).combine_chunks()


def _settled_mark(settled: str, here: DecimalMark, examination: Examination) -> DecimalMark:
    """Return the mark of a large file; ask where one of its parts shows another."""
    examination.decimal, examination.decimal_why = settled, "as in all of the file"
    if here.question:
        examination.ask(here.question)
    elif here.mark != settled and here.why != _NO_COMMA:
        examination.ask(
            "values with a decimal comma and with a decimal point occur, in different parts of the "
            f"file; it was read with {settled!r}. Give --decimal to say which it is."
        )
    return DecimalMark(settled, examination.decimal_why)


def choose_mark(
    rules: Rules, dictionaries: list[pa.Array], delimiter: str, examination: Examination
) -> DecimalMark:
    """Return the decimal mark of a source and note in ``examination`` how it is known."""
    given = rules.decimal
    if given is None and rules.settled is not None:
        here = decimal_mark(_spread_all(dictionaries), delimiter)
        return _settled_mark(rules.settled.decimal, here, examination)
    if given is not None:
        mark = DecimalMark(given, _GIVEN)
    else:
        mark = decimal_mark(_spread_all(dictionaries), delimiter)
    examination.decimal, examination.decimal_why = mark.mark, mark.why
    if mark.question:
        examination.ask(mark.question)
    return mark


def ask_about_odd_marks(
    texts: pa.Array, cells: Cells, index: NDArray[np.integer], mark: DecimalMark,
    report: ColumnReport, examination: Examination,
) -> None:  # fmt: skip
    """Ask about the mark where the values refused for the other one are more than a point's few slips.

    They are few among all values of a file, and may be all values of one point.
    """
    if mark.question or mark.why == _GIVEN:
        return
    other = pc.match_substring(texts, "." if mark.mark == "," else ",")
    counts = count_each(index, len(texts))
    refused = int(counts[np.asarray(other) & cells.unreadable].sum())
    filled = int(counts[~cells.missing].sum())
    if refused > max(_ODD_MOST, _ODD_SHARE * filled) or refused == filled > 0:
        examination.ask(f"column {report.heading!r}: {_BOTH_MARKS}")


def count_each(index: NDArray[np.integer], size: int) -> NDArray[np.int64]:
    """Return how often each of ``size`` texts occurs in ``index``."""
    counts = np.zeros(size, dtype=np.int64)
    block = max(_BLOCK, size)
    for at in range(0, len(index), block):
        counts += np.bincount(index[at : at + block], minlength=size)
    return counts


def spread(values: NDArray[np.float64], index: NDArray[np.integer]) -> NDArray[np.float64]:
    """Return ``values`` at ``index``, a new array.

    In blocks: numpy turns an index of a column to its own kind, twice as large, before it looks up.
    """
    out = np.empty(len(index))
    for at in range(0, len(index), _BLOCK):
        out[at : at + _BLOCK] = values[index[at : at + _BLOCK]]
    return out


def count_cells(
    report: ColumnReport,
    texts: pa.Array,
    cells: Cells,
    index: NDArray[np.integer],
    lines: NDArray[np.int64],
    findings: Findings,
) -> NDArray[np.int64]:
    """Count read, missing and unreadable cells of one point; ``index`` points into ``texts``.

    Returns how often each of the texts occurs.
    """
    if findings.window is not None:
        own = findings.owns(lines)
        index, lines = index[own], lines[own]
    counts = count_each(index, len(texts))
    gone = np.flatnonzero(cells.missing & (counts > 0))
    # the words may come again in ``texts``; they are told in the order in which they came
    words: dict[str, int] = {}
    listed = texts.take(pa.array(gone)).dictionary_encode()
    sums = np.bincount(np.asarray(listed.indices), counts[gone], len(listed.dictionary))
    for word, number in zip(listed.dictionary.to_pylist(), sums.tolist(), strict=True):
        words[word or "(empty)"] = int(number)
    report.missing_words = {
        **report.missing_words,
        **{word: report.missing_words.get(word, 0) + n for word, n in words.items()},
    }
    some_bad = bool(counts[cells.unreadable].any())
    bad = np.flatnonzero(cells.unreadable[index]) if some_bad else np.array([], dtype=np.int64)
    report.values_missing = int(counts[cells.missing].sum())
    report.values_unreadable = len(bad)
    report.values_read = len(index) - report.values_missing - len(bad)
    findings.add_lines(
        "number",
        "'{value}' is no number. The cell is left empty.",
        "refused",
        lines[bad],
        [str(texts[int(index[i])].as_py()) for i in bad[:KEPT_PER_REASON]],
        column=report.heading,
    )
    return counts
