"""Columns that say whether a value is good, and what their words mean."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from ingest.dialects.sniffing import Table
from ingest.findings import KEPT_PER_REASON, Findings
from ingest.point_map import plain

_STATE_HEADING = re.compile(
    r"(?i)^(.*?)[\s._(\[-]*(status|state|quality|qual|flags?|zustand|qualität|qualitaet|kvalitet|"
    r"reliability|statut|qualité|gültig|valid)[)\]]?$"
)
GOOD = frozenset(
    {
        "", "ok", "{ok}", "good", "normal", "valid", "gut", "gültig", "fine", "g", "0", "192",
        "no fault", "no-fault-detected", "none", "{}", "true", "online", "in service", "-", "bon",
        "bra", "god", "operational", "raw", "null", "0x0", "0000",
    }
)  # fmt: skip
FAULTY = re.compile(
    r"(?i)fault|bad|down|stale|invalid|uncertain|error|err\b|comm|offline|fail|störung|stoer|defekt|"
    r"alarm|disab|overrid|out.of.service|unreliable|no.sensor|open.loop|shorted|schlecht|ungültig|"
    r"manual|questionable|missing|dårlig|dålig|false|timeout|not.ok|nok"
)


@dataclass(frozen=True, slots=True)
class StateColumn:
    """A state column and the positions of the columns whose values it judges."""

    position: int
    values: tuple[int, ...]


def find_state_columns(headings: Sequence[str], table: Table, times: set[int]) -> list[StateColumn]:
    """Find state columns: one for all, one behind each value, or one named after its value."""
    found = []
    for position, heading in enumerate(headings):
        match = _STATE_HEADING.match(heading.strip())
        if position in times or match is None or not _words_only(table, position):
            continue
        found.append((position, plain(match[1].rstrip(" .-_"))))
    places = {position for position, _ in found}
    values = [i for i in range(len(headings)) if i not in places and i not in times]
    states = []
    for position, subject in found:
        named = [i for i in values if subject and plain(headings[i]).startswith(subject)]
        if named:
            exact = [i for i in named if plain(headings[i]) == subject]
            states.append(StateColumn(position, tuple(exact or named[:1])))
        elif not subject and len(found) == 1:
            states.append(StateColumn(position, tuple(values)))
        elif not subject and position - 1 in values:
            states.append(StateColumn(position, (position - 1,)))
    return states


def state_column_of(headings: Sequence[str], table: Table, positions: Sequence[int]) -> int | None:
    """Return the state column of a long table."""
    return next(
        (
            i
            for i in positions
            if _STATE_HEADING.match(headings[i].strip()) and _words_only(table, i)
        ),
        None,
    )


def _words_only(table: Table, position: int) -> bool:
    """Tell a state column from a value column that happens to be called so ("pump status")."""
    cells = {cell.lower() for cell in table.sample(position) if cell}
    return bool(cells) and any(
        c in GOOD - {"0", "true", "none", "-"} or FAULTY.search(c) for c in cells
    )


def state_mask(
    column: pa.DictionaryArray, lines: NDArray[np.int64], heading: str, findings: Findings
) -> NDArray[np.bool_]:
    """Return which rows are kept out because of their state, and count them.

    Words that are neither known as good nor as faulty keep a value out only where they are rare:
    what most rows say is no fault.
    """
    words = [str(word).strip() for word in column.dictionary.to_pylist()]
    index = np.asarray(column.indices)
    counts = np.bincount(index, minlength=len(words))
    out = np.zeros(len(words), dtype=bool)
    for i, word in enumerate(words):
        if word.lower().strip("{}") in GOOD or word.lower() in GOOD:
            continue
        if FAULTY.search(word):
            out[i] = True
        elif (
            (heading, word) in findings.usual_states
            if findings.window is not None
            else counts[i] > 0.5 * len(index)
        ):
            findings.usual_states.add((heading, word))
            findings.add(
                "state word",
                f"most values carry the state {word!r}, which is not known; taken as good.",
                "doubtful",
                column=heading,
            )
        else:
            out[i] = True
    masked = out.take(index)
    where = np.flatnonzero(masked)
    findings.add_lines(
        "state",
        "state '{value}': the value is kept out.",
        "refused",
        lines[where],
        [words[index[i]] for i in where[:KEPT_PER_REASON]],
        column=heading,
    )
    return masked
