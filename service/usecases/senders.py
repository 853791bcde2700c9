"""Senders and their tokens: made, revoked, checked.

A token is ``pl_<key>_<secret>``: by the key its sender is found, the secret is checked against an
Argon2id hash. It is shown once, when it is made.
"""

import secrets
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from typing import TYPE_CHECKING

from analytics.vocabulary.errors import RegisterError
from service.store import senders
from service.store.store import Store

if TYPE_CHECKING:
    from argon2 import PasswordHasher

_PREFIX = "pl"
_KEY_BYTES, _SECRET_BYTES = 6, 32
_NAME_MOST = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class Sender:
    """Who pushes."""

    number: int
    name: str


@cache
def _hasher() -> "PasswordHasher":
    from argon2 import PasswordHasher

    # The secret has 256 random bits, which nobody can guess from its hash: what slows the guessing
    # of passwords would only slow every batch.
    return PasswordHasher(time_cost=1, memory_cost=8 * 1024, parallelism=1)


@cache
def _hash_of_nobody() -> str:
    return _hasher().hash(secrets.token_urlsafe(_SECRET_BYTES))


def add_sender(store: Store, name: str) -> str:
    """Make a sender and return its token, which is kept nowhere.

    Raises
    ------
    RegisterError
        If the name cannot be used or is taken.
    """
    name = name.strip()
    if not 0 < len(name) <= _NAME_MOST or not name.isprintable():
        raise RegisterError(f"sender: must have a name of 1 to {_NAME_MOST} characters.")
    key, secret = secrets.token_hex(_KEY_BYTES), secrets.token_urlsafe(_SECRET_BYTES)
    with store.writing() as connection:
        new = senders.add_sender(
            connection, name=name, key=key, token_hash=_hasher().hash(secret), now_utc=_now()
        )
    if not new:
        raise RegisterError(
            f"sender {name!r}: there is one already, and a token is shown once only. "
            "Choose another name, as in gateway-2."
        )
    return f"{_PREFIX}_{key}_{secret}"


def revoke_sender(store: Store, name: str) -> None:
    """Let a sender's token be good no more, from now on.

    Raises
    ------
    RegisterError
        If there is no such sender, or it was revoked before.
    """
    with store.writing() as connection:
        if not senders.revoke(connection, name.strip(), now_utc=_now()):
            raise RegisterError(
                f"sender {name!r}: there is none whose token is good. "
                "List them: plateledger sender list"
            )


def sender_of(store: Store, token: str) -> Sender | None:
    """Return whose token this is, or ``None`` where it is nobody's or was revoked."""
    from argon2.exceptions import InvalidHashError, VerificationError

    prefix, _, rest = token.partition("_")
    key, _, secret = rest.partition("_")
    found = None
    if prefix == _PREFIX and key and secret:
        with store.reading() as connection:
            found = senders.sender_of_key(connection, key)
    try:
        # a hash is computed for an unknown key too, so that the time tells nothing
        _hasher().verify(found["token_hash"] if found else _hash_of_nobody(), secret)
    except (VerificationError, InvalidHashError):
        return None
    return None if found is None else Sender(number=found["id"], name=found["name"])


def _now() -> datetime:
    return datetime.now(UTC)
