"""Site point names to roles, per exchanger.

Lives here: what the register says of source points, and the look-up by heading. What a heading
that nobody registered probably means is ``guessing.py``, reachable from here too.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from fnmatch import fnmatch

from ingest.guessing import Guess, guess_role, propose_points

__all__ = ["Guess", "Point", "PointMap", "guess_role", "propose_points"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One source point: which exchanger and role it is, and in what unit it is logged."""

    name: str  # as spelt in the file's header or point column
    tag: str
    role: str
    unit: str
    file: str = "*"  # file-name pattern, for sites whose files share their headings


def plain(heading: str) -> str:
    """Return ``heading`` without regard to case, blanks and underscores."""
    return "".join(heading.replace("_", "").casefold().split())


class PointMap:
    """The points of a register, found by heading and file name.

    One source point may serve several exchangers, as the outdoor temperature does.
    """

    def __init__(self, points: Iterable[Point] = ()) -> None:
        self.points: tuple[Point, ...] = tuple(points)
        self._exact: dict[str, list[Point]] = {}
        self._plain: dict[str, list[Point]] = {}
        for point in self.points:
            self._exact.setdefault(point.name, []).append(point)
            self._plain.setdefault(plain(point.name), []).append(point)

    def find(
        self, heading: str, file_name: str = "", only_tag: str | None = None
    ) -> tuple[Point, ...]:
        """Return the points that ``heading`` of the file stands for; empty: not registered.

        The exact spelling comes first, else case and blanks do not matter. Points whose file
        pattern names this file set aside those that are good for any file. With ``only_tag`` the
        heading is that exchanger's, or nobody's.
        """
        found = self._exact.get(heading) or self._plain.get(plain(heading)) or []
        found = [p for p in found if only_tag in (None, p.tag)]
        # an upload may carry a folder; the pattern is about the name
        base = file_name.replace("\\", "/").rsplit("/", 1)[-1].casefold()
        fitting = [p for p in found if fnmatch(base, p.file.casefold())]
        named = [p for p in fitting if p.file != "*"]
        return tuple(named or fitting)

    def find_anywhere(self, heading: str) -> bool:
        """Tell whether ``heading`` is registered for any file and exchanger."""
        return heading in self._exact or plain(heading) in self._plain

    def file_patterns(self, heading: str) -> tuple[str, ...]:
        """Return the file patterns under which ``heading`` is registered at all."""
        found = self._exact.get(heading) or self._plain.get(plain(heading)) or []
        return tuple(dict.fromkeys(p.file for p in found))
