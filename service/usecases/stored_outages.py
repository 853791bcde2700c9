"""Hours without readings in what is stored of an exchanger, told from the readings themselves."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from service.store import imports
from service.store.store import Store

if TYPE_CHECKING:
    from ingest.outages import Outage


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredOutages:
    """The outages of an exchanger's log, the newest first.

    Of a log that writes on change of value, or at uneven times, a missing row says nothing: it is not
    ``regular``, and no outage of the whole log is told.
    """

    regular: bool
    found: "tuple[Outage, ...]"


def outages_of(store: Store, tag: str) -> StoredOutages:
    """Return the outages in all stored readings of an exchanger; read anew each time."""
    from ingest.outages import Outages

    with store.reading() as connection:
        readings = imports.load_readings(connection, tag)
    outages = Outages()
    outages.add({tag: readings})
    return StoredOutages(regular=outages.is_regular(tag), found=outages.of(tag))
