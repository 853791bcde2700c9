"""What happens to trend files on their way, as functions that damage a file whose truth is known.

The truth is taken from the text of the undamaged file by splitting it at its delimiter, without any
code of the package under test. Values are of a simulated, invented plant.
"""

import random
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from typing import Literal
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from demo_data.simulator import random_scenario, simulate
from ingest.point_map import Point, PointMap
from ingest.rules import Rules

# heading, role, unit, factor to SI, decimals in the file
POINTS = (
    ("A.HX1.PRI SUP T", "primary_supply_temperature", "degC", 1.0, 2),
    ("A.HX1.PRI RET T", "primary_return_temperature", "degC", 1.0, 2),
    ("A.HX1.SEC SUP T", "secondary_supply_temperature", "degC", 1.0, 2),
    ("A.HX1.SEC RET T", "secondary_return_temperature", "degC", 1.0, 2),
    ("A.HX1.FLOW", "primary_flow", "m3/h", 1 / 3600, 3),
    ("A.OAT", "outdoor_temperature", "degC", 1.0, 1),
)
IMPORTING = datetime(2026, 1, 1, tzinfo=UTC)
RULES = Rules(
    zone=ZoneInfo("UTC"),
    points=PointMap(Point(name=n, tag="HX-01", role=r, unit=u) for n, r, u, *_ in POINTS),
    tags=("HX-01",),
    importing_utc=IMPORTING,
)
Cell = tuple[str, pd.Timestamp]  # role and stamp
Expect = Literal["all", "lines", "file", "question"]


@dataclass(frozen=True, kw_only=True)
class Base:
    """An undamaged file: lines, the cells of each line, and the truth."""

    name: str
    lines: tuple[str, ...]  # the first is the header
    cells: dict[int, tuple[Cell, ...]]  # by line, counted from 0
    truth: dict[Cell, float]
    delimiter: str

    @property
    def text(self) -> str:
        return "\n".join(self.lines) + "\n"


@dataclass(frozen=True, kw_only=True)
class Damage:
    """A damaged file; ``lines`` of the undamaged one (from 0) may lose their cells, no others.

    ``expect`` says what must come of it: "all" cells as they were; the damaged "lines" left out or
    as they were; the "file" refused; a "question" asked.
    """

    data: bytes
    expect: Expect
    lines: frozenset[int] = frozenset()
    stated: tuple[tuple[str, str], ...] = ()


@cache
def _logged() -> pd.DataFrame:
    scenario = random_scenario(np.random.default_rng(5))
    start, end = datetime(2025, 10, 13, tzinfo=UTC), datetime(2025, 10, 16, tzinfo=UTC)
    frame = simulate(scenario, start, end).logged
    return frame[[r for _, r, *_ in POINTS]].resample("15min").first().ffill().bfill()


@cache
def wide() -> Base:
    """Columns for points; comma between them, decimal point, year first."""
    lines, cells, truth = ["Time," + ",".join(n for n, *_ in POINTS)], {}, {}
    for at, row in _logged().iterrows():
        texts = [f"{row[r] / f:.{d}f}" for _, r, _, f, d in POINTS]
        cells[len(lines)] = tuple((r, at) for _, r, *_ in POINTS)
        truth |= {(p[1], at): float(x) * p[3] for p, x in zip(POINTS, texts, strict=True)}
        lines.append(at.strftime("%Y-%m-%d %H:%M:%S,") + ",".join(texts))
    return Base(name="wide.csv", lines=tuple(lines), cells=cells, truth=truth, delimiter=",")


@cache
def long() -> Base:
    """A line for each value; semicolon, decimal comma, day first."""
    lines, cells, truth = ["Zeit;Punkt;Wert;Status"], {}, {}
    for at, row in _logged().iloc[:96].iterrows():
        for name, role, _, factor, decimals in POINTS:
            text = f"{row[role] / factor:.{decimals}f}"
            cells[len(lines)] = ((role, at),)
            truth[(role, at)] = float(text) * factor
            lines.append(f"{at:%d.%m.%Y %H:%M:%S};{name};{text.replace('.', ',')};OK")
    return Base(name="long.csv", lines=tuple(lines), cells=cells, truth=truth, delimiter=";")


BASES = {"wide": wide, "long": long}
Kind = Callable[[Base, random.Random], Damage]
KINDS: dict[str, tuple[Kind, tuple[str, ...]]] = {}


def kind(*bases: str) -> Callable[[Kind], Kind]:
    """List a kind of damage, for the bases named (all, where none is)."""

    def listed(function: Kind) -> Kind:
        KINDS[function.__name__] = (function, bases or tuple(BASES))
        return function

    return listed


def _line(base: Base, chance: random.Random) -> int:
    return chance.randrange(20, len(base.lines) - 20)


def _made(lines: list[str] | tuple[str, ...], expect: Expect, *damaged: int) -> Damage:
    return Damage(data=("\n".join(lines) + "\n").encode(), expect=expect, lines=frozenset(damaged))


def _replaced(base: Base, at: int, line: str | None) -> Damage:
    lines = list(base.lines)
    lines[at : at + 1] = [] if line is None else [line]
    return _made(lines, "lines", at)


def _on_cell(change: Callable[[str, random.Random], str]) -> Kind:
    """Damage one value of one line."""

    def damage(base: Base, chance: random.Random) -> Damage:
        at = _line(base, chance)
        cells = base.lines[at].split(base.delimiter)
        place = 2 if base.name.startswith("long") else chance.randrange(1, len(cells))
        cells[place] = change(cells[place], chance)
        return _replaced(base, at, base.delimiter.join(cells))

    return damage


def _on_stamp(change: Callable[[str, random.Random], str]) -> Kind:
    def damage(base: Base, chance: random.Random) -> Damage:
        at = _line(base, chance)
        cells = base.lines[at].split(base.delimiter)
        cells[0] = change(cells[0], chance)
        return _replaced(base, at, base.delimiter.join(cells))

    return damage


for _name, _change in {
    "letter O for nought": lambda c, r: c[:-1] + "O",
    "letter l for one": lambda c, r: "l" + c[1:],
    "two decimal marks": lambda c, r: c[:2] + ".," + c[2:],
    "number with a blank inside": lambda c, r: c[:1] + " " + c[1:],
    "hexadecimal number": lambda c, r: "0x3C",
    "number beyond floating point": lambda c, r: "1e400",
    "word in place of a number": lambda c, r: "Sensor defekt",
    "spreadsheet error": lambda c, r: "#VALUE!",
    "spreadsheet formula": lambda c, r: "=A1+B1",
    "number turned into a date": lambda c, r: "01. Mai",
    "overflow of a narrow column": lambda c, r: "########",
    "not a number": lambda c, r: "NaN",
    "sentinel": lambda c, r: "-9999",
    "empty cell": lambda c, r: "",
    "question mark behind the number": lambda c, r: c + "?",
    "unit of another kind in the cell": lambda c, r: c + " °F",
    "replacement character": lambda c, r: c[:2] + "\ufffd" + c[3:],
    "accounting brackets": lambda c, r: f"({c})",
    "range": lambda c, r: f"{c}-{c}",
    "comparison": lambda c, r: "<" + c,
    "digits of another script": lambda c, r: "٦٠",
    "quotation mark opened": lambda c, r: '"' + c,
    "quotation mark closed": lambda c, r: c + '"',
}.items():
    KINDS[_name] = (_on_cell(_change), tuple(BASES))

for _name, _change in {
    "stamp in 2085": lambda c, r: c.replace("2025", "2085"),
    "stamp in 1970": lambda c, r: c.replace("2025", "1970"),
    "stamp of month 13": lambda c, r: c.replace("-10-", "-13-").replace(".10.", ".13."),
    "stamp of hour 27": lambda c, r: c[:11] + "27" + c[13:],
    "stamp of 30 February": lambda c, r: "2025-02-30 10:00:00" if "-" in c else "30.02.2025 10:00:00",
    "stamp without its year": lambda c, r: c.replace("2025", ""),
    "stamp empty": lambda c, r: "",
    "stamp cut short": lambda c, r: c[:7],
    "stamp a month off": lambda c, r: c.replace("-10-", "-09-").replace(".10.", ".09."),
    "stamp a year off": lambda c, r: c.replace("2025", "2024"),
    "stamp of day and month turned": lambda c, r: "2025-13-10" + c[10:] if "-" in c else "10.13.2025" + c[10:],
}.items():  # fmt: skip
    KINDS[_name] = (_on_stamp(_change), tuple(BASES))


@kind()
def delimiter_lost(base: Base, chance: random.Random) -> Damage:
    at = _line(base, chance)
    return _replaced(base, at, base.lines[at].replace(base.delimiter, "", 1))


@kind()
def delimiter_doubled(base: Base, chance: random.Random) -> Damage:
    at = _line(base, chance)
    return _replaced(base, at, base.lines[at].replace(base.delimiter, 2 * base.delimiter, 1))


@kind("wide")
def delimiter_doubled_where_lines_end_in_one(base: Base, chance: random.Random) -> Damage:
    at = _line(base, chance)
    lines = [line + base.delimiter for line in base.lines]
    lines[at] = lines[at].replace(base.delimiter, 2 * base.delimiter, 1)
    return _made(lines, "lines", at)


@kind()
def empty_cell_too_many(base: Base, chance: random.Random) -> Damage:
    at = _line(base, chance)
    return _replaced(base, at, base.lines[at] + base.delimiter)


@kind()
def line_cut_in_the_middle(base: Base, chance: random.Random) -> Damage:
    at = _line(base, chance)
    return _replaced(base, at, base.lines[at][: len(base.lines[at]) // 2])


@kind()
def line_end_lost(base: Base, chance: random.Random) -> Damage:
    at = _line(base, chance)
    lines = list(base.lines)
    lines[at : at + 2] = [lines[at] + lines[at + 1]]
    return _made(lines, "lines", at, at + 1)


@kind()
def line_end_in_the_last_number(base: Base, chance: random.Random) -> Damage:
    at = _line(base, chance)
    lines = list(base.lines)
    cut = len(lines[at]) - (1 if base.name.startswith("wide") else 4)
    lines[at : at + 1] = [lines[at][:cut], lines[at][cut:]]
    return _made(lines, "lines", at)


@kind()
def line_end_in_the_stamp(base: Base, chance: random.Random) -> Damage:
    at = _line(base, chance)
    lines = list(base.lines)
    lines[at : at + 1] = [lines[at][:13], lines[at][13:]]
    return _made(lines, "lines", at)


@kind()
def lines_lost(base: Base, chance: random.Random) -> Damage:
    """A gap: nothing in the file tells of it; what is left must be as it was."""
    at = _line(base, chance)
    return _made([*base.lines[:at], *base.lines[at + 12 :]], "lines", *range(at, at + 12))


@kind()
def lines_doubled(base: Base, chance: random.Random) -> Damage:
    at = _line(base, chance)
    return _made([*base.lines[: at + 10], *base.lines[at:]], "all")


@kind()
def lines_doubled_with_other_values(base: Base, chance: random.Random) -> Damage:
    at = _line(base, chance)
    cells = base.lines[at].split(base.delimiter)
    cells[2 if base.name.startswith("long") else 1] = "77,77" if base.delimiter == ";" else "77.77"
    lines = [*base.lines[: at + 1], base.delimiter.join(cells), *base.lines[at + 1 :]]
    return _made(lines, "lines", at)


@kind()
def lines_shuffled(base: Base, chance: random.Random) -> Damage:
    body = list(base.lines[1:])
    chance.shuffle(body)
    return _made([base.lines[0], *body], "all")


@kind()
def newest_first(base: Base, chance: random.Random) -> Damage:
    return _made([base.lines[0], *base.lines[:0:-1]], "all")


@kind()
def two_lines_changed_places(base: Base, chance: random.Random) -> Damage:
    at = _line(base, chance)
    lines = list(base.lines)
    lines[at], lines[at + 1] = lines[at + 1], lines[at]
    return _made(lines, "all")


@kind()
def header_repeated(base: Base, chance: random.Random) -> Damage:
    at = _line(base, chance)
    return _made([*base.lines[:at], base.lines[0], *base.lines[at:]], "all")


@kind()
def header_repeated_behind_a_byte_order_mark(base: Base, chance: random.Random) -> Damage:
    at = _line(base, chance)
    return _made([*base.lines[:at], "\ufeff" + base.lines[0], *base.lines[at:]], "all")


@kind("wide")
def columns_change_places_half_way(base: Base, chance: random.Random) -> Damage:
    at = _line(base, chance)
    turned = []
    for line in [base.lines[0], *base.lines[at:]]:
        cells = line.split(",")
        cells[1], cells[2] = cells[2], cells[1]
        turned.append(",".join(cells))
    return _made([*base.lines[:at], *turned], "file")


@kind("wide")
def column_added_half_way(base: Base, chance: random.Random) -> Damage:
    at = len(base.lines) - 20
    added = [line.replace(",", ",0.0,", 1) for line in base.lines[at:]]
    return _made([*base.lines[:at], *added], "lines", *range(at, len(base.lines)))


@kind("wide")
def one_heading_twice(base: Base, chance: random.Random) -> Damage:
    header = base.lines[0].replace(POINTS[1][0], POINTS[0][0])
    return _made([header, *base.lines[1:]], "file")


@kind()
def header_lost(base: Base, chance: random.Random) -> Damage:
    if base.name.startswith("wide"):
        return _made(base.lines[1:], "file")
    return _made(base.lines[1:], "all")


@kind("wide")
def heading_cut(base: Base, chance: random.Random) -> Damage:
    """The column is not found: it is left out, and the others are as they were."""
    header = base.lines[0].replace(POINTS[4][0], POINTS[4][0][:7])
    return _made([header, *base.lines[1:]], "lines", *range(1, len(base.lines)))


@kind()
def preamble_and_footer(base: Base, chance: random.Random) -> Damage:
    d = base.delimiter
    lines = [
        f"Trend report{d}{d}",
        "",
        f"Printed{d}16.10.2025",
        "",
        *base.lines,
        "",
        "End of report",
    ]
    return _made(lines, "all")


@kind()
def totals_below(base: Base, chance: random.Random) -> Damage:
    d = base.delimiter
    return _made(
        [*base.lines, d.join(["Mean", *["55"] * (len(base.lines[0].split(d)) - 1)])], "all"
    )


@kind("wide")
def unit_row(base: Base, chance: random.Random) -> Damage:
    units = "," + ",".join(u for _, _, u, *_ in POINTS)
    return _made([base.lines[0], units, *base.lines[1:]], "all")


@kind()
def remark_between_the_lines(base: Base, chance: random.Random) -> Damage:
    at = _line(base, chance)
    return _made([*base.lines[:at], "*** logger restarted ***", *base.lines[at:]], "all")


@kind()
def blank_lines(base: Base, chance: random.Random) -> Damage:
    at = _line(base, chance)
    d = base.delimiter * (len(base.lines[0].split(base.delimiter)) - 1)
    return _made([*base.lines[:at], "", d, " ", *base.lines[at:]], "all")


def _encoded(base: Base, encode: Callable[[str], bytes], expect: Expect = "all") -> Damage:
    return Damage(data=encode(base.text), expect=expect)


for _name, _encode in {
    "windows line ends": lambda t: t.replace("\n", "\r\n").encode(),
    "old line ends": lambda t: t.replace("\n", "\r").encode(),
    "line ends translated twice": lambda t: t.replace("\n", "\r\r\n").encode(),
    "utf-16": lambda t: t.encode("utf-16"),
    "utf-16 without mark": lambda t: t.encode("utf-16-le"),
    "byte-order mark": lambda t: t.encode("utf-8-sig"),
    "latin-1 remark above": lambda t: ("Gebäude 3, °C\n" + t).encode("latin-1"),
    "every cell quoted": lambda t: "\n".join(
        ";".join(f'"{c}"' for c in line.split(";" if "Zeit" in t else ","))
        for line in t.splitlines()
    ).encode() + b"\n",
    "blanks around the cells": lambda t: t.replace(";", " ; ").replace(",", " , ").encode()
    if "Zeit" not in t else t.replace(";", " ; ").encode(),
    "tabs between the cells": lambda t: t.replace(";" if "Zeit" in t else ",", "\t").encode(),
    "bars between the cells": lambda t: t.replace(";" if "Zeit" in t else ",", "|").encode(),
    "line that names the delimiter": lambda t: (f"sep={';' if 'Zeit' in t else ','}\n" + t).encode(),
}.items():  # fmt: skip
    KINDS[_name] = (lambda base, chance, _e=_encode: _encoded(base, _e), tuple(BASES))


@kind()
def line_ends_of_all_kinds(base: Base, chance: random.Random) -> Damage:
    text = "".join(line + chance.choice(["\n", "\r\n", "\r"]) for line in base.lines)
    return Damage(data=(text + "\n").encode(), expect="all")


@kind()
def file_cut_in_the_last_number(base: Base, chance: random.Random) -> Damage:
    cut = 2 if base.name.startswith("wide") else 5
    return Damage(
        data=base.text.encode()[:-cut], expect="lines", lines=frozenset({len(base.lines) - 1})
    )


@kind()
def file_cut_in_the_last_line(base: Base, chance: random.Random) -> Damage:
    return Damage(
        data=base.text.encode()[:-12], expect="lines", lines=frozenset({len(base.lines) - 1})
    )


@kind()
def file_cut_in_utf_16(base: Base, chance: random.Random) -> Damage:
    return Damage(data=base.text.encode("utf-16")[:-7], expect="file")


@kind()
def broken_byte(base: Base, chance: random.Random) -> Damage:
    data = bytearray(base.text.encode())
    at = _line(base, chance)
    start = len("\n".join(base.lines[:at]).encode()) + 1
    data[start + len(base.lines[at]) // 2] = 0xE9
    return Damage(data=bytes(data), expect="lines", lines=frozenset({at}))


@kind()
def null_bytes(base: Base, chance: random.Random) -> Damage:
    """What a logger writes that lost its power: the line is gone, the others stand."""
    data = base.text.encode()
    at = data[:4000].count(b"\n")
    return Damage(
        data=data[:4000] + b"\0" * 512 + data[4000:], expect="lines", lines=frozenset({at})
    )


@kind()
def null_bytes_over_a_line_end(base: Base, chance: random.Random) -> Damage:
    """From the last cell of one line to that of the next: the two halves would make a whole row."""
    data = bytearray(base.text.encode())
    at = _line(base, chance)
    start, end = (len("\n".join(base.lines[:i]).encode()) + 1 for i in (at + 1, at + 2))
    cut, rest = data.rindex(base.delimiter.encode(), 0, start) + 1, len(base.lines[at + 1])
    goes_on = start + base.lines[at + 1].index(base.delimiter) + 1
    assert cut < start < goes_on < end <= start + rest + 1
    data[cut:goes_on] = b"\0" * (goes_on - cut)
    return Damage(data=bytes(data), expect="lines", lines=frozenset({at, at + 1}))


@kind()
def null_bytes_at_the_end(base: Base, chance: random.Random) -> Damage:
    """A file that was made long and not filled to its end."""
    cut = len(base.text) - 3
    return Damage(
        data=base.text[:cut].encode() + b"\0" * 4096, expect="lines",
        lines=frozenset({len(base.lines) - 1}),
    )  # fmt: skip


@kind()
def a_program(base: Base, chance: random.Random) -> Damage:
    return Damage(data=chance.randbytes(20_000), expect="file")


@kind()
def null_bytes_on_every_tenth_line(base: Base, chance: random.Random) -> Damage:
    lines = [f"{line}\0" if i % 10 == 5 else line for i, line in enumerate(base.lines)]
    return Damage(data="\n".join(lines).encode(), expect="file")


@kind()
def quotation_marks_twenty_lines_apart(base: Base, chance: random.Random) -> Damage:
    """Quoted like this, the lines between would be one cell, with the values of the last behind it."""
    at = _line(base, chance)
    lines = list(base.lines)
    for i, place in ((at, 1), (at + 10, 1)):
        cells = lines[i].split(base.delimiter)
        cells[place] = '"' + cells[place] if i == at else cells[place] + '"'
        lines[i] = base.delimiter.join(cells)
    return _made(lines, "lines", at, at + 10)


@kind("wide")
def decimal_comma_between_commas(base: Base, chance: random.Random) -> Damage:
    return _made([base.lines[0], *(line.replace(".", ",") for line in base.lines[1:])], "file")


@kind("long")
def one_value_with_the_other_decimal_mark(base: Base, chance: random.Random) -> Damage:
    at = _line(base, chance)
    return Damage(
        data=_replaced(base, at, base.lines[at].replace(",", ".")).data,
        expect="lines", lines=frozenset({at}),
    )  # fmt: skip


@kind("long")
def one_value_that_might_be_thousands(base: Base, chance: random.Random) -> Damage:
    """A flow of "6.118" among "6,123" and "6,131" is a slip, and not six thousand."""
    at = chance.choice([i for i, line in enumerate(base.lines) if ";A.HX1.FLOW;" in line])
    return _replaced(base, at, base.lines[at].replace(",", "."))


@kind("long")
def one_point_with_the_other_decimal_mark(base: Base, chance: random.Random) -> Damage:
    """Few distinct values among those of all points, and yet no slips."""
    lines = [
        f"{line.split(';')[0]};A.OAT;{4.5 + i % 3 / 2};OK" if ";A.OAT;" in line else line
        for i, line in enumerate(base.lines)
    ]
    hit = [i for i, line in enumerate(base.lines) if ";A.OAT;" in line]
    return Damage(data=_made(lines, "question").data, expect="question", lines=frozenset(hit))


@kind("long")
def state_says_fault(base: Base, chance: random.Random) -> Damage:
    at = _line(base, chance)
    return _replaced(base, at, base.lines[at].replace(";OK", ";Fault"))


@kind("long")
def state_is_a_scrap(base: Base, chance: random.Random) -> Damage:
    at = _line(base, chance)
    return _replaced(base, at, base.lines[at].replace(";OK", ";O"))


@kind("long")
def point_name_damaged(base: Base, chance: random.Random) -> Damage:
    """The value of a point that nobody registered is left out and listed."""
    at = _line(base, chance)
    return _replaced(base, at, base.lines[at].replace("A.", "A,"))


@kind("long")
def thousands_with_points(base: Base, chance: random.Random) -> Damage:
    lines = [line.replace(";OK", "") for line in base.lines]
    lines[0] = "Zeit;Punkt;Wert"
    extra = [
        f"{line.split(';')[0]};A.HX1.TOTAL;1.2{i:02d}.345,6" for i, line in enumerate(lines[1:90])
    ]
    return _made([*lines, *extra], "all")


@kind("wide")
def some_stamps_with_a_zone(base: Base, chance: random.Random) -> Damage:
    at = _line(base, chance)
    cells = base.lines[at].split(",")
    cells[0] += "+02:00"
    return Damage(
        data=_replaced(base, at, ",".join(cells)).data, expect="file", lines=frozenset({at})
    )


@kind("wide")
def day_and_month_open(base: Base, chance: random.Random) -> Damage:
    lines = [
        "03/04/2025" + line[10:] if line[:10] == "2025-10-13" else "" for line in base.lines[1:]
    ]
    return _made([base.lines[0], *filter(None, lines)], "file")
