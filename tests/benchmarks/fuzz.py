"""Trend files with bytes changed at random: never a traceback, never another cell than the damaged one.

python -m tests.benchmarks.fuzz --count 50000 --state fuzz.jsonl

Finished chunks are kept in the state file, so that an interrupted run goes on where it stopped.

What must hold for a file of which some bytes were changed (the header apart, where anything may
follow but a traceback): a value stored at a point and stamp of an untouched line equals the original;
no more values come up at other stamps than the touched lines can hold; where a value of an untouched
line is missing, something was said; no file takes longer than ``SECONDS_MOST``. Texts are wide and long
tables, each also read by columns (``even_lines``), and log records as CSV, JSON lines and JSON. Of what is
packed under a checksum (workbook, gzip, bzip2, xz, archives with an archive inside) no value may be other
than it was; Parquet and zstd carry none, so that nothing but a traceback can be looked for there.
"""

import argparse
import bisect
import bz2
import gzip
import io
import json
import lzma
import random
import resource
import sys
import time
import traceback
import zipfile
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from unittest import mock

import pandas as pd
import pyarrow as pa
from joblib import Parallel, delayed

from analytics.vocabulary.errors import IngestError
from ingest import large, streams
from ingest.containers import members
from ingest.dialects import even_lines
from ingest.pipeline import ReadResult, read_trends
from tests.ingest.corruptions import POINTS, RULES, Base, Cell, long, wide

SECONDS_MOST = 10.0
MEGABYTES_MORE = 400.0
CHUNK = 250
SCRAPS = (b",", b";", b"\n", b'"', b"\t", b"\r", b"\r\n", b"\0", b"---", b"NaN", b"1e400", b".", b" ",
          b"-", b"+", b"'", b"=", b"\xe9", b"\xc2\xb0", b"\xff", b"24:00", b"00", b"9", b"2025", b"AM",
          b"+02:00", b"Z", b"\xef\xbb\xbf", b"\xe2\x80\xa8", b"#", b"|", b"\x1a", b"OK", b"\n\n")  # fmt: skip


@dataclass(frozen=True, slots=True)
class Mutant:
    """Changed bytes, the lines of the original that were touched (from 0), and how many came new."""

    data: bytes
    lines: frozenset[int]
    lines_more: int


@dataclass(frozen=True, slots=True)
class Packed:
    """Bytes that hold a file whose truth is known; ``summed``: a checksum stands over its content."""

    name: str
    data: bytes
    truth: dict[Cell, float]
    summed: bool


EVEN_FROM = (
    150  # bytes at each end that are not read by columns, in place of the many of a real file
)
_HEADLESS = ("records.jsonl",)
_UNITS = {"degC": "degrees-celsius", "m3/h": "cubic-meters-per-hour"}


def _shortened(full: Base, lines: int) -> Base:
    cells = {n: c for n, c in full.cells.items() if n < lines}
    kept = {c for group in cells.values() for c in group}
    truth = {c: v for c, v in full.truth.items() if c in kept}
    return replace(full, lines=full.lines[:lines], cells=cells, truth=truth)


@cache
def bases() -> tuple[Base, ...]:
    """Return short files, so that many can be tried; the first days of the longer ones."""
    return (_shortened(wide(), 41), _shortened(long(), 61), *_records())


def _records() -> Iterator[Base]:
    """Yield log records of a device, a line each: as CSV, as JSON lines, and as one JSON array."""
    full = _shortened(wide(), 11)
    head = "object-name,sequence-number,timestamp,datum-type,log-datum,status-flags,units"
    rows, objects, cells = [], [], []
    for number, group in enumerate(full.cells[n] for n in sorted(full.cells)):
        texts = full.lines[number + 1].split(",")[1:]
        for (name, _, unit, *_), cell, text in zip(POINTS, group, texts, strict=True):
            at = cell[1]
            rows.append(
                f"{name},{number + 1},{at:%Y-%m-%d %H:%M:%S}.00,real-value,{text},,{_UNITS[unit]}"
            )
            objects.append(
                json.dumps(
                    {
                        "object-name": name, "sequence-number": number + 1,
                        "timestamp": {"date": f"{at:%Y-%m-%d}", "time": f"{at:%H:%M:%S}.00"},
                        "log-datum": {"real-value": float(text)}, "units": _UNITS[unit],
                    }
                )
            )  # fmt: skip
            cells.append((cell,))
    array = ["[", *(f"{o}," for o in objects[:-1]), objects[-1], "]"]
    for name, lines, first in (
        ("records.csv", [head, *rows], 1),
        ("records.jsonl", objects, 0),
        ("records.json", array, 1),
    ):
        yield Base(
            name=name, lines=tuple(lines), cells=dict(enumerate(cells, first)),
            truth=full.truth, delimiter=",",
        )  # fmt: skip


@cache
def packages() -> tuple[Packed, ...]:
    """Return one table packed in every way that is read."""
    base = _shortened(wide(), 41)
    text = base.text.encode()
    frame = pd.read_csv(io.BytesIO(text), parse_dates=["Time"])
    book, table = io.BytesIO(), io.BytesIO()
    frame.to_excel(book, index=False)
    frame.to_parquet(table, index=False)
    inner = _zip({"b.csv": text, "c.csv": text})
    return tuple(
        Packed(name, data, base.truth, summed)
        for name, data, summed in (
            ("p.csv.gz", gzip.compress(text), True),
            ("p.csv.bz2", bz2.compress(text), True),
            ("p.csv.xz", lzma.compress(text), True),
            ("p.csv.zst", pa.compress(text, codec="zstd", asbytes=True), False),
            ("p.zip", _zip({"a.csv": text}), True),
            ("many.zip", _zip({"a.csv": text, "more.zip": inner}), True),
            ("p.xlsx", book.getvalue(), True),
            ("p.parquet", table.getvalue(), False),
        )
    )


def _zip(files: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return out.getvalue()


def mutate_bytes(data: bytes, chance: random.Random) -> bytes:
    """Change one to four places of a packed file, or cut it."""
    if chance.random() < 0.05:
        return data[: chance.randrange(len(data))]
    for _ in range(chance.randint(1, 4)):
        at = chance.randrange(len(data))
        upto = min(at + chance.choice([1, 1, 1, 2, 5, 17]), len(data))
        other = chance.randrange(len(data))
        new = chance.choice(
            (
                bytes([chance.randrange(256)]), b"", data[at:upto] * 2, bytes([data[at] ^ (1 << chance.randrange(8))]),
                data[other : other + upto - at], b"\xff" * (upto - at), bytes(upto - at),
            )
        )  # fmt: skip
        data = data[:at] + new + data[upto:]
        if not data:
            break
    return data


def try_packed(packed: Packed, chance: random.Random) -> str:
    """Mutate and read a packed file; return what became of it."""
    outcomes = []
    for member in members(packed.name, mutate_bytes(packed.data, chance)):
        if member.refused:
            outcomes.append("refused")
            continue
        try:
            result = read_trends(member.data, member.name, RULES)
        except IngestError as error:
            if not str(error).startswith(member.name):
                return f"WRONG: sentence {error}"
            outcomes.append("refused")
            continue
        found = _values_of(result)
        other = [c for c, v in found.items() if not _same(v, packed.truth.get(c))]
        if other and packed.summed and not result.examination.questions:
            return f"WRONG: {packed.name}: {other[0]} is {found[other[0]]!r}, was {packed.truth.get(other[0])!r}"
        outcomes.append("read" if not other else "no checksum over it")
    return "refused in part" if len(set(outcomes)) > 1 else "".join(outcomes[:1]) or "holds nothing"


def _same(value: float, truth: float | None) -> bool:
    return truth is not None and abs(value - truth) <= 1e-9 * abs(truth) + 1e-15


def _values_of(result: ReadResult) -> dict[Cell, float]:
    return {
        (str(role), at): float(value)
        for frame in result.blocks.values()
        for role in frame.columns
        for at, value in frame[role].dropna().items()
    }


def mutate(base: Base, chance: random.Random) -> Mutant:
    """Change one to four places of a file."""
    original = base.text.encode()
    starts = [0]
    for line in base.lines:
        starts.append(starts[-1] + len(line.encode()) + 1)

    def line_of(at: int) -> int:
        return min(bisect.bisect_right(starts, at) - 1, len(base.lines) - 1)

    # from the back to the front, so that earlier places keep their meaning
    places = sorted(
        (chance.randrange(len(original)) for _ in range(chance.randint(1, 4))), reverse=True
    )
    data, touched, more = original, set(), 0
    for at in places:
        upto = min(at + chance.choice([1, 1, 1, 2, 3, 5, 9, 17, 60]), len(original))
        what = chance.randrange(6)
        if what == 0:
            new = bytes([chance.randrange(256)])
            upto = at + 1
        elif what == 1:
            new, upto = chance.choice(SCRAPS), at
        elif what == 2:
            new = b""
        elif what == 3:
            new = original[at:upto] * 2
        elif what == 4:
            new = bytes([data[at] ^ (1 << chance.randrange(8))])
            upto = at + 1
        else:
            other = chance.randrange(len(original))
            new, upto = original[other : other + chance.randrange(40)], at
        data = data[:at] + new + data[upto:]
        more += new.count(b"\n") + new.count(b"\r")
        # a line end that comes or goes touches the line beside it, too
        first, last = line_of(at), line_of(max(upto, at))
        touched |= set(range(first - (at == starts[first]), last + 1))
    return Mutant(data, frozenset(touched), more)


def judge(base: Base, mutant: Mutant, result: ReadResult) -> str:
    """Return what became of a mutant; "WRONG: ..." where it must not."""
    said = result.findings.count() + sum(
        c.values_missing + bool(c.left_out not in (None, "time"))
        for c in result.examination.columns
    )
    if result.examination.questions:
        return "asked"
    if 0 in mutant.lines and base.name not in _HEADLESS:
        return "header touched"
    found = _values_of(result)
    free = {cell for line in mutant.lines for cell in base.cells.get(line, ())}
    for cell, value in found.items():
        truth = base.truth.get(cell)
        if truth is not None and cell not in free and not _same(value, truth):
            return f"WRONG: {cell} is {value!r}, was {truth!r}"
    extra = [cell for cell in found if cell not in base.truth]
    each = max(len(group) for group in base.cells.values())
    if len(extra) > each * (len(mutant.lines) + mutant.lines_more):
        return f"WRONG: {len(extra)} cells that never were, as {extra[0]}"
    lost = set(base.truth) - set(found) - free
    if lost and not said:
        return f"WRONG: lost without a word: {min(lost)}"
    return "damage said" if said else "read"


def read_in_parts(data: bytes, name: str) -> ReadResult | None:
    """Read a file in small parts, as a large one in large ones; ``None`` where it is read whole."""
    with (
        mock.patch.object(streams, "_READ", 50),
        mock.patch.multiple(
            large, PART_BYTES=500, LARGE_FROM=0, CONTEXT_BYTES=150, _SAMPLE_BYTES=200
        ),
    ):
        found = large.survey(streams.opener(data), name, RULES)
        if found is None:
            return None
        frames: dict[str, list[pd.DataFrame]] = {}
        try:
            for part in found.parts():
                for tag, frame in part.items():
                    frames.setdefault(tag, []).append(frame)
        except IngestError:
            return None
    # a stamp of a role that came in two parts would stand twice here, and be found out by its value
    blocks = {tag: pd.concat(parts).sort_index() for tag, parts in frames.items()}
    return ReadResult(blocks=blocks, findings=found.findings, examination=found.examination)


def try_one(number: int) -> str:
    """Mutate and read one file; the number is the seed."""
    chance = random.Random(number)
    texts, packed = bases(), packages()
    began = time.process_time()  # by the clock a busy machine would be accused
    # each text the careful way, by columns, and in parts as a large file; packed ones
    kinds = 3 * len(texts)
    kind = number % (kinds + 2)
    name = texts[kind // 3].name if kind < kinds else ""
    try:
        if not name:
            chosen = packed[number // (kinds + 2) % len(packed)]
            name = chosen.name
            outcome = try_packed(chosen, chance)
        else:
            base = texts[kind // 3]
            mutant = mutate(base, chance)
            ends = EVEN_FROM if kind % 3 else 1 << 40
            with mock.patch.object(even_lines, "_ENDS", ends):
                result = read_in_parts(mutant.data, base.name) if kind % 3 == 2 else None
                result = result or read_trends(mutant.data, base.name, RULES)
                outcome = judge(base, mutant, result)
    except IngestError as error:
        outcome = "refused" if str(error).startswith(name) else f"WRONG: sentence {error}"
    except Exception:  # noqa: BLE001 - whatever comes is what is looked for
        outcome = "WRONG: " + traceback.format_exc(limit=-2).replace("\n", " | ")
    took = time.process_time() - began
    if took > SECONDS_MOST:
        outcome = f"WRONG: took {took:.1f} s"
    return outcome


def try_chunk(chunk: int, size: int = CHUNK) -> dict[str, object]:
    """Try ``size`` files and return the counts, and the numbers of those that went wrong."""
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    counts: Counter[str] = Counter()
    wrong: list[tuple[int, str]] = []
    for number in range(chunk * size, (chunk + 1) * size):
        outcome = try_one(number)
        counts[outcome.split(":", 1)[0]] += 1
        if outcome.startswith("WRONG"):
            wrong.append((number, outcome))
    more = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024 - before
    if more > MEGABYTES_MORE:
        wrong.append((chunk * size, f"WRONG: {more:.0f} MB more memory"))
    return {"chunk": chunk, "counts": dict(counts), "wrong": wrong}


def main() -> int:
    """Try many files on all cores; return 1 where one went wrong."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--count", type=int, default=2000)
    parser.add_argument("--state", type=Path, help="file that keeps what is finished")
    parser.add_argument("--workers", type=int, default=-1)
    given = parser.parse_args()
    done: dict[int, dict[str, object]] = {}
    if given.state and given.state.exists():
        lines = given.state.read_text(encoding="utf-8").splitlines()
        done = {found["chunk"]: found for found in map(json.loads, lines)}
    wanted = range(-(-given.count // CHUNK))
    left = [n for n in wanted if n not in done]
    # by its module, since what lives in the main program cannot be sent to another process
    from tests.benchmarks.fuzz import try_chunk as tried

    jobs = Parallel(n_jobs=given.workers, return_as="generator_unordered")
    for found in jobs(delayed(tried)(n) for n in left):
        done[found["chunk"]] = found
        if given.state:
            with given.state.open("a", encoding="utf-8") as out:
                out.write(json.dumps(found) + "\n")
        print(f"\r{len(done) * CHUNK:,} of {len(wanted) * CHUNK:,}", end="", file=sys.stderr)
    print(file=sys.stderr)
    counts: Counter[str] = Counter()
    wrong = []
    for n in wanted:
        counts.update(done[n]["counts"])  # type: ignore[call-overload]
        wrong += done[n]["wrong"]  # type: ignore[operator]
    for number, text in wrong[:40]:
        print(f"file {number}: {text}")
    print(f"{sum(counts.values()):,} files: {dict(counts)}")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
