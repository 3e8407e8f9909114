"""The HTTP API for programs: recordings, vehicles, comparisons. Uploads are in `tus`, platforms in `api_platforms`."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Request, Response
from fastapi.responses import FileResponse

from idlewhy.web.answers import office_of
from idlewhy.web.child_tasks import FACTS, REPORT, TRACES
from idlewhy.web.guard import CanDelete, CanRead, CanUpload
from idlewhy.web.identity import Caller
from idlewhy.web.jobs import Job
from idlewhy.web.models import (
    PROBLEMS,
    AgainIn,
    ComparisonIn,
    JobOut,
    JobsOut,
    LogOut,
    RecordingIn,
    VehicleOut,
    VehiclesOut,
    job_out,
    moment,
)
from idlewhy.web.names import ID
from idlewhy.web.office import Office
from idlewhy.web.problems import Problem
from idlewhy.web.submit import make_recording

router = APIRouter(prefix="/api/v1", responses=PROBLEMS)
IdPath = Annotated[str, Path(pattern=f"^{ID.pattern}$")]
Limit = Annotated[int, Query(ge=1, le=200)]


def _file(kind: str, **schema: str) -> dict[int | str, dict[str, Any]]:
    return {200: {"content": {kind: {"schema": schema}}}}


_PAGE = _file("text/html", type="string")


def _with_logs(office: Office, job: Job) -> JobOut:
    return job_out(job, [LogOut.model_validate(dict(row)) for row in office.jobs.logs_of(job.id)])


@router.post("/recordings", status_code=202, tags=["recordings"])
def new_recording(request: Request, wanted: RecordingIn, caller: CanUpload) -> JobOut:
    """Make a recording of uploads and queue its analysis."""
    office = office_of(request)
    return _with_logs(office, make_recording(office, caller, **wanted.model_dump()))


@router.get("/recordings", tags=["recordings"])
def recordings(
    request: Request,
    _caller: CanRead,
    vehicle: Annotated[str | None, Query(pattern=f"^{ID.pattern}$")] = None,
    before: Annotated[float | None, Query(ge=0, le=1e11)] = None,
    limit: Limit = 50,
) -> JobsOut:
    """Recordings, the newest first."""
    found = office_of(request).jobs.latest(vehicle=vehicle, before=before, limit=limit)
    return JobsOut(items=[job_out(one) for one in found], before=found[-1].created if len(found) == limit else None)


@router.get("/recordings/{job_id}", tags=["recordings"])
def recording(request: Request, job_id: IdPath, _caller: CanRead) -> JobOut:
    """One recording: its place in line, how far its analysis is, or what came out."""
    office = office_of(request)
    return _with_logs(office, office.jobs.get(job_id, "analysis"))


@router.delete("/recordings/{job_id}", status_code=204, tags=["recordings"])
def delete_recording(request: Request, job_id: IdPath, _caller: CanDelete) -> None:
    """Delete a recording with its logs and results."""
    office = office_of(request)
    office.delete_job(office.jobs.get(job_id, "analysis"))


@router.post("/recordings/{job_id}/cancel", tags=["recordings"])
def cancel(request: Request, job_id: IdPath, caller: CanUpload) -> JobOut:
    """Take a recording out of the queue or stop its analysis; its logs stay."""
    office = office_of(request)
    check_owner(caller, office.jobs.get(job_id, "analysis"))
    return job_out(office.jobs.cancel(job_id))


@router.post("/recordings/{job_id}/again", status_code=202, tags=["recordings"])
def again(request: Request, job_id: IdPath, wanted: AgainIn, caller: CanUpload) -> JobOut:
    """Analyse a recording once more, with another platform if one is named, without uploading again."""
    office = office_of(request)
    check_owner(caller, office.jobs.get(job_id, "analysis"))
    platform = office.platforms.checked_reference(wanted.platform) if wanted.platform else None
    job = office.jobs.again(job_id, platform)
    office.nudge()
    return job_out(job)


def check_owner(caller: Caller, job: Job) -> None:
    """Others' recordings are changed by an admin only."""
    if job.owner != caller.name and not caller.may("admin"):
        raise Problem("not-allowed", "This was uploaded by somebody else.", "Ask them, or a person with admin rights.")


@router.get("/recordings/{job_id}/analysis", tags=["recordings"], responses=_file("application/json", type="object"))
def analysis(request: Request, job_id: IdPath, _caller: CanRead) -> Response:
    """The analysis as `idlewhy report --json` writes it."""
    office = office_of(request)
    path = office.results.path(office.jobs.get(job_id, "analysis").result, FACTS)
    return FileResponse(path, media_type="application/json")


@router.get("/recordings/{job_id}/report", tags=["recordings"], response_class=Response, responses=_PAGE)
def report(request: Request, job_id: IdPath, _caller: CanRead) -> Response:
    """The report: one HTML page that needs nothing else."""
    office = office_of(request)
    return report_file(office, office.jobs.get(job_id, "analysis"))


def report_file(office: Office, job: Job) -> Response:
    """A report with the policy under which its scripts may run, and nothing else may."""
    path = office.results.path(job.result, REPORT)
    return FileResponse(path, media_type="text/html; charset=utf-8", headers={"content-security-policy": job.policy})


@router.get(
    "/recordings/{job_id}/traces",
    tags=["recordings"],
    response_class=Response,
    responses=_file("application/vnd.apache.parquet", type="string", format="binary"),
)
def traces(request: Request, job_id: IdPath, _caller: CanRead) -> Response:
    """The estimated traces as Parquet."""
    office = office_of(request)
    path = office.results.path(office.jobs.get(job_id, "analysis").result, TRACES)
    return FileResponse(path, media_type="application/vnd.apache.parquet", filename="traces.parquet")


@router.get("/vehicles", tags=["vehicles"])
def vehicles(request: Request, _caller: CanRead) -> VehiclesOut:
    """All vehicles."""
    rows = office_of(request).jobs.vehicles()
    shown = ({**row, "latest": moment(row["latest"]) if row["latest"] else None} for row in rows)
    return VehiclesOut(items=[VehicleOut.model_validate(one) for one in shown])


@router.delete("/vehicles/{vehicle_id}", status_code=204, tags=["vehicles"])
def delete_vehicle(request: Request, vehicle_id: IdPath, _caller: CanDelete) -> None:
    """Delete a vehicle with all its recordings."""
    office_of(request).delete_vehicle(vehicle_id)


@router.post("/comparisons", status_code=202, tags=["comparisons"])
def new_comparison(request: Request, wanted: ComparisonIn, caller: CanUpload) -> JobOut:
    """Queue the comparison of two recordings, before and after a repair."""
    return job_out(compare(office_of(request), caller, wanted.before, wanted.after))


def compare(office: Office, caller: Caller, before: str, after: str) -> Job:
    """Queue a comparison. Raises Problem if it is twice the same recording."""
    if before == after:
        raise Problem("invalid", "The same recording was chosen twice.", "Choose two.")
    job = office.jobs.add_comparison(
        caller.name, office.jobs.get(before, "analysis"), office.jobs.get(after, "analysis")
    )
    office.nudge()
    return job


@router.get("/comparisons/{job_id}", tags=["comparisons"])
def comparison(request: Request, job_id: IdPath, _caller: CanRead) -> JobOut:
    """One comparison and how far it is."""
    return job_out(office_of(request).jobs.get(job_id, "comparison"))


@router.get("/comparisons/{job_id}/report", tags=["comparisons"], response_class=Response, responses=_PAGE)
def comparison_report(request: Request, job_id: IdPath, _caller: CanRead) -> Response:
    """The page that lays two recordings beside each other."""
    office = office_of(request)
    return report_file(office, office.jobs.get(job_id, "comparison"))


@router.delete("/comparisons/{job_id}", status_code=204, tags=["comparisons"])
def delete_comparison(request: Request, job_id: IdPath, _caller: CanDelete) -> None:
    """Delete a comparison; its recordings stay."""
    office = office_of(request)
    office.delete_job(office.jobs.get(job_id, "comparison"))
