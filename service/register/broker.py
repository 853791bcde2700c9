"""The broker to listen to, and which topic carries which point: ``[mqtt]`` of the register."""

from dataclasses import dataclass
from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

_Text = Annotated[str, Field(min_length=1, max_length=500)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Topic:
    """A topic and the source point that its messages are.

    A payload is a plain number, or JSON in which ``value`` and ``time`` name the members; a dot leads
    into a member.
    """

    topic: str
    point: str
    value: str = "value"
    time: str = "time"


@dataclass(frozen=True, slots=True, kw_only=True)
class Broker:
    """Where to listen, as whom, and to what."""

    host: str
    port: int
    tls: bool
    client_id: str
    username: str | None
    batch_s: float
    topics: tuple[Topic, ...]


class _Table(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)


class TopicTable(_Table):
    """``[[mqtt.topic]]``."""

    topic: _Text
    point: _Text
    value: _Text = "value"
    time: _Text = "time"

    @model_validator(mode="after")
    def _one_topic(self) -> Self:
        if any(sign in self.topic for sign in "+#\0"):
            raise ValueError(
                f"topic {self.topic!r} stands for many. Give each point the topic of its own"
            )
        return self


class MqttTable(_Table):
    """``[mqtt]``."""

    host: _Text = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65535)] = 1883
    tls: bool = False
    client_id: Annotated[str, Field(pattern=r"^[0-9A-Za-z_-]{1,64}$")] = "plateledger"
    username: _Text | None = None
    batch_minutes: Annotated[float, Field(gt=0.0, le=60.0)] = 5.0
    topic: Annotated[list[TopicTable], Field(min_length=1)]

    @model_validator(mode="after")
    def _each_once(self) -> Self:
        topics = [t.topic for t in self.topic]
        if twice := sorted({t for t in topics if topics.count(t) > 1}):
            raise ValueError(f"topic {twice[0]!r} stands twice. A topic carries one point")
        return self

    def to_record(self) -> Broker:
        """Return the record."""
        return Broker(
            host=self.host,
            port=self.port,
            tls=self.tls,
            client_id=self.client_id,
            username=self.username,
            batch_s=self.batch_minutes * 60.0,
            topics=tuple(Topic(**t.model_dump()) for t in self.topic),
        )


def unknown_points(table: MqttTable, names: set[str], where: str) -> list[str]:
    """Return a sentence for each topic whose point no exchanger has."""
    return [
        f'{where}, mqtt.topic "{t.topic}": no exchanger has the point "{t.point}". '
        "Name it under [exchanger.points] too, which says what it is and its unit."
        for t in table.topic
        if t.point not in names
    ]
