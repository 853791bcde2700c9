"""The command ``plateledger``: ``main`` is its entry."""

from service.cli.command import main

__all__ = ["main"]
