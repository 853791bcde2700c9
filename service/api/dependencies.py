"""What the routes share: the ledger, and exchangers by tag."""

from typing import Annotated

from fastapi import Depends, Path, Request

from service.api.problems import NotFound
from service.usecases.ledger import Ledger


def _ledger(request: Request) -> Ledger:
    ledger: Ledger = request.app.state.ledger
    return ledger


LedgerOf = Annotated[Ledger, Depends(_ledger)]


def _known_tag(ledger: LedgerOf, tag: Annotated[str, Path(description="The exchanger.")]) -> str:
    if ledger.plant().exchanger(tag) is None:
        raise NotFound(f'no exchanger "{tag}" in this ledger. GET /v1/exchangers lists them.')
    return tag


Tag = Annotated[str, Depends(_known_tag)]
