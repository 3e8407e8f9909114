"""Pages for people: the upload, recordings, vehicles, the fleet, comparisons."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Request
from starlette.responses import FileResponse, RedirectResponse, Response

from idlewhy.web.answers import browser_of, office_of
from idlewhy.web.api import check_owner, compare, report_file
from idlewhy.web.child_tasks import FACTS, TRACES
from idlewhy.web.events import events
from idlewhy.web.form_upload import FormUpload
from idlewhy.web.guard import CanDelete, CanRead, CanUpload
from idlewhy.web.identity import Caller
from idlewhy.web.jobs import Job
from idlewhy.web.models import looked
from idlewhy.web.office import Office
from idlewhy.web.page import show
from idlewhy.web.problems import Problem
from idlewhy.web.results import report_policy
from idlewhy.web.submit import checked_language, make_recording
from idlewhy.web.words import words_for

router = APIRouter(include_in_schema=False)

REFRESH_S = 3


async def own_form(request: Request) -> dict[str, str]:
    """The fields of a form that came from our own page. Raises Problem if it did not."""
    form = await request.form(max_files=0, max_fields=20)
    fields = {name: value for name, value in form.items() if isinstance(value, str)}
    check_form(request, fields)
    return fields


OwnForm = Annotated[dict[str, str], Depends(own_form)]


def check_form(request: Request, fields: dict[str, str]) -> None:
    """Raises Problem if the form did not come from a page of ours in this browser."""
    if not office_of(request).identity.is_form_token(browser_of(request), fields.get("form", "")):
        raise Problem(
            "not-allowed", "The page this comes from is too old or not ours.", "Reload the page, then try again."
        )


def see(path: str) -> Response:
    """Go and see another page."""
    return RedirectResponse(path, 303)


# ---- uploading


@router.get("/")
def start(request: Request, _caller: CanRead) -> Response:
    office = office_of(request)
    return show(
        request,
        "start.html.j2",
        known=office.platforms.known(),
        own=office.platforms.own(),
        recent=office.jobs.latest(limit=10),
        most=office.settings.max_upload_bytes,
    )


@router.post("/upload")
async def upload(request: Request, caller: CanUpload) -> Response:
    """The plain form; with script, pages use the API."""
    office = office_of(request)

    def allow(fields: dict[str, str]) -> None:
        check_form(request, fields)
        office.jobs.check_room()

    form = FormUpload(office, caller, allow)
    await form.receive(request)
    check_form(request, form.fields)
    fields = form.fields
    for one in form.uploads:
        office.look_soon(one)
    job = make_recording(
        office,
        caller,
        vehicle=fields.get("vehicle", ""),
        platform=fields.get("platform", ""),
        uploads=[one.id for one in form.uploads],
        language=checked_language(fields.get("language", "en")),
    )
    return see(f"/recordings/{job.id}")


# ---- recordings


@router.get("/recordings/{job_id}")
def recording(request: Request, job_id: str, caller: CanRead) -> Response:
    office = office_of(request)
    job = office.jobs.get(job_id, "analysis")
    others = [] if job.vehicle is None else office.jobs.latest(vehicle=job.vehicle, limit=50)
    return show(
        request,
        "recording.html.j2",
        refresh_s=0 if job.is_over else REFRESH_S,
        job=job,
        logs=[(row, looked(row["look"])) for row in office.jobs.logs_of(job.id)],
        title=office.platforms.title_of(job.platform),
        known=office.platforms.known(),
        own=office.platforms.own(),
        others=[one for one in others if one.id != job.id and one.state == "done"],
        may_change=_may_change(caller, job),
    )


def _may_change(caller: Caller, job: Job) -> bool:
    return caller.may("upload") and (job.owner == caller.name or caller.may("admin"))


@router.get("/recordings/{job_id}/analysis.json")
def recording_facts(request: Request, job_id: str, _caller: CanRead) -> Response:
    return _download(office_of(request), job_id, FACTS, "application/json")


@router.get("/recordings/{job_id}/traces.parquet")
def recording_traces(request: Request, job_id: str, _caller: CanRead) -> Response:
    return _download(office_of(request), job_id, TRACES, "application/vnd.apache.parquet")


def _download(office: Office, job_id: str, name: str, kind: str) -> Response:
    path = office.results.path(office.jobs.get(job_id, "analysis").result, name)
    return FileResponse(path, media_type=kind, filename=name)


@router.post("/recordings/{job_id}/again")
def analyse_again(request: Request, job_id: str, caller: CanUpload, fields: OwnForm) -> Response:
    office = office_of(request)
    check_owner(caller, office.jobs.get(job_id, "analysis"))
    office.jobs.again(job_id, office.platforms.checked_reference(fields.get("platform", "")))
    office.nudge()
    return see(f"/recordings/{job_id}")


# ---- vehicles and comparisons


@router.get("/vehicles")
def vehicles(request: Request, _caller: CanRead) -> Response:
    return show(request, "vehicles.html.j2", vehicles=office_of(request).jobs.vehicles())


@router.get("/vehicles/{vehicle_id}")
def vehicle(request: Request, vehicle_id: str, _caller: CanRead) -> Response:
    office = office_of(request)
    found = office.jobs.vehicle(vehicle_id)
    recordings = office.jobs.latest(vehicle=vehicle_id, limit=200)
    return show(
        request,
        "vehicle.html.j2",
        vehicle=found,
        recordings=recordings,
        done=[one for one in recordings if one.state == "done"],
        comparisons=office.jobs.latest(vehicle=vehicle_id, kind="comparison", limit=50),
    )


@router.get("/fleet")
def fleet(request: Request, _caller: CanRead) -> Response:
    rows = office_of(request).jobs.results()
    return show(request, "fleet.html.j2", recordings=len(rows), vehicles=len({row["vehicle"] for row in rows}))


@router.get("/fleet/report")
async def fleet_report(request: Request, _caller: CanRead) -> Response:
    path = await office_of(request).fleet_report(words_for(request).code)
    return FileResponse(
        path, media_type="text/html; charset=utf-8", headers={"content-security-policy": report_policy(path)}
    )


@router.post("/vehicles/{vehicle_id}/delete")
def delete_vehicle(request: Request, vehicle_id: str, _caller: CanDelete, _fields: OwnForm) -> Response:
    office_of(request).delete_vehicle(vehicle_id)
    return see("/vehicles")


@router.post("/comparisons")
def new_comparison(request: Request, caller: CanUpload, fields: OwnForm) -> Response:
    job = compare(office_of(request), caller, fields.get("before", ""), fields.get("after", ""))
    return see(f"/comparisons/{job.id}")


@router.get("/comparisons/{job_id}")
def comparison(request: Request, job_id: str, caller: CanRead) -> Response:
    office = office_of(request)
    job = office.jobs.get(job_id, "comparison")
    sides = {side: office.jobs.get(one) for side, one in office.jobs.pair_of(job_id).items()}
    return show(
        request,
        "comparison.html.j2",
        refresh_s=0 if job.is_over else REFRESH_S,
        job=job,
        sides=sides,
        may_change=_may_change(caller, job),
    )


# ---- recordings and comparisons alike


@router.get("/recordings/{job_id}/events")
@router.get("/comparisons/{job_id}/events")
def job_events(request: Request, job_id: str, _caller: CanRead) -> Response:
    return events(request, job_id)


@router.get("/recordings/{job_id}/report")
@router.get("/comparisons/{job_id}/report")
def job_report(request: Request, job_id: str, _caller: CanRead) -> Response:
    office = office_of(request)
    return report_file(office, office.jobs.get(job_id))


@router.post("/recordings/{job_id}/cancel")
@router.post("/comparisons/{job_id}/cancel")
def cancel(request: Request, job_id: str, caller: CanUpload, _fields: OwnForm) -> Response:
    office = office_of(request)
    job = office.jobs.get(job_id)
    check_owner(caller, job)
    office.jobs.cancel(job_id)
    return see(f"/{'recordings' if job.kind == 'analysis' else 'comparisons'}/{job_id}")


@router.post("/recordings/{job_id}/delete")
@router.post("/comparisons/{job_id}/delete")
def delete(request: Request, job_id: str, _caller: CanDelete, _fields: OwnForm) -> Response:
    office = office_of(request)
    job = office.jobs.get(job_id)
    office.delete_job(job)
    left = job.vehicle is not None and bool(office.jobs.latest(vehicle=job.vehicle, limit=1))
    return see(f"/vehicles/{job.vehicle}" if left else "/vehicles")
