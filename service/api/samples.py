"""Samples pushed by a gateway or controller, a batch at a time."""

from collections.abc import Callable
from typing import Annotated

import pyarrow as pa
from fastapi import APIRouter, Header, HTTPException, Request, Response
from pydantic import BaseModel, Field
from starlette.concurrency import run_in_threadpool

from service.api.dependencies import LedgerOf
from service.api.subjects import INTAKE
from service.usecases import samples
from service.usecases.ledger import Ledger
from service.usecases.samples import BatchOutcome
from service.usecases.senders import Sender, sender_of

router = APIRouter(prefix="/samples", tags=[INTAKE])

BODY_BYTES_MOST = 16 * 1024 * 1024
_READERS = {"application/json": samples.table_of_json, "text/csv": samples.table_of_csv}
_EXAMPLE = "time,point,value\n2026-01-31T13:45:00Z,A.HX1.PRI FLW T,63.4\n"
_BATCH = {
    "type": "object",
    "required": ["samples"],
    "properties": {
        "samples": {
            "type": "array",
            "minItems": 1,
            "maxItems": samples.SAMPLES_MOST,
            "items": samples.Sample.model_json_schema(),
        }
    },
}
_BODY = {
    "required": True,
    "content": {
        "application/json": {"schema": _BATCH},
        "text/csv": {"schema": {"type": "string"}, "example": _EXAMPLE},
    },
}


class LeftOutPoint(BaseModel):
    """A point of which nothing was stored; the batch is kept, and read again with the register."""

    point: str
    why: str


class BatchOut(BaseModel):
    """What a batch stored."""

    run: int = Field(description="Of the import; /import/runs/{run} lists its findings.")
    sha256: str = Field(description="Of the batch as it is kept.")
    repeated: bool = Field(description="It was stored before; nothing was stored twice.")
    samples: int
    tags: list[str]
    new_values: int
    changed_values: int
    refused: int
    left_out: list[LeftOutPoint]


@router.post(
    "",
    status_code=201,
    openapi_extra={"requestBody": _BODY},
    summary="Push samples from a gateway",
)
async def push(
    request: Request,
    response: Response,
    ledger: LedgerOf,
    authorization: Annotated[str, Header(description="Bearer TOKEN")] = "",
    idempotency_key: Annotated[
        str | None,
        Header(
            max_length=200, description="The sender's name for the batch: asked again, once stored."
        ),
    ] = None,
) -> BatchOut:
    """Store a batch of samples, whole or not at all; a batch that was stored before answers 200.

    The token is made by `plateledger sender add NAME`. Points are those of the register. A batch that
    may or may not have arrived can be sent again as it was: it is stored once.
    """
    sender = await run_in_threadpool(_sender, ledger, authorization)
    table = await run_in_threadpool(_reader(request), await _body(request))
    outcome = await run_in_threadpool(
        samples.store_batch, ledger.store, sender, idempotency_key, table
    )
    if outcome.stored.repeated:
        response.status_code = 200
    else:
        await run_in_threadpool(ledger.assess_when_due, outcome.stored.tags)
    return _out(outcome)


def _sender(ledger: Ledger, authorization: str) -> Sender:
    scheme, _, token = authorization.strip().partition(" ")
    found = sender_of(ledger.store, token.strip()) if scheme.lower() == "bearer" else None
    if found is None:
        said = "is not good, or was revoked" if authorization else "is missing"
        raise HTTPException(
            401,
            f"Authorization: the token {said}. Send it as Bearer TOKEN; "
            "one is made by: plateledger sender add NAME",
            headers={"WWW-Authenticate": 'Bearer realm="plateledger"'},
        )
    return found


def _reader(request: Request) -> Callable[[bytes], pa.Table]:
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind not in _READERS:
        raise HTTPException(
            415,
            f"Content-Type: {kind or 'nothing'!r} is not read. Send application/json or text/csv.",
        )
    if request.headers.get("content-encoding", "identity").lower() != "identity":
        raise HTTPException(415, "Content-Encoding: a packed body is not read. Send it plain.")
    return _READERS[kind]


async def _body(request: Request) -> bytes:
    """Return the body, and stop reading where it is too large."""
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > BODY_BYTES_MOST:
            raise HTTPException(
                413,
                f"body: is larger than {BODY_BYTES_MOST / 2**20:.0f} MiB. Send smaller batches, "
                "or the file itself: plateledger import",
            )
    return bytes(body)


def _out(outcome: BatchOutcome) -> BatchOut:
    stored = outcome.stored
    return BatchOut(
        run=stored.run,
        sha256=stored.sha256,
        repeated=stored.repeated,
        samples=outcome.samples,
        tags=list(stored.tags),
        new_values=stored.new_values,
        changed_values=stored.changed_values,
        refused=stored.refused_rows,
        left_out=[LeftOutPoint(point=p.point, why=p.why) for p in outcome.left_out],
    )
