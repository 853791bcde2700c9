"""How good the readings of an exchanger are: hours set aside by reason, and what loggers told of gaps."""

from collections.abc import Sequence
from dataclasses import dataclass

from analytics.vocabulary.quantities import SET_ASIDE_REASONS
from analytics.vocabulary.records import DataHealth, Evaluation
from service.register.plant import Plant
from service.usecases.told_gaps import ToldGaps
from service.wording import dates, numbers
from service.wording.causes import role_label
from service.wording.numbers import NBSP, count_word

GRADES = {
    "good": "Good", "thin": "Thin", "doubtful": "Doubtful", "stopped": "Stopped",
    "off season": "Off season", "none": "No data",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """A table in words; ``counted`` names the heads whose column holds figures."""

    caption: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    counted: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Data:
    """The finding on the data, and its tables."""

    heading: str
    note: str
    tables: tuple[Figures, ...]


def data_health(evaluation: Evaluation, told: Sequence[ToldGaps], plant: Plant) -> Data:
    """Return what is known of the readings of the last 30 days, and of all gaps that loggers told."""
    health = evaluation.health
    grade = GRADES.get(health.grade, health.grade)
    heading = f"{grade}: no reading is there."
    if health.last_utc is not None:
        heading = (
            f"{grade}: {health.hours_evidence_30d:,.0f} of {health.hours_running_30d:,.0f} running hours"
            f" carry evidence, in the 30 days up to {dates.long_day(evaluation.through_utc, plant.zone)}."
        )
    tables = (*_set_aside(health), *_told(told, plant))
    return Data(heading=heading, note=_note(told), tables=tables)


def _note(told: Sequence[ToldGaps]) -> str:
    if not told:
        return (
            "No logger told of a gap of its own; hours in which a log has no row stand below the raw"
            " trends."
        )
    count, hours = sum(g.count for g in told), sum(g.hours for g in told)
    noun = "one gap" if count == 1 else f"{count_word(count)} gaps"
    who = "one instrument" if len(told) == 1 else f"{count_word(len(told))} instruments"
    return (
        f"Loggers told of {noun} of {who}, {hours_text(hours)} in all:"
        " over these no earlier value is held, however the point is logged."
    )


def _set_aside(health: DataHealth) -> tuple[Figures, ...]:
    named = {q.name: q for q in SET_ASIDE_REASONS}
    rows = tuple(
        (named[n].label.capitalize(), named[n].meaning, hours_text(h))
        for n, h in sorted(health.set_aside_30d.items(), key=lambda i: -i[1])
        if n in named
    )
    if not rows:
        return ()
    return (
        Figures(
            caption="Set aside in these 30 days; an hour may have several reasons",
            heads=("Reason", "What it means", "Hours"), rows=rows, counted=("Hours",),
        ),
    )  # fmt: skip


def _told(told: Sequence[ToldGaps], plant: Plant) -> tuple[Figures, ...]:
    if not told:
        return ()
    rows = tuple(
        (
            role_label(g.role).capitalize(),
            ", ".join(f"{why} ({n:,})" if len(g.reasons) > 1 else why for why, n in g.reasons.items()),
            f"{g.count:,}",
            hours_text(g.hours),
            hours_text(g.hours_recent),
            dates.short_day(g.last_end, plant.zone, year=True),
        )
        for g in told
    )  # fmt: skip
    return (
        Figures(
            caption="Gaps that loggers told of, over all the readings",
            heads=("Instrument", "Reason told", "Gaps", "Hours", "Of the 30 days", "Last until"),
            rows=rows, counted=("Gaps", "Hours", "Of the 30 days", "Last until"),
        ),
    )  # fmt: skip


def hours_text(hours: float) -> str:
    """Return hours in as many digits as tell something: ``0.25 h``, ``7.0 h``, ``41 h``."""
    decimals = 0 if hours >= 10 or hours == 0 else 1 if hours >= 1 else 2
    return f"{numbers.number(hours, decimals)}{NBSP}h"
