"""How a long verb tells how far it is."""

from collections.abc import Callable

Progress = Callable[[str, int, int], None]  # what is being done, how many are done, of how many


def silent(_what: str, _done: int, _total: int) -> None:
    """Tell nobody."""
