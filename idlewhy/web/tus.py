"""Uploads that survive a bad network: the tus protocol 1.0.0, core with the extensions creation and termination.

Source: tus.io/protocols/resumable-upload, version 1.0.0. A POST announces a log and gives it an address; PATCH appends
at an offset; HEAD says how much has arrived; DELETE gives it up.
"""

from __future__ import annotations

import asyncio
import base64
from contextlib import suppress
from typing import Annotated, Any

from fastapi import APIRouter, Header, Path, Request, Response

from idlewhy.web.answers import office_of
from idlewhy.web.guard import CanUpload
from idlewhy.web.models import PROBLEMS, UploadOut, upload_out
from idlewhy.web.names import ID
from idlewhy.web.office import Office
from idlewhy.web.problems import Problem
from idlewhy.web.uploads import Upload, Writing

VERSION = "1.0.0"
PATCH_TYPE = "application/offset+octet-stream"
_BLOCK = 1 << 20
HEAD_BYTES = 4 << 20  # so much is enough to tell the format before the rest has come
_METADATA_BYTES = 8192

router = APIRouter(prefix="/api/v1/uploads", tags=["uploads"], responses=PROBLEMS)
UploadId = Annotated[str, Path(pattern=f"^{ID.pattern}$")]
Tus = Annotated[str | None, Header(alias="Tus-Resumable", description="1.0.0")]


def _spoken(version: str | None) -> None:
    if version != VERSION:
        text = f"This server speaks tus {VERSION}."
        raise Problem("version-mismatch", text, f"Send Tus-Resumable: {VERSION}.", {"Tus-Version": VERSION})


def _headers(**more: str | int) -> dict[str, str]:
    named = {name.replace("_", "-"): str(value) for name, value in more.items()}
    return {"Tus-Resumable": VERSION, **named}


@router.options("", status_code=204, response_class=Response)
def what_is_spoken(request: Request, _caller: CanUpload) -> Response:
    """Protocol version, extensions and largest upload."""
    bound = office_of(request).settings.max_upload_bytes
    extensions = "creation,creation-defer-length,termination"
    headers = _headers(Tus_Version=VERSION, Tus_Extension=extensions, Tus_Max_Size=bound)
    return Response(status_code=204, headers=headers)


@router.post("", status_code=201, response_class=Response, responses={201: {"description": "Location is its address."}})
def create(
    request: Request,
    caller: CanUpload,
    tus_resumable: Tus = None,
    upload_length: Annotated[str | None, Header(alias="Upload-Length")] = None,
    upload_defer_length: Annotated[str | None, Header(alias="Upload-Defer-Length")] = None,
    upload_metadata: Annotated[str | None, Header(alias="Upload-Metadata")] = None,
) -> Response:
    """Announce a log. Upload-Metadata holds its name: `filename` and its base64."""
    _spoken(tus_resumable)
    size = _number(upload_length, "Upload-Length") if upload_length is not None else None
    if (size is None) != (upload_defer_length == "1"):
        raise Problem("length-needed", "Either Upload-Length or Upload-Defer-Length: 1 is needed.")
    name = _metadata(upload_metadata or "").get("filename", "log")
    upload = office_of(request).uploads.create(caller.name, name, size)
    return Response(status_code=201, headers=_headers(Location=f"/api/v1/uploads/{upload.id}", Upload_Offset=0))


@router.head("/{upload_id}", response_class=Response)
def how_far(request: Request, upload_id: UploadId, caller: CanUpload, tus_resumable: Tus = None) -> Response:
    """How many bytes have arrived: where to go on."""
    _spoken(tus_resumable)
    uploads = office_of(request).uploads
    upload = uploads.get(upload_id, caller.name)
    offset = uploads.offset(upload)
    if upload.state == "receiving" and offset == upload.bytes:
        with suppress(Problem):  # a request that is at it ends it itself
            uploads.finish(upload.id)  # the last byte came, and the server ended before it could say so
    headers = _headers(Upload_Offset=offset, Cache_Control="no-store")
    if upload.bytes is None:
        headers["Upload-Defer-Length"] = "1"
    else:
        headers["Upload-Length"] = str(upload.bytes)
    return Response(status_code=200, headers=headers)


@router.patch(
    "/{upload_id}",
    status_code=204,
    response_class=Response,
    openapi_extra={
        "requestBody": {"required": True, "content": {PATCH_TYPE: {"schema": {"type": "string", "format": "binary"}}}}
    },
)
async def append(
    request: Request,
    upload_id: UploadId,
    caller: CanUpload,
    tus_resumable: Tus = None,
    upload_offset: Annotated[str | None, Header(alias="Upload-Offset")] = None,
    upload_length: Annotated[str | None, Header(alias="Upload-Length")] = None,
) -> Response:
    """Append bytes at an offset. What has arrived stays, however the connection ends."""
    _spoken(tus_resumable)
    if request.headers.get("content-type", "").partition(";")[0].strip() != PATCH_TYPE:
        raise Problem("wrong-media-type", f"Send the bytes as {PATCH_TYPE}.")
    at = _number(upload_offset, "Upload-Offset")
    office = office_of(request)
    upload = await asyncio.to_thread(office.uploads.get, upload_id, caller.name)
    if upload_length is not None:
        upload = await asyncio.to_thread(office.uploads.set_length, upload, _number(upload_length, "Upload-Length"))
    offset = await _stream(request, office, upload, at)
    if offset == upload.bytes:
        upload = await asyncio.to_thread(office.uploads.finish, upload.id)
        office.look_soon(upload)
    elif at < HEAD_BYTES <= offset:
        office.look_soon(upload, head_only=True)
    return Response(status_code=204, headers=_headers(Upload_Offset=offset))


async def _stream(request: Request, office: Office, upload: Upload, at: int) -> int:
    """Write the body to disk as it comes; returns the new offset."""
    if upload.state == "complete":
        raise Problem("conflict", "This upload is complete.")
    context = office.uploads.write(upload, at)
    writing: Writing = await asyncio.to_thread(context.__enter__)
    block = bytearray()
    try:
        async for piece in request.stream():
            block += piece
            if len(block) >= _BLOCK:
                data, block = bytes(block), bytearray()
                await asyncio.to_thread(writing.add, data)
                office.metrics.received(len(data))
    finally:
        # The request may be over; what it brought is written down all the same, and the upload is let go.
        await asyncio.shield(asyncio.to_thread(_let_go, context, writing, bytes(block)))
    office.metrics.received(len(block))
    return writing.offset


def _let_go(context: Any, writing: Writing, rest: bytes) -> None:
    try:
        if rest:
            writing.add(rest)
    finally:
        context.__exit__(None, None, None)


@router.get("/{upload_id}")
def about(request: Request, upload_id: UploadId, caller: CanUpload) -> UploadOut:
    """What is known of an upload: bytes, hash, whether the same log was here before, its format and time span."""
    uploads = office_of(request).uploads
    upload = uploads.get(upload_id, caller.name)
    return upload_out(upload, uploads.offset(upload))


@router.delete("/{upload_id}", status_code=204, response_class=Response)
def give_up(request: Request, upload_id: UploadId, caller: CanUpload) -> Response:
    """Delete an upload. A recording made of it keeps its log."""
    uploads = office_of(request).uploads
    uploads.delete(uploads.get(upload_id, caller.name))
    return Response(status_code=204, headers=_headers())


def _number(text: str | None, name: str) -> int:
    if text is None or not text.isascii() or not text.isdecimal() or len(text) > 18:
        raise Problem("malformed", f"{name} must be a number of bytes.")
    return int(text)


def _metadata(text: str) -> dict[str, str]:
    """Upload-Metadata: pairs of a key and base64, split by commas."""
    if len(text) > _METADATA_BYTES:
        raise Problem("malformed", f"Upload-Metadata is longer than {_METADATA_BYTES} bytes.")
    found = {}
    for pair in text.split(","):
        key, _, value = pair.strip().partition(" ")
        if not key:
            continue
        try:
            found[key] = base64.b64decode(value, validate=True).decode("utf-8", "replace")
        except ValueError:
            raise Problem("malformed", f"The value of {key[:40]!r} in Upload-Metadata is not base64.") from None
    return found
