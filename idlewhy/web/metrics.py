"""Figures for Prometheus, in a registry of each server's own."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

_REQUEST_S = (0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0)
_JOB_S = (1, 3, 10, 30, 100, 300, 1000, 3600)


class Metrics:
    """Counters and gauges; no label holds a name that a user gave."""

    def __init__(self) -> None:
        from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram

        here: Any = CollectorRegistry()
        self._registry = here
        by = ["method", "route", "status"]
        self._requests = Counter("idlewhy_requests", "Requests answered.", by, registry=here)
        said = "Time from a request to the end of its answer; uploads and event streams apart."
        self._seconds = Histogram("idlewhy_request_seconds", said, ["route"], buckets=_REQUEST_S, registry=here)
        self._bytes = Counter("idlewhy_uploaded_bytes", "Bytes of logs received.", registry=here)
        self._jobs = Counter("idlewhy_jobs", "Analyses that ended.", ["kind", "outcome"], registry=here)
        said = "Time of an analysis."
        self._job_seconds = Histogram("idlewhy_job_seconds", said, ["kind"], buckets=_JOB_S, registry=here)
        self._in_state = Gauge("idlewhy_jobs_in_state", "Jobs in the store by state.", ["state"], registry=here)

    def request(self, method: str, route: str, status: int, seconds: float | None) -> None:
        """One request answered. route: the pattern of the address, never the address."""
        self._requests.labels(method, route, str(status)).inc()
        if seconds is not None:
            self._seconds.labels(route).observe(seconds)

    def received(self, size: int) -> None:
        self._bytes.inc(size)

    def job_ended(self, kind: str, outcome: str, seconds: float) -> None:
        self._jobs.labels(kind, outcome).inc()
        self._job_seconds.labels(kind).observe(seconds)

    def text(self, states: Mapping[str, int]) -> bytes:
        """All of it in Prometheus' text format."""
        from prometheus_client import generate_latest

        for state in ("queued", "running", "done", "failed", "cancelled"):
            self._in_state.labels(state).set(states.get(state, 0))
        written: bytes = generate_latest(self._registry)
        return written
