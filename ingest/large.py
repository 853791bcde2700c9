"""Text files too large to be held whole: a survey of all of the file, then part after part of it.

The survey reads lines spread over the file as a small file of its own and settles what only the whole
can tell: shape, delimiter, decimal mark, order of day and month, which columns are what, which words
say that a value is good. It asks what has to be asked. Each part is then read by the same careful reader
under what was settled, with the header above it and lines of its neighbours around it, so that order,
doubled hours and stamps that come twice are judged at its ends as they are inside.

What a part shows that contradicts the survey or another part refuses the whole file, or sends it to be
read whole where it is small enough for that. Never is a part read in another way than the others.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final, cast

import numpy as np
import pandas as pd

from analytics.vocabulary.errors import IngestError
from ingest.as_text import Utf16Text, is_parquet, parquet_lines, utf16_of
from ingest.dialects.sniffing import Table, find_table, say_broken_bytes
from ingest.dialects.timing import ask_about_clock, say_assumption
from ingest.examination import ColumnReport, Examination
from ingest.findings import Findings, Window
from ingest.joining import Span, join_readings
from ingest.outages import Outages
from ingest.pipeline import (
    Totals,
    examination_of,
    lines_aside,
    nothing_known,
    read_table,
    read_text,
    summarise,
)
from ingest.rules import DateOrder, Rules, Settled
from ingest.sources import (
    BROKEN_UTF8,
    SourceText,
    encoding_of,
    is_utf8,
    load_text,
    looks_like_text,
    plain_line_ends,
)
from ingest.streams import DAMAGED, NoLines, Opener, line_blocks, unpacked
from ingest.unpacking import DamagedMember, is_workbook, open_zip, packed_by, zip_members

PART_BYTES: Final = 8 << 20
LARGE_FROM: Final = 48 << 20  # below, a file is read whole
_PACKED_FROM: Final = 4 << 20  # of a packed file, which may hold ten times as much
CONTEXT_BYTES: Final = 1 << 19
_SAMPLE_BYTES: Final = 1 << 19
_SAMPLES_MOST: Final = 16
_MARK: Final = b"\xef\xbb\xbf"
_SHAPES = ("wide", "long")
_TOGETHER = "Split the file by month and import the parts, or export it again in the order of time."


class PartsDiffer(IngestError):
    """Parts of a large file contradict each other, so that it can only be read as a whole, if at all."""


def can_be_large(path: Path) -> bool:
    """Tell by size and first bytes whether a file may have to be read part by part."""
    size = path.stat().st_size
    if size < min(LARGE_FROM, _PACKED_FROM):
        return False
    with path.open("rb") as stream:
        head = stream.read(4096)
    if packed_by(head) == "zip":
        return size >= _PACKED_FROM and _holds_large(path)
    if packed_by(head) or is_parquet(head):
        return size >= _PACKED_FROM
    return size >= LARGE_FROM and (looks_like_text(head) or utf16_of(head, None) is not None)


def _holds_large(path: Path) -> bool:
    """Tell whether an archive says of a file in it that it is large; workbooks never are."""
    try:
        with path.open("rb") as stream, open_zip(stream, path.name) as archive:
            sizes = [member.file_size for member in zip_members(archive)]
            return not is_workbook(archive) and max(sizes, default=0) >= LARGE_FROM
    except IngestError:
        return False  # the careful way says it


@dataclass(slots=True, kw_only=True)
class Survey:
    """A large file of which the whole is known, and which is ready to be read part by part.

    ``examination`` and ``findings`` tell of the survey, and of all of the file once :meth:`parts` came
    to its end. ``sample`` holds the trend frames of the lines that were surveyed.
    """

    name: str
    rules: Rules
    open_text: Opener
    encoding: str
    table: Table
    head: bytes
    examination: Examination
    sample: dict[str, pd.DataFrame]
    findings: Findings = field(default_factory=Findings)
    totals: Totals = field(default_factory=Totals)

    def parts(self) -> Iterator[dict[str, pd.DataFrame]]:
        """Yield the trend frames of part after part; no role has a stamp in two of them.

        Raises
        ------
        PartsDiffer
            If the parts contradict each other.
        IngestError
            If a part cannot be read.
        """
        yield from _read_parts(self)


def survey(source: Opener, name: str, rules: Rules) -> Survey | None:
    """Survey a source that is large; ``None`` where it is not, or has to be read whole.

    Parameters
    ----------
    source : callable
        Opens the source from its start, packed or not.
    name : str
        Its name, for messages and for the register's file patterns.
    rules : Rules
        As for :func:`ingest.pipeline.read_trends`; its limit of size does not hold here.

    Raises
    ------
    IngestError
        If the source cannot be read at all.
    """
    wide: Utf16Text | None = None
    try:
        open_text, packing = unpacked(source, name)
        head = _head(open_text)
        if is_parquet(head):
            open_text, packing = parquet_lines(open_text, name), "parquet"
            head = _head(open_text)
        elif encoding := utf16_of(head, rules.encoding):
            open_text = wide = Utf16Text(open_text, encoding)
            rules, head = replace(rules, encoding=None), _head(open_text)
        if packed_by(head) or not looks_like_text(head):
            return None
        sampler = _Sampler()
        for block in line_blocks(open_text, _SAMPLE_BYTES):
            sampler.add(block)
        if sampler.size < LARGE_FROM or sampler.null:
            return None
        encoding = rules.encoding or (
            encoding_of(head, lambda: ())
            if sampler.utf8
            else encoding_of(head, lambda: line_blocks(open_text, _SAMPLE_BYTES))
        )
    except (NoLines, DamagedMember, *DAMAGED):
        return None  # whatever it is: the careful way says it
    if encoding is None or not _can_be_cut(encoding, sampler.utf8):
        return None
    if wide is not None:
        sampler.size = wide.size
    try:
        found = _survey(sampler, name, rules, open_text, packing, encoding)
        if found is not None and wide is not None:
            found.examination.encoding = wide.encoding
        return found
    except IngestError:
        if sampler.size <= rules.bytes_most:
            return None  # all of it may settle what a part of it does not
        raise


def _head(open_text: Opener) -> bytes:
    with open_text() as stream:
        return stream.read(4096)


def _survey(
    sampler: "_Sampler", name: str, rules: Rules, open_text: Opener, packing: str, encoding: str
) -> Survey | None:
    sample = sampler.sample()
    text = load_text(sample, name, len(sample), _stated(encoding))
    result, table = read_text(text, name, replace(rules, surveying=True))
    examination = result.examination
    if not result.blocks and sampler.size <= rules.bytes_most:
        return None
    if not result.blocks and not rules.propose:
        raise nothing_known(examination, rules)
    head = _lines(text.data, table.head)
    if (
        examination.shape not in _SHAPES
        # columns printed with blanks between them have no delimiter
        or table.records.delimiter.encode() not in _lines(text.data, table.head + 1)[len(head) :]
        or len(head) > sampler.first
    ):
        return None
    examination.clock_note = ""
    examination.size_bytes, examination.packed = sampler.size, packing
    examination.encoding = text.encoding if encoding.startswith("utf-8") else encoding
    return Survey(
        name=name,
        rules=_settled(rules, table, examination),
        open_text=open_text,
        encoding=encoding,
        table=table,
        head=head,
        examination=examination,
        sample=result.blocks,
        findings=_carried(result.findings),
    )


def _can_be_cut(encoding: str, utf8: bool) -> bool:
    """Tell whether a text can be cut at the bytes of its line ends and read in parts."""
    plain = encoding.lower().replace("_", "-")
    if plain in ("utf-8", "ascii", "utf-8-sig"):
        return utf8
    return not plain.startswith(("utf-16", "utf-32"))


def _stated(encoding: str) -> str | None:
    # broken bytes are found again in the sample, and the mark at the start is part of it
    return None if encoding.startswith("utf-8") else encoding


class _Sampler:
    """Keeps blocks spread evenly over all that passes, the first and the last among them."""

    def __init__(self) -> None:
        self.size = 0
        self.first = 0  # bytes of the first block
        self.null = False
        self.utf8 = True
        self._kept: list[tuple[int, bytes]] = []
        self._last = b""
        self._step, self._number = 1, 0

    def add(self, block: bytes) -> None:
        self.first = self.first or len(block)
        self.size += len(block)
        self.null = self.null or b"\0" in block
        self.utf8 = self.utf8 and is_utf8(block)
        self._last = block
        if self._number % self._step == 0:
            self._kept.append((self._number, block))
            if len(self._kept) > _SAMPLES_MOST:
                self._step *= 2
                self._kept = [k for k in self._kept if k[0] % self._step == 0]
        self._number += 1

    def sample(self) -> bytes:
        blocks = [block for _, block in self._kept]
        if self._last is not blocks[-1]:
            blocks.append(self._last)
        return b"".join(blocks)


def _lines(data: bytes, count: int) -> bytes:
    """Return the first lines of a text."""
    end = 0
    for _ in range(count):
        end = data.index(b"\n", end) + 1
    return data[:end]


def _settled(rules: Rules, table: Table, examination: Examination) -> Rules:
    samples = {
        (position, size): cells
        for (rows, position, size), cells in table.sampled.items()
        if rows == id(table.rows)
    }
    return replace(
        rules,
        propose=False,
        delimiter=table.records.delimiter,
        settled=Settled(
            decimal=examination.decimal,
            date_order=cast("DateOrder | None", examination.date_order or None),
            interval_s=examination.interval_s,
            newest_first=examination.newest_first,
            orderly=examination.orderly,
            samples=samples,
        ),
    )


def _carried(surveyed: Findings) -> Findings:
    """Return findings to fill part by part, with what the survey alone can find."""
    findings = Findings()
    findings.usual_states = surveyed.usual_states
    for finding in surveyed:
        if finding.reason == "mapping":
            findings.add("mapping", finding.text, finding.severity)
    return findings


@dataclass(frozen=True, slots=True)
class _Part:
    text: SourceText
    window: Window
    broken: int  # bytes that are no UTF-8


def _read_parts(survey: Survey) -> Iterator[dict[str, pd.DataFrame]]:
    found = survey.findings
    account = _Account(survey.examination)
    broken = 0
    weighed = frozenset(c.heading for c in survey.examination.columns if c.taken_for)
    order = _Order(survey.name)
    totals, outages = survey.totals, Outages()
    if not survey.sample:
        found.add(
            "survey",
            "none of its points is registered, and the file is large: what is told of it rests on lines "
            f"spread over it, {_SAMPLES_MOST} MB at most.",
            "note",
        )
        return
    for part in _parts(survey):
        found.window = part.window
        if survey.encoding == BROKEN_UTF8:
            broken += part.broken
        table = find_table(
            part.text, survey.name, survey.rules.delimiter, survey.rules.points, found
        )
        settled = survey.rules.settled
        assert settled is not None
        table = replace(table, samples=settled.samples)
        account.rows += int(np.count_nonzero(found.owns(table.lines)))
        examination = examination_of(part.text, table, survey.name)
        examination.weighed = weighed
        readings = read_table(table, survey.rules, examination, found)
        spans: list[Span] = []
        blocks = join_readings(readings, found, spans)
        order.check(spans, part.window)
        account.add(examination, part.window)
        blocks = {tag: frame for tag, frame in blocks.items() if len(frame)}
        totals.add(blocks)
        outages.add(blocks)
        yield blocks
    found.window = None
    outages.say(found, survey.rules.zone)
    say_broken_bytes(broken, found)
    account.close(found, totals, survey.rules)


def _parts(survey: Survey) -> Iterator[_Part]:
    """Yield parts of the text, each with its header and some lines of both neighbours."""
    texts = (_text(block, survey.encoding) for block in line_blocks(survey.open_text, PART_BYTES))
    head, above = survey.head, survey.table.head
    own: bytes | None = next(texts, b"")
    assert own is not None
    own = own.removeprefix(_MARK)
    own = own[len(_lines(own, above)) :]
    passed, before = above, b""  # lines before ``own``, and the last of them
    while own is not None:
        following = next(texts, None)
        after = b"" if following is None else following[: _cut(following, CONTEXT_BYTES)]
        unfinished = following is None and not own.endswith(b"\n")
        if unfinished:
            own += b"\n"
        lines = own.count(b"\n")
        context = own[own.rfind(b"\n", 0, max(0, len(own) - CONTEXT_BYTES)) + 1 :]
        window = Window(
            head=above, first=passed + 1, last=passed + lines,
            core_last=passed + lines - (0 if following is None else context.count(b"\n")),
        )  # fmt: skip
        text = SourceText(
            data=head + before + own + after,
            encoding=survey.encoding,
            packed=survey.examination.packed,
            size=survey.examination.size_bytes,
            unfinished=unfinished,
            window=window,
            skipped=passed - above - before.count(b"\n"),
            width=survey.table.width,
        )
        yield _Part(text, window, own.count("\ufffd".encode()))
        passed, before, own = passed + lines, context, following


def _cut(text: bytes, size: int) -> int:
    """Return where the line ends that goes over ``size``."""
    end = text.find(b"\n", size) + 1
    return end or len(text)


def _text(block: bytes, encoding: str) -> bytes:
    if encoding not in ("utf-8", "ascii", "utf-8-sig"):
        errors = "replace" if encoding.startswith("utf-8") else "strict"
        name = "utf-8" if encoding.startswith("utf-8") else encoding
        block = block.decode(name, errors=errors).encode("utf-8")
    return plain_line_ends(block)


class _Order:
    """Whether parts follow on each other in time, so that no stamp of a role can come in two."""

    def __init__(self, name: str) -> None:
        self._name = name
        # of each role, what earlier parts hold and this one is not shown
        self._held: dict[tuple[str, str], list[tuple[np.datetime64, np.datetime64]]] = {}
        self._shown: list[Span] = []

    def check(self, spans: list[Span], window: Window) -> None:
        """Refuse a part with stamps in the time of earlier parts."""
        for span in spans:
            for low, high in self._held.get((span.tag, span.role), ()):
                if span.whole[0] <= high and span.whole[1] >= low:
                    raise PartsDiffer(
                        f"{self._name} lines {window.first} to {window.last}: stamps of {span.tag} "
                        f"{span.role} from {span.whole[0].astype('datetime64[s]')}Z on lie in a time of "
                        f"which earlier lines tell, too. A file of this size is read part by part. "
                        f"{_TOGETHER}"
                    )
        for span in spans:
            if span.core is not None:
                self._hold(span, span.core)
        # what this part shared with the next is held against those behind the next
        for earlier in self._shown:
            self._hold(earlier, earlier.whole)
        self._shown = spans

    def _hold(self, span: Span, stretch: tuple[np.datetime64, np.datetime64]) -> None:
        held = self._held.setdefault((span.tag, span.role), [])
        held.append(stretch)
        held.sort()
        # stretches that touch or overlap become one: a thousand parts in order stay few
        merged = held[:1]
        for low, high in held[1:]:
            if low <= merged[-1][1]:
                merged[-1] = (merged[-1][0], max(merged[-1][1], high))
            else:
                merged.append((low, high))
        held[:] = merged


class _Account:
    """Adds up what the parts of a file tell of its columns and its clock."""

    def __init__(self, examination: Examination) -> None:
        self.rows = 0
        self._of_file = examination
        self._columns: dict[Any, ColumnReport] = {}
        self._surveyed = {_key(c): c for c in examination.columns}
        self._evidence: dict[str, Any] = {}
        self._assumed, self._clock_note = True, ""
        self._clock_by_offsets = examination.clock.startswith("offsets in")

    def add(self, part: Examination, window: Window) -> None:
        """Add a part; refuse the file where the part was read otherwise than the others."""
        whole = self._of_file
        where = f"{whole.name} lines {window.first} to {window.last}"
        if (part.shape, part.time_columns, part.decimal) != (
            whole.shape, whole.time_columns, whole.decimal,
        ) or part.clock.startswith("offsets in") != self._clock_by_offsets:  # fmt: skip
            raise PartsDiffer(
                f"{where}: shape, stamps or decimal mark are not as in the rest of the file. {_TOGETHER}"
            )
        for column in part.columns:
            self._add_column(column, where)
        for name, value in part.clock_evidence.items():
            before = self._evidence.get(name, False if isinstance(value, bool) else 0)
            self._evidence[name] = (before or value) if isinstance(value, bool) else before + value
        self._assumed = self._assumed and part.clock_assumed
        self._clock_note = self._clock_note or part.clock_note
        for question in part.questions:
            whole.ask(question)

    def _add_column(self, column: ColumnReport, where: str) -> None:
        key = _key(column)
        first = self._columns.get(key)
        if first is None:
            known = self._surveyed.get(key)
            if known is not None:
                self._compare(known, column, where)
                column.first_values, column.guess = known.first_values, known.guess
                column.left_out = known.left_out
            self._columns[key] = column
            return
        self._compare(first, column, where)
        for name in ("values_read", "values_missing", "values_unreadable", "values_outside_range"):
            setattr(first, name, getattr(first, name) + getattr(column, name))
        words = dict(first.missing_words)
        for word, count in column.missing_words.items():
            words[word] = words.get(word, 0) + count
        first.missing_words = words
        for name, choose in (("smallest", min), ("largest", max)):
            ends = [v for v in (getattr(first, name), getattr(column, name)) if v is not None]
            setattr(first, name, choose(ends) if ends else None)

    @staticmethod
    def _compare(first: ColumnReport, column: ColumnReport, where: str) -> None:
        if not column.values_read:
            # nothing was read in another way; what it is taken for stands
            column.taken_for = column.taken_for or first.taken_for
            return
        if (first.taken_for, first.unit_used) != (column.taken_for, column.unit_used) and (
            first.values_read or first.taken_for
        ):
            raise PartsDiffer(
                f"{where}, column {column.heading!r}: is read in {column.unit_used!r} there and in "
                f"{first.unit_used!r} elsewhere. {_TOGETHER}"
            )

    def close(self, findings: Findings, totals: Totals, rules: Rules) -> None:
        """Put the sums into the examination of the file, and ask what they leave open.

        Raises
        ------
        PartsDiffer
            If one part shows a clock that never changes: others were read as if it did.
        """
        whole = self._of_file
        order = list(dict.fromkeys((*self._surveyed, *self._columns)))
        whole.columns = [self._columns.get(key) or self._surveyed[key] for key in order]
        whole.clock_evidence = self._evidence
        if self._evidence.get("never_changes"):
            raise PartsDiffer(
                f"{whole.name}: the logger's clock seems to stay on one offset all year. A file of "
                "this size is read part by part: say by --time-zone what offset it is, such as +01:00."
            )
        ask_about_clock(whole, replace(rules, settled=None))
        whole.clock_assumed = self._assumed
        if self._assumed:
            whole.clock_note = self._clock_note
            say_assumption(whole, findings)
        whole.rows_read = self.rows + lines_aside(findings)
        for column in whole.columns:
            if column.values_outside_range:
                _tell_outside(column, findings)
        summarise(whole, totals, findings)


def _tell_outside(column: ColumnReport, findings: Findings) -> None:
    count = column.values_outside_range
    findings.retell("outside range", column.heading, r"^\d+ of \d+ ", f"{count} ", count)


def _key(column: ColumnReport) -> Any:
    return column.heading if column.position is None else column.position
