"""The HTTP API for programs: the known platforms and those that were uploaded."""

from __future__ import annotations

import asyncio
import base64
from typing import Annotated

from fastapi import APIRouter, Path, Request
from pydantic import BaseModel, ConfigDict, Field

from idlewhy.web.answers import office_of
from idlewhy.web.guard import CanDelete, CanRead, CanUpload
from idlewhy.web.identity import Caller
from idlewhy.web.jobs import Job
from idlewhy.web.models import PROBLEMS, PlatformOut, PlatformsOut, platform_out
from idlewhy.web.names import ID
from idlewhy.web.office import Office
from idlewhy.web.platforms import MAX_FILES, OWN, TOML, OwnPlatform, check_names
from idlewhy.web.problems import Problem

router = APIRouter(prefix="/api/v1/platforms", tags=["platforms"], responses=PROBLEMS)
OwnId = Annotated[str, Path(pattern=f"^{OWN}{ID.pattern}$", description="The id of an uploaded platform.")]


class FilesIn(BaseModel):
    """Files of a platform: platform.toml and the databases it names, each by name, in base64."""

    model_config = ConfigDict(extra="forbid")

    files: dict[str, str] = Field(min_length=1, max_length=MAX_FILES)


def _decoded(files: dict[str, str]) -> dict[str, bytes]:
    found = {}
    for name, content in files.items():
        try:
            found[name] = base64.b64decode(content, validate=True)
        except ValueError:
            raise Problem("invalid", f"The content of {name[:80]!r} is not base64.") from None
    return found


@router.get("")
def platforms(request: Request, _caller: CanRead) -> PlatformsOut:
    """Every platform that a recording can name."""
    office = office_of(request)
    known = [PlatformOut(id=one.id, title=one.title, uploaded=False) for one in office.platforms.known()]
    return PlatformsOut(items=[*known, *(platform_out(one) for one in office.platforms.own())])


@router.post("", status_code=201)
async def new_platform(request: Request, wanted: FilesIn, caller: CanUpload) -> PlatformOut:
    """Upload a platform and check it. It is kept even where the check finds errors, so that it can be mended.

    Databases without a platform.toml get one in which roles are proposed as comments.
    """
    return await checked(office_of(request), _decoded(wanted.files), caller)


@router.get("/{platform_id}")
def platform(request: Request, platform_id: OwnId, _caller: CanRead) -> PlatformOut:
    """An uploaded platform, its files and what the check found."""
    office = office_of(request)
    found = office.platforms.get(platform_id.removeprefix(OWN))
    return platform_out(found, list(office.platforms.files(found.id)))


@router.put("/{platform_id}")
async def change_platform(request: Request, platform_id: OwnId, wanted: FilesIn, caller: CanUpload) -> PlatformOut:
    """Add or replace files of an uploaded platform and check it again."""
    office = office_of(request)
    found = office.platforms.get(platform_id.removeprefix(OWN))
    check_owner(caller, found)
    return await checked(office, _decoded(wanted.files), caller, found.id)


@router.delete("/{platform_id}", status_code=204)
def delete_platform(request: Request, platform_id: OwnId, _caller: CanDelete) -> None:
    """Delete an uploaded platform; recordings that used it keep their reports."""
    office = office_of(request)
    office.platforms.delete(office.platforms.get(platform_id.removeprefix(OWN)).id)


def check_owner(caller: Caller, platform: OwnPlatform) -> None:
    """Others' platforms are changed by an admin only."""
    if platform.owner != caller.name and not caller.may("admin"):
        raise Problem("not-allowed", "This was uploaded by somebody else.", "Upload a platform of your own.")


async def checked(
    office: Office,
    files: dict[str, bytes],
    caller: Caller,
    platform_id: str | None = None,
    recording: Job | None = None,
) -> PlatformOut:
    """Keep files of a platform and check it. recording: its logs help where a platform.toml has to be proposed."""
    check_names(files)
    if platform_id is None and TOML not in files:
        files = {**files, TOML: await office.propose(files, recording)}
    made = await asyncio.to_thread(office.platforms.save, files, caller.name, platform_id)
    await office.check(made)
    return platform_out(office.platforms.get(made), list(office.platforms.files(made)))
