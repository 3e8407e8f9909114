"""Pages for people: the known platforms, and mending one that was uploaded until the check is content."""

from __future__ import annotations

import asyncio
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Request
from starlette.datastructures import UploadFile
from starlette.responses import Response

from idlewhy.web.answers import office_of
from idlewhy.web.api_platforms import check_owner, checked
from idlewhy.web.guard import CanDelete, CanRead, CanUpload
from idlewhy.web.page import show
from idlewhy.web.pages import OwnForm, check_form, see
from idlewhy.web.platforms import MAX_FILES, TOML
from idlewhy.web.problems import Problem
from idlewhy.web.proposals import BATTERY_KEYS, accepted, open_battery_keys, proposals

router = APIRouter(include_in_schema=False)


async def own_files(request: Request, _caller: CanUpload) -> dict[str, Any]:
    """The fields and files of a form of ours; files as bytes under "files"."""
    bound = office_of(request).settings.max_definition_bytes
    async with request.form(max_files=MAX_FILES, max_fields=20, max_part_size=bound) as form:
        fields: dict[str, Any] = {name: value for name, value in form.items() if isinstance(value, str)}
        check_form(request, fields)
        files: dict[str, bytes] = {}
        for one in form.getlist("files"):
            if isinstance(one, UploadFile) and one.filename:
                name = one.filename.replace("\\", "/").rsplit("/", 1)[-1]
                files[name] = await one.read()
    return {**fields, "files": files}


OwnFiles = Annotated[dict[str, Any], Depends(own_files)]


@router.get("/platforms")
def platforms(request: Request, _caller: CanRead, recording: str = "") -> Response:
    office = office_of(request)
    return show(
        request,
        "platforms.html.j2",
        known=office.platforms.known(),
        own=office.platforms.own(),
        recording=recording,
    )


@router.post("/platforms")
async def new_platform(request: Request, caller: CanUpload, form: OwnFiles) -> Response:
    if not form["files"]:
        raise Problem("invalid", "No file was chosen.", "Choose the databases, and platform.toml if you have one.")
    office = office_of(request)
    recording = office.jobs.get(form["recording"], "analysis") if form.get("recording") else None
    made = await checked(office, form["files"], caller, recording=recording)
    return see(_address(made.id.partition(":")[2], form.get("recording", "")))


def _address(platform_id: str, recording: str) -> str:
    return f"/platforms/{platform_id}" + (f"?{urlencode({'recording': recording})}" if recording else "")


@router.get("/platforms/{platform_id}")
def platform(request: Request, platform_id: str, caller: CanRead, recording: str = "") -> Response:
    office = office_of(request)
    found = office.platforms.get(platform_id)
    files = office.platforms.files(platform_id)
    text = _text(files)
    return show(
        request,
        "platform.html.j2",
        platform=found,
        sizes={name: len(content) for name, content in files.items()},
        toml=text,
        proposals=proposals(text),
        battery=open_battery_keys(text),
        recording=recording,
        may_change=caller.may("upload") and (found.owner == caller.name or caller.may("admin")),
    )


@router.post("/platforms/{platform_id}")
async def change_platform(request: Request, platform_id: str, caller: CanUpload, form: OwnFiles) -> Response:
    """Take over the text of platform.toml, if it was changed, and files that were added."""
    office = office_of(request)
    check_owner(caller, office.platforms.get(platform_id))
    files: dict[str, bytes] = dict(form["files"])
    if TOML not in files and "toml" in form:
        files[TOML] = form["toml"].replace("\r\n", "\n").encode()
    await checked(office, files, caller, platform_id)
    return see(_address(platform_id, form.get("recording", "")))


def _text(files: dict[str, bytes]) -> str:
    return files.get(TOML, b"").decode("utf-8-sig", "replace")


@router.post("/platforms/{platform_id}/accept")
async def accept_proposals(request: Request, platform_id: str, caller: CanUpload) -> Response:
    """Put proposals in force that were ticked, and the battery's figures that were filled in."""
    office = office_of(request)
    form = await request.form(max_files=0, max_fields=300)
    fields = {name: value for name, value in form.items() if isinstance(value, str)}
    check_form(request, fields)
    check_owner(caller, office.platforms.get(platform_id))
    lines = {int(one) for one in form.getlist("line") if isinstance(one, str) and one.isdecimal() and len(one) < 9}
    battery = {key: fields.get(key, "") for key in BATTERY_KEYS}
    files = await asyncio.to_thread(office.platforms.files, platform_id)
    await checked(office, {TOML: accepted(_text(files), lines, battery).encode()}, caller, platform_id)
    return see(_address(platform_id, fields.get("recording", "")))


@router.post("/platforms/{platform_id}/drop")
async def drop_file(request: Request, platform_id: str, caller: CanUpload, fields: OwnForm) -> Response:
    office = office_of(request)
    check_owner(caller, office.platforms.get(platform_id))
    office.platforms.drop_file(platform_id, fields.get("name", ""))
    await office.check(platform_id)
    return see(_address(platform_id, fields.get("recording", "")))


@router.post("/platforms/{platform_id}/delete")
def delete_platform(request: Request, platform_id: str, _caller: CanDelete, _fields: OwnForm) -> Response:
    office = office_of(request)
    office.platforms.delete(office.platforms.get(platform_id).id)
    return see("/platforms")
