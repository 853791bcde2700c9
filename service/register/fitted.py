"""The exchanger as it stands on a day: what the register says, with the log's changes of plates."""

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime

from analytics.vocabulary.records import Deed, Exchanger, MaintenanceEvent


def last_change_of_plates(
    exchanger: Exchanger, events: Iterable[MaintenanceEvent], at_utc: datetime
) -> MaintenanceEvent | None:
    """Return the last entry by ``at_utc`` that says how many plates were fitted since."""
    changed = [
        e
        for e in events
        if e.tag == exchanger.tag and e.deed is Deed.PLATES_CHANGED and e.at_utc <= at_utc
    ]
    return max(changed, key=lambda e: e.at_utc, default=None)


def as_fitted(
    exchanger: Exchanger, events: Iterable[MaintenanceEvent], at_utc: datetime
) -> Exchanger:
    """Return the exchanger with the plates fitted at ``at_utc``, and their area as far as it is known.

    The register's number is that at the start of the record. Of N plates N - 2 transfer heat. Its
    tightening dimension is of that number: another pack must not be tightened to it.
    """
    changed = last_change_of_plates(exchanger, events, at_utc)
    if changed is None or not changed.plates_after or changed.plates_after == exchanger.plates:
        return exchanger
    plates, before, area = changed.plates_after, exchanger.plates, exchanger.area_m2
    if area is not None and before is not None and min(plates, before) > 2:
        area = area * (plates - 2) / (before - 2)
    else:
        area = None
    return replace(exchanger, plates=plates, area_m2=area, tightening_dimension_m=None)
