"""What a user confirmed of a file's points becomes the register, and the originals follow where needed.

The whole register and the log are checked before the file is replaced; then it is loaded. Originals
that are stored hold readings under the old roles, or readings of points that had no role: they are
read again when a confirmed entry concerns them.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from service.register.editing import PointChange, change_points
from service.register.maintenance import read_maintenance
from service.settings import Settings
from service.store import imports
from service.store.store import Store
from service.usecases.workspace import load_register


@dataclass(frozen=True, slots=True, kw_only=True)
class Confirmed:
    """What was written: the points that changed, and the originals that hold them."""

    points: tuple[str, ...]
    originals: int  # stored files to be read again; 0: none is concerned


def confirm_points(
    settings: Settings, store: Store, changes: Sequence[PointChange], *, seen: str, replace: bool
) -> Confirmed:
    """Write points into the register and load it.

    Raises
    ------
    Occupied
        If a role has another point and ``replace`` does not hold.
    RegisterError
        If the register changed since it was seen, or it or the log could not be read then; nothing is
        written.
    """
    change_points(
        settings.register_path,
        changes,
        seen=seen,
        replace=replace,
        check=lambda plant: read_maintenance(
            settings.maintenance_path, plant, now_utc=datetime.now(UTC)
        ),
    )
    load_register(settings, store)
    return Confirmed(
        points=tuple(c.point for c in changes), originals=_originals_with(store, changes)
    )


def _originals_with(store: Store, changes: Sequence[PointChange]) -> int:
    """Return in how many stored files a changed point, or a role it takes, occurs."""
    points = {c.point for c in changes}
    roles = {key for c in changes for key in (*c.was, (c.tag, c.role))}
    with store.reading() as connection:
        return sum(
            any(
                column["heading"] in points or roles & {(t, r) for t, r in column["taken_for"]}
                for column in examination.get("columns", ())
            )
            for examination in imports.last_examinations(connection)
        )
