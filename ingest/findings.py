"""What was refused, doubted or noted while a source was read: collected, never printed.

Counts are exact; of the examples at most ``KEPT_PER_REASON`` are kept for each reason, so that a
file of a million bad lines stays readable and cheap.
"""

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Severity = Literal["refused", "doubtful", "note"]
KEPT_PER_REASON = 200
# What costs a whole line; every other reason to refuse costs a cell.
LINE_REASONS = frozenset(
    {
        "stamp",
        "number of cells",
        "broken line",
        "null bytes",
        "implausible stamp",
        "stamp out of order",
        "missing hour",
    }
)
# Notes and doubts that tell of something put right.
REPAIRS = frozenset(
    {"same stamp", "header again", "broken bytes", "clock never changes", "stamped at end", "kelvin",
     "unit differs", "doubled hour"}
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing about a source: where, why (a short code), and the sentence for people.

    ``line`` counts from 1 in the unpacked file; ``None``: the whole file. ``count`` is how many
    lines or cells the sentence stands for.
    """

    line: int | None
    column: str | None
    reason: str
    text: str
    severity: Severity
    count: int = 1

    def to_dict(self) -> dict[str, Any]:
        """Return plain values, fit for JSON."""
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(frozen=True, slots=True)
class Window:
    """The lines of a part of a large file; those around them are read along, as its context.

    ``first`` to ``last`` are its own, ``core_last`` is the last that is no context of the next part,
    ``head`` the last line above the table, which every part is shown.
    """

    head: int
    first: int
    last: int
    core_last: int


# what is said of a whole file with a number in it that adds up over its parts
_ADDS_UP = frozenset({"outside range"})


class Findings:
    """A growing collection of :class:`Finding` with exact counts by reason.

    While a ``window`` is set, what is found on lines outside of it is passed over, and what is said of
    the whole file is said once.
    """

    def __init__(self) -> None:
        self._kept: dict[str, list[Finding]] = {}
        self._counts: Counter[tuple[Severity, str]] = Counter()
        self._said: set[tuple[str, str | None]] = set()
        self.window: Window | None = None
        # words that most rows carry as their state, by heading, so that they are no fault
        self.usual_states: set[tuple[str, str]] = set()

    def owns(self, lines: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Return which lines are told of here: all of them, or those of the window."""
        if self.window is None:
            return np.ones(len(lines), dtype=bool)
        return (lines >= self.window.first) & (lines <= self.window.last)

    def __iter__(self) -> Iterator[Finding]:
        for kept in self._kept.values():
            yield from kept

    def __len__(self) -> int:
        """Return how many examples are kept; :meth:`count` tells how many there were."""
        return sum(len(kept) for kept in self._kept.values())

    def add(
        self,
        reason: str,
        text: str,
        severity: Severity,
        *,
        line: int | None = None,
        column: str | None = None,
        count: int = 1,
    ) -> None:
        """Add one finding that stands for ``count`` lines or cells."""
        if count <= 0:
            return
        if self.window is not None:
            if line is not None and line > self.window.head:
                if not self.window.first <= line <= self.window.last:
                    return
            elif (reason, column) in self._said:
                if reason in _ADDS_UP:
                    self._counts[(severity, reason)] += count
                return
            else:
                self._said.add((reason, column))
        self._counts[(severity, reason)] += count
        kept = self._kept.setdefault(reason, [])
        if len(kept) < KEPT_PER_REASON:
            kept.append(Finding(line, column, reason, text, severity, count))

    def add_lines(
        self,
        reason: str,
        template: str,
        severity: Severity,
        lines: NDArray[np.int64],
        values: Sequence[str] | None = None,
        *,
        column: str | None = None,
    ) -> None:
        """Add one finding for each of ``lines``; ``template`` may show ``{value}``.

        Only the kept examples are put into words. ``values`` needs to hold at least
        ``KEPT_PER_REASON`` entries, or one for each line.
        """
        if self.window is not None:
            own = np.flatnonzero(self.owns(lines))
            if values is not None:
                # those beyond the values at hand are counted and not shown
                shown = own[own < len(values)]
                values = [values[i] for i in shown[:KEPT_PER_REASON]]
                own = np.concatenate((shown, own[len(shown) :]))
            lines = lines[own]
        self._counts[(severity, reason)] += len(lines)
        kept = self._kept.setdefault(reason, [])
        at_hand = len(lines) if values is None else min(len(lines), len(values))
        for position in range(min(at_hand, KEPT_PER_REASON - len(kept))):
            value = values[position] if values is not None else ""
            text = template.replace("{value}", value)
            kept.append(Finding(int(lines[position]), column, reason, text, severity))

    def retell(self, reason: str, column: str | None, pattern: str, words: str, count: int) -> None:
        """Put ``words`` for ``pattern``, and a new number, to what was said of a column as a whole."""
        kept = self._kept.get(reason, [])
        kept[:] = [
            replace(f, text=re.sub(pattern, words, f.text), count=count)
            if f.line is None and f.column == column
            else f
            for f in kept
        ]

    def count(self, severity: Severity | None = None, reason: str | None = None) -> int:
        """Return the exact number of findings, of one severity and reason where given."""
        return sum(
            number
            for (its_severity, its_reason), number in self._counts.items()
            if severity in (None, its_severity) and reason in (None, its_reason)
        )

    def counts(self, severity: Severity) -> dict[str, int]:
        """Return the exact counts by reason of one severity."""
        return {reason: n for (its, reason), n in self._counts.items() if its == severity and n}

    def to_dict(self) -> dict[str, Any]:
        """Return plain values, fit for JSON: counts by severity and reason, and the examples."""
        severities: tuple[Severity, ...] = ("refused", "doubtful", "note")
        return {
            "counts": {severity: self.counts(severity) for severity in severities},
            "examples": [finding.to_dict() for finding in self],
        }
