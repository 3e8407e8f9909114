"""For those who run the server: is it alive, can it serve, how does it fare."""

from __future__ import annotations

import shutil

from fastapi import APIRouter, Request
from starlette.responses import JSONResponse, Response

from idlewhy.web.answers import office_of
from idlewhy.web.guard import CanRead

router = APIRouter(include_in_schema=False)


@router.get("/health/live")
async def live() -> Response:
    """The process answers."""
    return JSONResponse({"status": "ok"})


@router.get("/health/ready")
def ready(request: Request) -> Response:
    """It can take an upload: the database answers, there is room on disk, and it is not stopping."""
    office = office_of(request)
    try:
        office.database.one("SELECT 1")
        reachable = True
    except Exception:  # noqa: BLE001  # whatever is wrong with it, it is not ready
        reachable = False
    checks = {
        "database": reachable,
        "room": shutil.disk_usage(office.settings.folder).free > office.settings.keep_free_bytes,
        "open": not request.app.state.stopping.is_set(),
    }
    fine = all(checks.values())
    return JSONResponse({"status": "ok" if fine else "unready", "checks": checks}, 200 if fine else 503)


@router.get("/metrics")
def metrics(request: Request, _caller: CanRead) -> Response:
    """Figures in Prometheus' text format."""
    office = office_of(request)
    text = office.metrics.text(office.jobs.counts())
    return Response(text, media_type="text/plain; version=0.0.4; charset=utf-8")
