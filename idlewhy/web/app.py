"""The application: its routes behind the guard, its workers, its beginning and end."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import asynccontextmanager, suppress
from functools import partial
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.openapi.utils import get_openapi
from starlette.exceptions import HTTPException
from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from idlewhy.web import api, api_platforms, health, pages, pages_open, pages_platforms, tus
from idlewhy.web.guard import Guard
from idlewhy.web.logs import tell, warn
from idlewhy.web.models import ProblemOut
from idlewhy.web.office import Office
from idlewhy.web.page import problem_answer
from idlewhy.web.problems import Problem, problem_of_error, problem_of_status
from idlewhy.web.settings import Settings
from idlewhy.web.worker import Worker
from signal_defs.errors import IdlewhyError

HOUSE_S = 10.0
_THREADS = 64  # they wait for the disk most of the time


class Application:
    """The ASGI application, the web pages and the API over one store: FastAPI inside the guard."""

    def __init__(self, settings: Settings) -> None:
        self.office = Office(settings)
        self.inner = _routes(self.office)
        self.guard = Guard(self.inner, self.office)
        self.inner.state.guard = self.guard

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        scope["app"] = self.inner
        await self.guard(scope, receive, send)

    def stop_soon(self) -> None:
        """The server ends: open event streams end too, and no job is begun."""
        self.inner.state.stopping.set()


def _routes(office: Office) -> FastAPI:
    app = FastAPI(
        title="idlewhy",
        description="Upload a vehicle's bus log, get the answer why its engine kept running.",
        version=_version(),
        openapi_url="/api/v1/openapi.json",
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
        lifespan=_life,
    )
    app.state.office = office
    app.state.stopping = asyncio.Event()
    for module in (tus, api, api_platforms, pages, pages_open, pages_platforms, health):
        app.include_router(module.router)
    app.add_exception_handler(Problem, _on_problem)
    app.add_exception_handler(IdlewhyError, _on_problem)
    app.add_exception_handler(RequestValidationError, _on_problem)
    app.add_exception_handler(HTTPException, _on_problem)
    app.openapi = lambda: _described(app)  # type: ignore[method-assign]  # FastAPI's documented way
    return app


def _version() -> str:
    from importlib.metadata import version

    return version("idlewhy")


@asynccontextmanager
async def _life(app: FastAPI) -> AsyncIterator[None]:
    office: Office = app.state.office
    loop = asyncio.get_running_loop()
    loop.set_default_executor(ThreadPoolExecutor(_THREADS, thread_name_prefix="idlewhy"))
    await asyncio.to_thread(office.keep_house)
    workers = [Worker(office) for _ in range(office.settings.workers)]
    for one in workers:
        office.on_nudge(partial(_nudge, loop, one))
    tasks = [asyncio.create_task(one.run()) for one in workers]
    house = asyncio.create_task(_keep_house(office))
    tell("started", workers=len(workers), version=_version())
    try:
        yield
    finally:
        app.state.stopping.set()
        for one in workers:
            one.stop()
        house.cancel()
        with suppress(asyncio.CancelledError):
            await house
        await asyncio.gather(*tasks, return_exceptions=True)
        await office.settle()
        office.close()
        tell("stopped")


def _nudge(loop: asyncio.AbstractEventLoop, worker: Worker) -> None:
    loop.call_soon_threadsafe(worker.nudge)


async def _keep_house(office: Office) -> None:
    while True:
        await asyncio.sleep(HOUSE_S)
        try:
            await asyncio.to_thread(office.keep_house)
            office.nudge()
        except Exception as error:  # noqa: BLE001  # tried again in a moment; serving goes on
            warn("housekeeping fault", fault=f"{type(error).__name__}: {error}")


async def _on_problem(request: Request, error: Exception) -> Response:
    if isinstance(error, Problem):
        problem = error
    elif isinstance(error, IdlewhyError):
        problem = problem_of_error(error)
    elif isinstance(error, RequestValidationError):
        errors = [
            {"place": ".".join(str(part) for part in one["loc"]), "fault": str(one["msg"])} for one in error.errors()
        ]
        json_itself = any(one["type"] == "json_invalid" for one in error.errors())
        in_path = errors and all(one["place"].startswith("path.") for one in errors)
        kind = "not-found" if in_path else "malformed" if json_itself else "invalid"
        problem = Problem(kind, "The request does not fit the description of the API.", errors=errors[:20])
    else:
        assert isinstance(error, HTTPException)
        problem = problem_of_status(error.status_code, str(error.detail))
        problem.headers.update(error.headers or {})
    return problem_answer(request, problem)


def _described(app: FastAPI) -> dict[str, Any]:
    """The OpenAPI document: our problems instead of FastAPI's own error bodies, and how callers prove who they are."""
    if app.openapi_schema is not None:
        return app.openapi_schema
    document = get_openapi(title=app.title, version=app.version, description=app.description, routes=app.routes)
    parts = document.setdefault("components", {})
    schemas = parts.setdefault("schemas", {})
    schemas["ProblemOut"] = ProblemOut.model_json_schema(ref_template="#/components/schemas/{model}")
    for name in ("HTTPValidationError", "ValidationError"):
        schemas.pop(name, None)
    parts["securitySchemes"] = {"token": {"type": "http", "scheme": "bearer"}}
    document["security"] = [{"token": []}]
    app.openapi_schema = document
    return document
