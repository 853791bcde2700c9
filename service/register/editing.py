"""Change ``plant.toml`` without losing its comments: a new exchanger, a point's role."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT

from analytics.vocabulary.errors import RegisterError
from service.register.plant import Plant
from service.register.reading import parse_register


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
    tables = document.get("exchanger")
    found = (
        [t for t in tables if str(t.get("tag")) == tag] if isinstance(tables, AoT | list) else []
    )
    if not found:
        raise RegisterError(f'{path.name}: no exchanger "{tag}". Add it first.')
    entry = tomlkit.inline_table()
    entry.update({"point": point, "unit": unit, **({} if file == "*" else {"file": file})})
    points = found[0].setdefault("points", tomlkit.table())
    points[role] = entry
    return _write_checked(path, document)


def _parse(path: Path) -> tomlkit.TOMLDocument:
    try:
        return tomlkit.parse(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise RegisterError(
            f"{path}: no register there. Write one with: plateledger init"
        ) from None
    except TOMLKitError as exc:
        raise RegisterError(f"{path.name}: is not TOML, {exc}.") from None


def _write_checked(path: Path, document: tomlkit.TOMLDocument) -> Plant:
    text = tomlkit.dumps(document)
    plant = parse_register(text, path.name, folder=path.parent)
    # a reader in between sees the old file or the new one, never half of it
    beside = path.with_name(path.name + ".new")
    beside.write_text(text, encoding="utf-8")
    beside.replace(path)
    return plant
