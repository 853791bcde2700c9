"""Hours in which a regular log has no row: told in the report of an import, as nobody else tells them.

A log that writes at fixed times has a row when nothing happens, so that a missing one says that the
logger, or its export, was away. A log on change of value says by silence that nothing changed: of such
files nothing is told here.
"""

from collections import Counter, defaultdict

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ingest.findings import Findings

REASON = "logger silent"
LEAST_S = 2 * 3600  # below, a restart or the hour that clocks skip
LEAST_STEPS = 4  # of the usual interval: daily values are not silent by night
REGULAR_SHARE = 0.9  # of steps that are the usual one, for a log at fixed times
_NEAR = 0.1  # how far such a step may be off
_SHOWN = 3  # of the longest, one by one


class Outages:
    """Collects the stretches that rows cover, part after part of a file, in any order of the parts."""

    def __init__(self) -> None:
        self._steps: defaultdict[str, Counter[int]] = defaultdict(Counter)
        self._stretches: defaultdict[str, list[NDArray[np.int64]]] = defaultdict(list)

    def add(self, blocks: dict[str, pd.DataFrame]) -> None:
        """Add the trend frames of a file, or of a part of it."""
        for tag, frame in blocks.items():
            if len(frame):
                self._add(tag, pd.DatetimeIndex(frame.index).as_unit("s").asi8)

    def _add(self, tag: str, at_s: NDArray[np.int64]) -> None:
        steps = np.diff(at_s)
        values, counts = np.unique(steps, return_counts=True)
        self._steps[tag].update(dict(zip(values.tolist(), counts.tolist(), strict=True)))
        away = np.flatnonzero(steps >= LEAST_S)
        begins, ends = np.r_[at_s[0], at_s[away + 1]], np.r_[at_s[away], at_s[-1]]
        self._stretches[tag].append(np.column_stack((begins, ends)))

    def say(self, findings: Findings) -> None:
        """Add a finding for each exchanger whose regular log was silent for hours."""
        for tag in sorted(self._stretches):
            silent = self._silent(tag)
            if len(silent):
                findings.add(REASON, f"{tag}: {_sentence(silent)}", "note", count=len(silent))

    def _silent(self, tag: str) -> NDArray[np.int64]:
        """Return begin and end of each silence in seconds since 1970, shape (n, 2), the longest first."""
        usual = _usual_step_s(self._steps[tag])
        if usual is None:
            return np.empty((0, 2), dtype=np.int64)
        # points may come one after another, so that what one part leaves out another covers
        stretches = np.concatenate(self._stretches[tag])
        stretches = stretches[np.argsort(stretches[:, 0], kind="stable")]
        covered = np.maximum.accumulate(stretches[:, 1])
        found = np.column_stack((covered[:-1], stretches[1:, 0]))
        lasting = found[:, 1] - found[:, 0]
        away = np.flatnonzero(lasting >= max(LEAST_S, LEAST_STEPS * usual))
        longest_first: NDArray[np.int64] = found[away[np.argsort(-lasting[away], kind="stable")]]
        return longest_first


def _usual_step_s(steps: Counter[int]) -> int | None:
    """Return the interval of a log at fixed times; ``None``: its steps are too uneven for one."""
    if not steps:
        return None
    usual = max(steps, key=lambda s: (steps[s], s))
    alike = sum(n for s, n in steps.items() if abs(s - usual) <= _NEAR * usual)
    return usual if alike >= REGULAR_SHARE * steps.total() and usual > 0 else None


def _sentence(silent: NDArray[np.int64]) -> str:
    hours = (silent[:, 1] - silent[:, 0]) / 3600.0
    each = [
        f"{_stamp(begin)} to {_stamp(end)} ({h:,.0f} h)"
        for (begin, end), h in zip(silent[:_SHOWN].tolist(), hours[:_SHOWN].tolist(), strict=True)
    ]
    if len(silent) == 1:
        return f"the log is regular and has no row from {each[0]}."
    return (
        f"the log is regular and has no row for {LEAST_S // 3600} hours or more {len(silent):,} times, "
        f"{hours.sum():,.0f} h in all; the longest: {', '.join(each)}."
    )


def _stamp(at_s: int) -> str:
    return f"{np.datetime64(at_s, 's').astype('datetime64[m]')}Z"
