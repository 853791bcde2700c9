"""What was refused, doubted or noted while a source was read: collected, never printed.

Counts are exact; of the examples at most ``KEPT_PER_REASON`` are kept for each reason, so that a
file of a million bad lines stays readable and cheap.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
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


class Findings:
    """A growing collection of :class:`Finding` with exact counts by reason."""

    def __init__(self) -> None:
        self._kept: dict[str, list[Finding]] = {}
        self._counts: Counter[tuple[Severity, str]] = Counter()

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
        self._counts[(severity, reason)] += len(lines)
        kept = self._kept.setdefault(reason, [])
        for position in range(min(len(lines), KEPT_PER_REASON - len(kept))):
            value = values[position] if values is not None else ""
            text = template.replace("{value}", value)
            kept.append(Finding(int(lines[position]), column, reason, text, severity))

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
