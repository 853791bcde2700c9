"""The BACnet devices to read, and which log or value is which point: ``[bacnet]`` of the register."""

from dataclasses import dataclass
from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

_Text = Annotated[str, Field(min_length=1, max_length=200)]
# the standard's object types with a present value that is a number or a state
_VALUED = (
    r"^((analog|binary|multi-state)-(input|output|value)|integer-value|positive-integer-value"
    r"|large-analog-value|accumulator|pulse-converter),\d{1,7}$"
)
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
class Value:
    """An object of a device whose present value is a source point."""

    address: str
    instance: int
    object: str
    point: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BacnetNetwork:
    """Our own address, the logs to read and the values to ask for."""

    address: str
    instance: int
    logs: tuple[Log, ...]
    page: int
    every_s: float
    values: tuple[Value, ...] = ()
    poll_s: float = 60.0
    timeout_s: float = 3.0
    retries: int = 1


class _Table(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)


class LogTable(_Table):
    """``[[bacnet.log]]``: for a multiple log ``point`` is its name, members are "name member 1"."""

    device: _Text  # address, as in "192.0.2.20" or "192.0.2.20:47808"
    instance: _Instance
    object: Annotated[str, Field(pattern=r"^trend-log(-multiple)?,\d{1,7}$")]
    point: _Text
    units: _Text | None = None


class ValueTable(_Table):
    """``[[bacnet.value]]``: an object that no log of the device holds."""

    device: _Text
    instance: _Instance
    object: Annotated[str, Field(pattern=_VALUED)]
    point: _Text


class BacnetTable(_Table):
    """``[bacnet]``."""

    address: _Text
    instance: _Instance = 4194000
    page: Annotated[int, Field(ge=1, le=1000)] = 50
    every_minutes: Annotated[float, Field(gt=0.0, le=1440.0)] = 15.0
    poll_minutes: Annotated[float, Field(gt=0.0, le=60.0)] = 1.0
    timeout_seconds: Annotated[float, Field(ge=0.1, le=60.0)] = 3.0
    retries: Annotated[int, Field(ge=0, le=5)] = 1
    log: list[LogTable] = Field(default_factory=list)
    value: list[ValueTable] = Field(default_factory=list)

    @model_validator(mode="after")
    def _each_once(self) -> Self:
        if not self.log and not self.value:
            raise ValueError("names nothing to read. Add [[bacnet.log]] or [[bacnet.value]]")
        values = [(entry.instance, entry.object) for entry in self.value]
        if len(set(values)) < len(values):
            raise ValueError("a value stands twice. An object is one point")
        both = {entry.point for entry in self.log} & {entry.point for entry in self.value}
        if both:
            raise ValueError(
                f'"{min(both)}" is read from a log and as a value. Keep the log: it also holds '
                "what came while nobody asked"
            )
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
            poll_s=self.poll_minutes * 60.0,
            timeout_s=self.timeout_seconds,
            retries=self.retries,
            values=tuple(
                Value(address=t.device, instance=t.instance, object=t.object, point=t.point)
                for t in self.value
            ),
            logs=tuple(
                Log(
                    address=t.device, instance=t.instance, object=t.object, point=t.point,
                    units=t.units,
                )
                for t in self.log
            ),
        )  # fmt: skip


def unknown_logs(table: BacnetTable, names: set[str], where: str) -> list[str]:
    """Return a sentence for each log or value whose point no exchanger has."""
    entries: list[tuple[str, LogTable | ValueTable]] = [
        *(("log", t) for t in table.log),
        *(("value", t) for t in table.value),
    ]
    return [
        f'{where}, bacnet.{kind} "{t.object}": no exchanger has the point "{t.point}". '
        "Name it under [exchanger.points] too, which says what it is and its unit."
        for kind, t in entries
        if t.point not in names
        and not (kind == "log" and any(n.startswith(f"{t.point} member ") for n in names))
    ]
