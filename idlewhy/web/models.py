"""What the API takes and gives, as the OpenAPI document describes it."""

from __future__ import annotations

import json
from dataclasses import asdict
from datetime import UTC, datetime
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from idlewhy.web.jobs import Job
from idlewhy.web.names import ID
from idlewhy.web.platforms import OwnPlatform
from idlewhy.web.problems import TYPES
from idlewhy.web.uploads import Upload

Id = Annotated[str, Field(pattern=f"^{ID.pattern}$")]


class ProblemOut(BaseModel):
    """An error, by RFC 9457."""

    type: str = Field(description="urn:idlewhy:problem: and one of " + ", ".join(TYPES))
    title: str
    status: int
    detail: str
    mend: str | None = Field(default=None, description="What to do about it.")
    errors: list[dict[str, str]] | None = None
    instance: str | None = None


_PROBLEM: dict[str, Any] = {
    "content": {"application/problem+json": {"schema": {"$ref": "#/components/schemas/ProblemOut"}}}
}


def _problems() -> dict[int | str, dict[str, Any]]:
    by_status: dict[int, list[str]] = {}
    for status, title in TYPES.values():
        by_status.setdefault(status, []).append(title)
    return {status: {"description": "; ".join(titles), **_PROBLEM} for status, titles in by_status.items()}


PROBLEMS = _problems()


class Looked(BaseModel):
    """What was seen in a log. end is missing while only its first part has come."""

    format: str | None = None
    frames: int = 0
    start: str | None = None
    end: str | None = None
    fault: str = ""


class UploadOut(BaseModel):
    """A log on its way in, or here."""

    id: str
    name: str
    bytes: int | None
    offset: int
    state: Literal["receiving", "complete"]
    sha256: str | None
    known: bool = Field(description="The same log was uploaded before; it is kept once.")
    look: Looked | None = None


class RecordingIn(BaseModel):
    """A recording to make of uploads."""

    model_config = ConfigDict(extra="forbid")

    vehicle: str = Field(default="", max_length=200, description="Its name; left out, the first log's.")
    platform: str = Field(min_length=1, max_length=80, description="An id from /platforms.")
    uploads: list[Id] = Field(min_length=1, max_length=1000)
    language: Literal["en", "de"] = "en"


class AgainIn(BaseModel):
    """How a recording is analysed again."""

    model_config = ConfigDict(extra="forbid")

    platform: str | None = Field(default=None, min_length=1, max_length=80)


class ComparisonIn(BaseModel):
    """Two recordings to lay beside each other."""

    model_config = ConfigDict(extra="forbid")

    before: Id
    after: Id


class LogOut(BaseModel):
    name: str
    sha256: str
    bytes: int | None


class FaultOut(BaseModel):
    kind: str
    what: str
    place: str
    mend: str


class JobOut(BaseModel):
    """A recording or comparison and how far it is. done and total are bytes."""

    id: str
    kind: Literal["analysis", "comparison"]
    vehicle: str
    vehicle_id: str | None
    platform: str
    created: str
    state: Literal["queued", "running", "done", "failed", "cancelled"]
    place_in_line: int
    stage: str
    done: int
    total: int
    frames: int
    fault: FaultOut | None = None
    summary: dict[str, Any]
    logs: list[LogOut] | None = None


class JobsOut(BaseModel):
    """A page of a list; ask on with `before`."""

    items: list[JobOut]
    before: float | None = Field(description="For the next page; null on the last.")


class VehicleOut(BaseModel):
    id: str
    name: str
    recordings: int
    latest: str | None


class VehiclesOut(BaseModel):
    items: list[VehicleOut]


class Finding(BaseModel):
    code: str
    weight: Literal["error", "warning", "note"]
    place: str
    what: str
    mend: str


class PlatformOut(BaseModel):
    """A platform. findings are of an uploaded one."""

    id: str
    title: str
    uploaded: bool
    files: list[str] | None = None
    errors: int = 0
    findings: list[Finding] | None = None


class PlatformsOut(BaseModel):
    items: list[PlatformOut]


def moment(seconds: float) -> str:
    """A time as ISO 8601 UTC."""
    return datetime.fromtimestamp(seconds, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def looked(text: str | None) -> Looked | None:
    """What `child_tasks.look` saw, for people and programs."""
    if not text:
        return None
    seen = json.loads(text)
    dated = bool(seen.get("absolute"))
    start, end = seen.get("start_ns"), seen.get("end_ns")
    begun, over = (moment(at / 1e9) if dated and at is not None else None for at in (start, end))
    return Looked.model_validate({**seen, "start": begun, "end": over})


def upload_out(upload: Upload, offset: int) -> UploadOut:
    return UploadOut.model_validate({**asdict(upload), "offset": offset, "look": looked(upload.look)})


def job_out(job: Job, logs: list[LogOut] | None = None) -> JobOut:
    fault = FaultOut(kind=job.fault, what=job.what, place=job.place, mend=job.mend) if job.state == "failed" else None
    shown = {"vehicle": job.vehicle_name, "vehicle_id": job.vehicle, "created": moment(job.created), "logs": logs}
    summary = job.summary if job.state == "done" else {}
    return JobOut.model_validate({**asdict(job), **shown, "fault": fault, "summary": summary})


def platform_out(platform: OwnPlatform, files: list[str] | None = None) -> PlatformOut:
    return PlatformOut.model_validate({**asdict(platform), "id": platform.reference, "uploaded": True, "files": files})
