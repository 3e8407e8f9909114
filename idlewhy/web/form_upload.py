"""The plain way to upload: one multipart form, its files streamed to disk as they come, for browsers without script."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, cast

from python_multipart import MultipartParser
from python_multipart.exceptions import MultipartParseError
from python_multipart.multipart import parse_options_header
from starlette.requests import Request

from idlewhy.web.identity import Caller
from idlewhy.web.office import Office
from idlewhy.web.problems import Problem
from idlewhy.web.uploads import Upload

if TYPE_CHECKING:
    from python_multipart.multipart import MultipartCallbacks

_FIELD_BYTES = 4096
_FIELDS = 20
_HEADER_BYTES = 4096
_BLOCK = 1 << 20


class _Parts:
    """What the parser has found in one piece of the body: begin, data and end of parts, in order."""

    def __init__(self) -> None:
        self.found: list[tuple[str, Any]] = []
        self.is_whole = False
        self._headers: dict[str, str] = {}
        self._name = b""
        self._value = b""

    def callbacks(self) -> dict[str, Any]:
        return {
            "on_part_begin": self._begin,
            "on_header_field": self._header_name,
            "on_header_value": self._header_value,
            "on_header_end": self._header_end,
            "on_headers_finished": lambda: self.found.append(("begin", self._headers)),
            "on_part_data": lambda data, start, end: self.found.append(("data", data[start:end])),
            "on_part_end": lambda: self.found.append(("end", None)),
            "on_end": self._last,
        }

    def _last(self) -> None:
        self.is_whole = True

    def _begin(self) -> None:
        self._headers, self._name, self._value = {}, b"", b""

    def _header_name(self, data: bytes, start: int, end: int) -> None:
        self._name += data[start:end]
        self._check()

    def _header_value(self, data: bytes, start: int, end: int) -> None:
        self._value += data[start:end]
        self._check()

    def _check(self) -> None:
        if len(self._name) + len(self._value) > _HEADER_BYTES or len(self._headers) > 10:
            raise Problem("malformed", "A part of the form has headers that are too long.")

    def _header_end(self) -> None:
        self._headers[self._name.decode("latin-1").lower()] = self._value.decode("utf-8", "replace")
        self._name, self._value = b"", b""


class FormUpload:
    """One form on its way in. fields: its plain fields. uploads: its files, complete."""

    def __init__(self, office: Office, caller: Caller, allow: Callable[[dict[str, str]], None]) -> None:
        """allow: called with the fields before the first file is taken; raises Problem if they do not do."""
        self._office = office
        self._caller = caller
        self._allow = allow
        self._allowed = False
        self._field = ""
        self._value = bytearray()
        self._upload: Upload | None = None
        self._context: Any = None
        self._writing: Any = None
        self._block = bytearray()
        self.fields: dict[str, str] = {}
        self.uploads: list[Upload] = []

    async def receive(self, request: Request) -> None:
        """Take the whole body. On any fault nothing of it stays."""
        kind, options = parse_options_header(request.headers.get("content-type", ""))
        if kind != b"multipart/form-data" or b"boundary" not in options:
            raise Problem("wrong-media-type", "A form with files is expected.", "Use the page of this server.")
        parts = _Parts()
        parser = MultipartParser(options[b"boundary"], cast("MultipartCallbacks", parts.callbacks()))
        whole = False
        try:
            async for piece in request.stream():
                parser.write(piece)
                for what, value in parts.found:
                    await self._take(what, value)
                parts.found.clear()
            parser.finalize()
            if not parts.is_whole:
                raise Problem("malformed", "The form ended in the middle.", "Send it again.")
            whole = True
        except MultipartParseError as error:
            raise Problem("malformed", "The form cannot be read.", "Use the page of this server.") from error
        finally:
            if not whole:
                await asyncio.shield(asyncio.to_thread(self._undo))

    async def _take(self, what: str, value: Any) -> None:
        if what == "begin":
            await asyncio.to_thread(self._begin, value)
        elif what == "end":
            await asyncio.to_thread(self._end)
        elif self._upload is not None:
            self._block += value
            if len(self._block) >= _BLOCK:
                await asyncio.to_thread(self._flush)
        elif self._field:
            self._value += value
            if len(self._value) > _FIELD_BYTES:
                raise Problem("too-large", "A field of the form is too long.")

    def _begin(self, headers: dict[str, str]) -> None:
        _, options = parse_options_header(headers.get("content-disposition", ""))
        name = options.get(b"name", b"").decode("utf-8", "replace")
        if b"filename" not in options:
            self._field, self._value = name or "nameless", bytearray()
            if len(self.fields) >= _FIELDS:
                raise Problem("malformed", "The form has too many fields.")
            return
        if not self._allowed:
            self._allow(self.fields)
            self._allowed = True
        if len(self.uploads) >= self._office.settings.max_files:
            raise Problem("too-large", f"A recording may have {self._office.settings.max_files} logs.")
        file_name = options[b"filename"].decode("utf-8", "replace")
        self._upload = self._office.uploads.create(self._caller.name, file_name, None)
        self._context = self._office.uploads.write(self._upload, 0)
        self._writing = self._context.__enter__()

    def _flush(self) -> None:
        data, self._block = bytes(self._block), bytearray()
        self._writing.add(data)
        self._office.metrics.received(len(data))

    def _end(self) -> None:
        if self._upload is None:
            self.fields[self._field] = self._value.decode("utf-8", "replace")
            self._field = ""
            return
        self._flush()
        upload, size = self._upload, self._writing.offset
        self._close()
        if not size and upload.name == "log":
            self._office.uploads.delete(upload)  # a file field that was left empty
            return
        self.uploads.append(self._office.uploads.finish(upload.id))

    def _close(self) -> None:
        if self._context is not None:
            self._context.__exit__(None, None, None)
        self._upload = self._context = self._writing = None

    def _undo(self) -> None:
        unfinished = self._upload
        self._close()
        for one in [*([unfinished] if unfinished else []), *self.uploads]:
            self._office.uploads.delete(one)
