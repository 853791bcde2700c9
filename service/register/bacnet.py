"""The BACnet devices to read, and which log is which point: ``[bacnet]`` of the register."""

from dataclasses import dataclass
from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

_Text = Annotated[str, Field(min_length=1, max_length=200)]
_Instance = Annotated[int, Field(ge=0, le=4194302)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Log:
    """A trend log of a device and the source point that it logs."""

    address: str
    instance: int
    object: str
    point: str
    units: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class BacnetNetwork:
    """Our own address, and the logs to read."""

    address: str
    instance: int
    logs: tuple[Log, ...]
    page: int
    every_s: float


class _Table(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)


class LogTable(_Table):
    """``[[bacnet.log]]``: for a multiple log ``point`` is its name, members are "name member 1"."""

    device: _Text  # address, as in "192.0.2.20" or "192.0.2.20:47808"
    instance: _Instance
    object: Annotated[str, Field(pattern=r"^trend-log(-multiple)?,\d{1,7}$")]
    point: _Text
    units: _Text | None = None


class BacnetTable(_Table):
    """``[bacnet]``."""

    address: _Text
    instance: _Instance = 4194000
    page: Annotated[int, Field(ge=1, le=1000)] = 50
    every_minutes: Annotated[float, Field(gt=0.0, le=1440.0)] = 15.0
    log: Annotated[list[LogTable], Field(min_length=1)]

    @model_validator(mode="after")
    def _each_once(self) -> Self:
        logs = [(entry.instance, entry.object) for entry in self.log]
        if len(set(logs)) < len(logs):
            raise ValueError("a log stands twice. A log is one point")
        return self

    def to_record(self) -> BacnetNetwork:
        """Return the record."""
        return BacnetNetwork(
            address=self.address,
            instance=self.instance,
            page=self.page,
            every_s=self.every_minutes * 60.0,
            logs=tuple(
                Log(
                    address=t.device, instance=t.instance, object=t.object, point=t.point,
                    units=t.units,
                )
                for t in self.log
            ),
        )  # fmt: skip


def unknown_logs(table: BacnetTable, names: set[str], where: str) -> list[str]:
    """Return a sentence for each log whose point no exchanger has."""
    return [
        f'{where}, bacnet.log "{t.object}": no exchanger has the point "{t.point}". '
        "Name it under [exchanger.points] too, which says what it is and its unit."
        for t in table.log
        if t.point not in names and not any(n.startswith(f"{t.point} member ") for n in names)
    ]
