"""Which records below the header are rows of data, and what the others are.

A record is no row where it has another number of cells, repeats the header, or may be cut short.
Cells are never moved: a line that may have lost or gained one is left out and said.
"""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from analytics.vocabulary.errors import IngestError
from ingest.dialects.records import Records
from ingest.findings import KEPT_PER_REASON, Findings

Footer = tuple[tuple[int, str], ...]
_FOOTER_MOST = 20
# what is left of a number behind a line end that fell into it
_FRAGMENT = re.compile(r"^[\d.,]{1,8}$")
_DECIMALS = re.compile(r"^[-+]?[\d ']*[.,](\d+)$")


@dataclass(frozen=True, slots=True)
class Rows:
    """``records`` that are rows; what stands below them; the field that is to count as empty.

    ``columns`` holds columns of those rows, by position, that had to be read on the way.
    """

    records: NDArray[np.int64]
    footer: Footer
    emptied: int | None
    columns: Mapping[int, pa.DictionaryArray]


def rows_of(
    records: Records,
    first: int,
    width: int,
    headings: Sequence[str],
    *,
    unfinished: bool,
    is_stamp: Callable[[str], bool],
    name: str,
    findings: Findings,
) -> Rows:
    """Return the records that are rows; the others become findings.

    Parameters
    ----------
    records : Records
        All records of the text.
    first, width : int
        The first record that is a row, and how many cells a row has.
    headings : sequence of str
        As the header has them; empty: there is none.
    unfinished : bool
        The text does not end with a line end.
    is_stamp : callable
        Tells whether a cell may be a stamp.

    Raises
    ------
    IngestError
        If the headings come again in another order: the columns change their meaning there.
    """
    filled = ~records.blank
    filled[:first] = False
    fits = records.width == width
    rows, others = np.flatnonzero(filled & fits), np.flatnonzero(filled & ~fits)
    # an empty cell too many behind cells that are all filled does no harm
    wider = [
        int(i)
        for i in others[:2000]
        if records.width[i] > width
        and all((cells := records.row(int(i)))[:width])
        and not any(cells[width:])
    ]
    others = _without(others, wider)
    if wider:
        rows = np.sort(np.concatenate([rows, np.array(wider, dtype=np.int64)]))
    columns: dict[int, pa.DictionaryArray] = {}
    place = next((i for i, h in enumerate(headings) if h), None)
    if place is not None and rows.size:
        columns[place] = records.column(place, rows, distinct=False)
        kept = _without_headings(records, rows, columns[place], headings, name, findings)
        columns = columns if len(kept) == len(rows) else {}
        rows = kept
    last = int(rows[-1]) if rows.size else first
    below = others[others > last]
    # what stands below the table and has a stamp is a row that was cut
    cut = [int(i) for i in below[:2000] if any(map(is_stamp, records.row(int(i))[:2]))]
    footer = _without(below, cut)
    bad = _without(others, footer)
    _say_number_of_cells(records, bad, width, findings)
    kept = _without_broken(records, rows, np.concatenate([bad, footer[:1]]), findings)
    columns = columns if len(kept) == len(rows) else {}
    rows, emptied = kept, None
    if unfinished and rows.size and int(rows[-1]) == len(records.width) - 1:
        emptied = _unfinished_cell(records, rows, width, headings, findings)
    said = tuple(
        (int(records.line[i]), " ".join(records.row(int(i))).strip()) for i in footer[:_FOOTER_MOST]
    )
    for line, text in said:
        findings.add("footer", f"below the table: {text[:80]!r}", "note", line=line)
    if len(footer) > len(said):
        findings.add(
            "footer", "more lines below the table", "note", count=len(footer) - len(said),
            line=int(records.line[footer[len(said)]]),
        )  # fmt: skip
    return Rows(rows, said, emptied, columns if emptied is None else {})


def _without(
    records: NDArray[np.int64], out: Sequence[int] | NDArray[np.int64]
) -> NDArray[np.int64]:
    """Return rising ``records`` without those in ``out``."""
    if not len(out) or not len(records):
        return records
    kept = np.ones(int(records[-1]) + 1, dtype=bool)
    out = np.asarray(out, dtype=np.int64)
    kept[out[out <= records[-1]]] = False
    return records[kept[records]]


def _say_number_of_cells(
    records: Records, bad: NDArray[np.int64], width: int, findings: Findings
) -> None:
    findings.add_lines(
        "number of cells",
        "{value} " + f"cells instead of {width}. Export again, or mend the line.",
        "refused",
        records.line[bad],
        [str(int(n)) for n in records.width[bad[:KEPT_PER_REASON]]],
    )


def _without_headings(
    records: Records,
    rows: NDArray[np.int64],
    column: pa.DictionaryArray,
    headings: Sequence[str],
    name: str,
    findings: Findings,
) -> NDArray[np.int64]:
    """Take out rows that repeat the header, as files do that were put together from several.

    ``column`` is the first that has a heading.
    """
    known = {h for h in headings if h}
    marked = pa.array([*known, *("\ufeff" + word for word in known)], pa.string())
    # most texts are told from headings by their length, at a tenth of the cost
    sizes = pc.unique(pc.binary_length(column.dictionary))
    if not pc.any(pc.is_in(sizes, value_set=pc.binary_length(marked))).as_py():
        return rows
    suspect = np.asarray(pc.is_in(column.dictionary, value_set=marked))
    if not suspect.any():
        return rows
    again = rows[suspect[np.asarray(column.indices)]]
    repeated = []
    for i in again:
        cells = [cell.lstrip("\ufeff") for cell in records.row(int(i))]
        cells = cells[: len(headings)]
        if cells == list(headings):
            repeated.append(int(i))
        elif sum(cell in known for cell in cells) >= 2:
            raise IngestError(
                f"{name} line {int(records.line[i])}: headings come again, and not the same ones: "
                f"{', '.join(cells)[:120]!r}. Split the file there and import both parts."
            )
    findings.add_lines(
        "header again",
        "the header comes again; left out.",
        "note",
        records.line[np.array(repeated, dtype=np.int64)],
    )
    return _without(rows, repeated)


def _without_broken(
    records: Records, rows: NDArray[np.int64], bad: NDArray[np.int64], findings: Findings
) -> NDArray[np.int64]:
    """Take out rows whose last cell goes on, on a line of its own below."""
    above: list[int] = []
    if not rows.size:
        return rows
    for i in bad[:2000]:
        cells = records.row(int(i))
        if cells[0] and _FRAGMENT.match(cells[0]):
            above.append(int(i) - 1)
    broken = np.array(
        [i for i in above if rows[np.searchsorted(rows, i) % len(rows)] == i], dtype=np.int64
    )
    findings.add_lines(
        "broken line",
        "the line below begins with what may be the rest of this one; left out. Mend both.",
        "refused",
        records.line[broken],
    )
    return _without(rows, broken)


def _unfinished_cell(
    records: Records,
    rows: NDArray[np.int64],
    width: int,
    headings: Sequence[str],
    findings: Findings,
) -> int | None:
    """Return the last field of the text where nothing shows that it is whole."""
    sample = rows[np.unique(np.linspace(0, len(rows) - 1, 200).astype(np.int64))]
    cells = [str(c) for c in records.column(width - 1, sample).to_pylist()]
    mine = records.row(int(rows[-1]))[width - 1]
    filled = {c for c in cells[:-1] if c}
    match = _DECIMALS.match(mine)
    decimals = {len(m[1]) if (m := _DECIMALS.match(c)) else 0 for c in filled}
    if (
        not mine
        or (match is not None and decimals == {len(match[1])})
        or (mine in filled and not re.search(r"\d", mine))
        or (":" in mine and {_shape(c) for c in filled} == {_shape(mine)})
    ):
        return None
    findings.add(
        "unfinished line",
        f"the file ends without a line end, and nothing shows whether its last cell {mine[:40]!r} "
        "is whole. The cell is left empty.",
        "refused",
        line=int(records.line[rows[-1]]),
        column=headings[width - 1] if len(headings) >= width else None,
    )
    return int(records.first[rows[-1]]) + width - 1


def _shape(text: str) -> str:
    return re.sub(r"\d", "9", text)
