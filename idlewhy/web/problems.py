"""Errors as the caller gets them: application/problem+json (RFC 9457) for programs, a page for people."""

from __future__ import annotations

from dataclasses import dataclass, field
from http import HTTPStatus
from typing import Any

from signal_defs.errors import DefinitionError, IdlewhyError, LogError

TYPES: dict[str, tuple[int, str]] = {
    "malformed": (400, "The request is malformed"),
    "sign-in-needed": (401, "Sign in first"),
    "not-allowed": (403, "This is not allowed"),
    "not-found": (404, "There is no such thing"),
    "method-not-allowed": (405, "This cannot be done here"),
    "offset-mismatch": (409, "The upload continues elsewhere"),
    "conflict": (409, "This cannot be done now"),
    "gone": (410, "This is gone"),
    "length-needed": (411, "Say how long it is"),
    "version-mismatch": (412, "Another version of the protocol is spoken here"),
    "too-large": (413, "This is too large"),
    "wrong-media-type": (415, "This type of content is not taken here"),
    "invalid": (422, "A value does not fit"),
    "misdirected": (421, "The server is not known by this name"),
    "locked": (423, "Another request writes to this upload"),
    "too-many-requests": (429, "Too many requests"),
    "defect": (500, "A defect of idlewhy"),
    "busy": (503, "Busy: the queue is full"),
    "disk-full": (507, "The disk is full"),
}


@dataclass(slots=True)
class Problem(Exception):  # noqa: N818  # the standard's word
    """One of TYPES. detail: what happened here. mend: what to do. errors: places and faults of single values."""

    kind: str
    detail: str
    mend: str = ""
    headers: dict[str, str] = field(default_factory=dict)
    errors: list[dict[str, str]] = field(default_factory=list)

    def __str__(self) -> str:
        return f"{self.title}: {self.detail}"

    @property
    def status(self) -> int:
        return TYPES[self.kind][0]

    @property
    def title(self) -> str:
        return TYPES[self.kind][1]

    def body(self) -> dict[str, Any]:
        """The object of RFC 9457 section 3; `mend` and `errors` are extension members."""
        body: dict[str, Any] = {
            "type": f"urn:idlewhy:problem:{self.kind}",
            "title": self.title,
            "status": self.status,
            "detail": self.detail,
        }
        if self.mend:
            body["mend"] = self.mend
        if self.errors:
            body["errors"] = self.errors
        return body


def problem_of_status(status: int, detail: str) -> Problem:
    """The problem that stands for a bare HTTP status."""
    for kind, (known, _) in TYPES.items():
        if known == status:
            return Problem(kind, detail)
    return Problem("malformed" if status < HTTPStatus.INTERNAL_SERVER_ERROR else "defect", detail)


def problem_of_error(error: IdlewhyError) -> Problem:
    """One of our own errors that a caller caused."""
    kind = "invalid" if isinstance(error, LogError | DefinitionError) else "malformed"
    return Problem(kind, error.what, error.mend)
