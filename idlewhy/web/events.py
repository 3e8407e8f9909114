"""How far a job is, as server-sent events (HTML Living Standard, 9.2): one `state` event for each change."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from idlewhy.web.answers import office_of
from idlewhy.web.jobs import Job
from idlewhy.web.problems import Problem
from idlewhy.web.words import Words, words_for

POLL_S = 0.4
STREAMS = 400
_open = 0


def state_of(job: Job, say: Words) -> dict[str, Any]:
    """What a page shows of a job that is not over."""
    return {
        "state": job.state,
        "place_in_line": job.place_in_line,
        "stage": job.stage,
        "done": job.done,
        "total": job.total,
        "frames": job.frames,
        "words": say.stage(job),
    }


def events(request: Request, job_id: str) -> Response:
    """A stream that ends when the job is over or gone. Raises Problem if too many are open here."""
    from sse_starlette import EventSourceResponse

    office_of(request).jobs.get(job_id)
    if _open >= STREAMS:
        raise Problem("busy", "Too many pages watch at once.", "Reload the page now and then.", {"Retry-After": "10"})
    return EventSourceResponse(_follow(request, job_id), ping=15, headers={"X-Accel-Buffering": "no"})


async def _follow(request: Request, job_id: str) -> AsyncIterator[dict[str, str]]:
    global _open  # noqa: PLW0603  # a count of this process
    _open += 1
    office = office_of(request)
    say = words_for(request)
    last: dict[str, Any] = {}
    try:
        while not request.app.state.stopping.is_set():
            try:
                job = await asyncio.to_thread(office.jobs.get, job_id)
            except Problem:
                yield {"event": "over", "data": "{}"}
                return
            now = state_of(job, say)
            if now != last:
                last = now
                yield {"event": "state", "data": json.dumps(now)}
            if job.is_over:
                yield {"event": "over", "data": "{}"}
                return
            await asyncio.sleep(POLL_S)
    finally:
        _open -= 1
