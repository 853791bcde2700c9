"""The table of an exchanger's outages, below its raw trends."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from service.pages.data_health import Figures, hours_text
from service.register.plant import Plant
from service.usecases.stored_outages import StoredOutages
from service.wording import dates
from service.wording.causes import role_label
from service.wording.numbers import count_word

if TYPE_CHECKING:
    from ingest.outages import Outage

_SHOWN = 8
_ALL = "all points"


@dataclass(frozen=True, slots=True, kw_only=True)
class OutagesPart:
    """What is said of outages, the newest of them, and how many more there are."""

    note: str
    table: Figures | None
    more: str


def outages_part(outages: StoredOutages, plant: Plant) -> OutagesPart:
    """Return the outages of a log, the newest first."""
    if not outages.found:
        note = "No point was without a reading for two hours or more."
        if not outages.regular:
            note = (
                "Readings come on change of value, or at uneven times: an hour without a row says"
                " nothing, and no outage is told."
            )
        return OutagesPart(note=note, table=None, more="")
    rows = tuple(_row(outage, plant) for outage in outages.found[:_SHOWN])
    more = len(outages.found) - len(rows)
    return OutagesPart(
        note=_note(outages.found),
        table=Figures(
            caption="Outages, the newest first: from the last reading before to the first one after",
            heads=("Begin", "End", "Hours", "Points"), rows=rows, counted=("Hours",),
        ),
        more=f"and {more:,} more" if more else "",
    )  # fmt: skip


def _note(found: "tuple[Outage, ...]") -> str:
    whole = [o for o in found if not o.roles]
    single = len(found) - len(whole)
    said = []
    if whole:
        hours = hours_text(sum(o.hours for o in whole))
        said.append(
            f"The log has no row for two hours or more {_times(len(whole))}, {hours} in all"
        )
    if single:
        said.append(f"single points have no value while others go on {_times(single)}")
    text = "; ".join(said)
    return f"{text[:1].upper()}{text[1:]}. Nothing is put in their place."


def _times(count: int) -> str:
    return {1: "once", 2: "twice"}.get(count, f"{count_word(count)} times")


def _row(outage: "Outage", plant: Plant) -> tuple[str, ...]:
    begin, end = (
        f"{dates.short_day(t, plant.zone, year=True)}, {dates.clock(t, plant.zone)}"
        for t in (outage.begin_utc, outage.end_utc)
    )
    points = ", ".join(role_label(r) for r in outage.roles) or _ALL
    return (begin, end, hours_text(outage.hours), points)
