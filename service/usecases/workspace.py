"""Begin a workspace, and load its register and maintenance log into the ledger."""

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from analytics.vocabulary.errors import RegisterError
from service.register.maintenance import HEADER, read_maintenance
from service.register.plant import Plant
from service.register.reading import example_register, read_register
from service.settings import Settings
from service.store import log, registered
from service.store.store import Store

EXAMPLE = (
    "plant.toml holds an example: the site, its prices and the exchanger HX-01 are made up. "
    "Put your own in their place before you import anything."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Registered:
    """What loading the register did."""

    plant: Plant
    new_tags: tuple[str, ...]
    gone_tags: tuple[
        str, ...
    ]  # not in the file any more, but with readings or more, which are kept
    log_entries: int
    new_log_entries: int


def init_workspace(settings: Settings) -> tuple[Path, ...]:
    """Write the commented example register and an empty log; return the files written.

    Raises
    ------
    RegisterError
        If a register is there already; nothing is overwritten.
    """
    if settings.register_path.exists():
        raise RegisterError(
            f"{settings.register_path}: is there already and stays as it is. "
            "Change it, then load it: plateledger register"
        )
    try:
        settings.workspace.mkdir(parents=True, exist_ok=True)
        settings.register_path.write_text(example_register(), encoding="utf-8")
        written = [settings.register_path]
        if not settings.maintenance_path.exists():
            settings.maintenance_path.write_text(HEADER, encoding="utf-8")
            written.append(settings.maintenance_path)
        settings.documents_path.mkdir(exist_ok=True)
    except OSError as exc:
        raise RegisterError(
            f"{settings.workspace}: cannot be written to, {exc.strerror}. Choose another --workspace."
        ) from None
    return tuple(written)


def is_example(settings: Settings) -> bool:
    """Tell whether the register is still the example, as it was written."""
    try:
        return settings.register_path.read_text(encoding="utf-8") == example_register()
    except (OSError, UnicodeDecodeError):
        return False


def check_register(settings: Settings) -> Plant:
    """Read register and log without loading them; raise RegisterError where they are wrong."""
    plant = read_register(settings.register_path)
    read_maintenance(settings.maintenance_path, plant, now_utc=datetime.now(UTC))
    return plant


def load_register(settings: Settings, store: Store) -> Registered:
    """Load the workspace's register and maintenance log into the ledger.

    Raises
    ------
    RegisterError
        If one of the two files is wrong; nothing is loaded then.
    """
    plant = read_register(settings.register_path)
    now_utc = datetime.now(UTC)
    events = read_maintenance(settings.maintenance_path, plant, now_utc=now_utc)
    with store.writing() as connection:
        before = set(registered.exchanger_ids(connection))
        held = registered.with_history(connection)
        registered.save_plant(connection, plant, now_utc=now_utc)
        added = log.add_events(connection, events, now_utc=now_utc, zone=plant.zone)
    tags = [e.tag for e in plant.exchangers]
    return Registered(
        plant=plant,
        new_tags=tuple(t for t in tags if t not in before),
        gone_tags=tuple(sorted((before & held) - set(tags))),
        log_entries=len(events),
        new_log_entries=added,
    )
