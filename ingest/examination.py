"""Everything recognised in a source before anything of it is stored."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any

import pandas as pd

from ingest.guessing import Guess


@dataclass(slots=True, kw_only=True)
class ColumnReport:
    """One column of a wide file, or one point of a long one.

    ``taken_for`` lists tag and role; where it is empty ``left_out`` says why.
    """

    heading: str
    position: int | None = None  # counted from 1; None: a point of a long file
    first_values: tuple[str, ...] = ()
    taken_for: tuple[tuple[str, str], ...] = ()
    left_out: str | None = None
    unit_in_file: str | None = None
    unit_in_register: str | None = None
    unit_used: str | None = None
    unit_sure: str = ""  # how the unit is known
    guess: Guess | None = None
    values_read: int = 0
    values_missing: int = 0
    values_unreadable: int = 0
    values_outside_range: int = 0
    smallest: float | None = None  # SI, as stored
    largest: float | None = None
    missing_words: Mapping[str, int] = field(default_factory=dict)


@dataclass(slots=True, kw_only=True)
class Examination:
    """What a source is, column by column, and which questions stay open."""

    name: str
    size_bytes: int = 0
    packed: str = ""
    encoding: str = ""
    shape: str = ""  # dialect: "wide", "long"
    delimiter: str = ""
    decimal: str = ""
    decimal_why: str = ""
    preamble: tuple[tuple[int, str], ...] = ()  # line, text
    footer: tuple[tuple[int, str], ...] = ()
    header_line: int | None = None
    unit_line: int | None = None
    first_data_line: int | None = None
    columns: list[ColumnReport] = field(default_factory=list)
    time_columns: tuple[str, ...] = ()
    date_format: str = ""
    date_format_why: str = ""
    clock: str = ""
    clock_assumed: bool = False  # the site's, and no change of it shows in the file
    clock_note: str = ""  # what is assumed of the clock where the file cannot tell
    clock_evidence: Mapping[str, Any] = field(default_factory=dict)
    date_order: str = ""  # where it had to be decided: "dmy", "mdy", "ymd"
    newest_first: bool = False
    orderly: bool = True  # stamps that lie outside the order of their neighbours are few
    interval_s: float | None = None  # the commonest step
    first_utc: str | None = None
    last_utc: str | None = None
    rows_read: int = 0  # lines below the header that hold anything, refused ones too
    rows_stored: int = 0  # stamps with a value
    rows_refused: int = 0
    values_stored: int = 0  # of all exchangers together
    cells_missing: int = 0  # empty, or a word for no value, in columns that were taken
    cells_refused: int = 0
    refused: Mapping[str, int] = field(default_factory=dict)
    doubtful: Mapping[str, int] = field(default_factory=dict)
    notes: Mapping[str, int] = field(default_factory=dict)
    questions: list[str] = field(default_factory=list)
    mapping_doubts: dict[str, list[str]] = field(default_factory=dict)  # by exchanger
    proposal: str = ""  # [exchanger.points] for headings nobody registered

    # headings whose values were weighed on a survey of all of the file; not part of the report
    weighed: frozenset[str] = field(default=frozenset(), repr=False, compare=False)
    # values of points that nobody registered, by heading; not part of the report
    unregistered: dict[str, pd.Series] = field(default_factory=dict, repr=False, compare=False)

    def to_dict(self) -> dict[str, Any]:
        """Return plain values, fit for JSON."""
        values = asdict(replace(self, unregistered={}, weighed=frozenset()))
        del values["weighed"]
        return values

    def ask(self, question: str) -> None:
        """Add an open question, once."""
        if question not in self.questions:
            self.questions.append(question)
