"""Change ``plant.toml`` without losing its comments: a new exchanger, a point's role."""

import hashlib
import shutil
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from threading import Lock
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, InlineTable, Item

from analytics.vocabulary.errors import RegisterError
from service.register.plant import Plant
from service.register.reading import parse_register

BEFORE = ".before"  # ends the name of the copy that is kept of the register as it was
_WRITING = Lock()


@dataclass(frozen=True, slots=True, kw_only=True)
class PointChange:
    """One point of the register as it is to be; ``tag`` and ``role`` of ``None``: of no exchanger.

    ``was`` lists tag and role that the point has in the register now.
    """

    point: str
    unit: str = ""
    tag: str | None = None
    role: str | None = None
    file: str = "*"
    was: tuple[tuple[str, str], ...] = ()


class Occupied(RegisterError):
    """A role that is to be given to a point has another one in the register."""


def append_exchanger(path: Path, entry: Mapping[str, Any]) -> Plant:
    """Append an exchanger to the register and return the plant as it now reads.

    Parameters
    ----------
    path : Path
        The register.
    entry : mapping
        Keys as in the register (``tag``, ``area_m2``, ``primary`` with keys of its own).

    Raises
    ------
    RegisterError
        If the register with the new exchanger could not be read; nothing is written then.
    """
    document = _parse(path)
    tables = document.setdefault("exchanger", tomlkit.aot())
    table = tomlkit.item({k: v for k, v in entry.items() if v is not None})
    tables.append(table)
    return _write_checked(path, document)


def set_point(path: Path, tag: str, role: str, *, point: str, unit: str, file: str = "*") -> Plant:
    """Say which source point is ``role`` of exchanger ``tag``, and return the plant as it now reads.

    Raises
    ------
    RegisterError
        If there is no such exchanger, or the register could not be read with the change.
    """
    document = _parse(path)
    points = _table_of(document, path.name, tag).setdefault("points", tomlkit.table())
    points[role] = _entry(point, unit, {} if file == "*" else {"file": file})
    return _write_checked(path, document)


def register_digest(path: Path) -> str:
    """Return a hash of the register's bytes, by which a later change of it shows; "": no file."""
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except FileNotFoundError:
        return ""


def change_points(
    path: Path, changes: Sequence[PointChange], *, seen: str, replace: bool = False,
    check: Callable[[Plant], object] = lambda _plant: None,
) -> Plant:  # fmt: skip
    """Give points their roles in the register, all or none, and return the plant as it now reads.

    The register as it was is kept beside it, its name ending in ``.before``.

    Parameters
    ----------
    path : Path
        The register.
    changes : sequence of PointChange
        What is to be; roles the points had before and have no more are taken out.
    seen : str
        :func:`register_digest` of the file that the user decided upon.
    replace : bool
        Whether a point may take the place of another one that has its role.
    check : callable
        Looks at the plant before anything is written; what it raises keeps the old register.

    Raises
    ------
    Occupied
        If a role has another point and ``replace`` does not hold.
    RegisterError
        If the file changed since it was seen, there is no such exchanger, or the register could not
        be read with the changes; nothing is written then.
    """
    with _WRITING:
        document = _parse(path)
        if register_digest(path) != seen:
            raise RegisterError(
                f"{path.name}: was changed since this was shown; nothing is written. Look again, then "
                "confirm again."
            )
        known = {c.point: _keys_of(document, path.name, c) for c in changes}
        given = {(c.tag, c.role) for c in changes}
        vacated = {key for c in changes for key in c.was if key != (c.tag, c.role)}
        for tag, role in sorted(vacated - given):
            _table_of(document, path.name, tag).get("points", {}).pop(role, None)
        free = vacated if not replace else given
        occupied = [_give(document, path.name, c, free, known[c.point]) for c in changes]
        if any(occupied):
            raise Occupied("\n".join(filter(None, occupied)))
        return _write_checked(path, document, check=check, seen=seen, keep=True)


def _keys_of(document: tomlkit.TOMLDocument, name: str, change: PointChange) -> dict[str, Any]:
    """Return what else the register says of a point, such as its files; it goes where the point goes."""
    for tag, role in change.was:
        entry = _table_of(document, name, tag).get("points", {}).get(role)
        if entry is not None and _is_point(entry, change.point):
            return {k: v for k, v in entry.unwrap().items() if k not in ("point", "unit")}
    return {} if change.file == "*" else {"file": change.file}


def _is_point(entry: Any, point: str) -> bool:
    return str(entry.get("point")).casefold() == point.casefold()


def _give(
    document: tomlkit.TOMLDocument, name: str, change: PointChange,
    free: Collection[tuple[str | None, str | None]], more: Mapping[str, Any],
) -> str:  # fmt: skip
    """Write one point into the document; return what stands in its way."""
    if change.tag is None or change.role is None:
        return ""
    points = _table_of(document, name, change.tag).setdefault("points", tomlkit.table())
    there = points.get(change.role)
    if there is None:
        points[change.role] = _entry(change.point, change.unit, more)
        return ""
    same = _is_point(there, change.point)
    if not same and (change.tag, change.role) not in free:
        return (
            f'{change.tag}, {change.role}: is the point "{there.get("point")}" in the register. Let '
            f'"{change.point}" take its place, or leave it out.'
        )
    # in place, so that the line keeps its comment
    there["unit"] = change.unit
    if not same:
        for key in [k for k in there if k not in ("point", "unit")]:
            del there[key]
        there.update({"point": change.point, **more})
    return ""


def _entry(point: str, unit: str, more: Mapping[str, Any]) -> Item:
    values = {"point": point, "unit": unit, **more}
    blanks = ", ".join(f'{name} = ""' for name in values)
    entry = tomlkit.parse(f"x = {{ {blanks} }}\n")["x"]
    assert isinstance(entry, InlineTable)
    entry.update(values)
    return entry


def _table_of(document: tomlkit.TOMLDocument, name: str, tag: str) -> Any:
    tables = document.get("exchanger")
    found = (
        [t for t in tables if str(t.get("tag")) == tag] if isinstance(tables, AoT | list) else []
    )
    if not found:
        raise RegisterError(f'{name}: no exchanger "{tag}". Add it first.')
    return found[0]


def _parse(path: Path) -> tomlkit.TOMLDocument:
    try:
        # as bytes: line ends stay as they are
        return tomlkit.parse(path.read_bytes().decode("utf-8-sig"))
    except UnicodeDecodeError as exc:
        raise RegisterError(
            f"{path.name}: is not UTF-8 text (byte {exc.start}). Save it as UTF-8."
        ) from None
    except FileNotFoundError:
        raise RegisterError(
            f"{path}: no register there. Write one with: plateledger init"
        ) from None
    except TOMLKitError as exc:
        raise RegisterError(f"{path.name}: is not TOML, {exc}.") from None


def _write_checked(
    path: Path, document: tomlkit.TOMLDocument, *,
    check: Callable[[Plant], object] = lambda _plant: None, seen: str | None = None, keep: bool = False,
) -> Plant:  # fmt: skip
    text = tomlkit.dumps(document)
    plant = parse_register(text, path.name, folder=path.parent)
    check(plant)
    target = path.resolve()  # of a link the file it leads to is written, not the link
    # a reader in between sees the old file or the new one, never half of it
    beside = target.with_name(target.name + ".new")
    try:
        beside.write_bytes(text.encode())
        shutil.copymode(target, beside)
        if seen is not None and register_digest(path) != seen:
            beside.unlink()
            raise RegisterError(
                f"{path.name}: was changed meanwhile; nothing is written. Look again."
            )
        if keep:
            shutil.copy2(target, target.with_name(target.name + BEFORE))
        beside.replace(target)
    except OSError as exc:
        raise RegisterError(f"{path}: cannot be written, {exc.strerror}.") from None
    return plant
