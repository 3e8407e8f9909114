"""What pages call things: stages, states, sizes, times."""

from __future__ import annotations

import time
from datetime import UTC, datetime

from idlewhy.web.jobs import Job

STATES = {
    "queued": ("○", "waiting"),
    "running": ("◐", "being analysed"),
    "done": ("●", "done"),
    "failed": ("■", "failed"),
    "cancelled": ("✕", "cancelled"),
}
_STAGES = {
    "": "Waiting",
    "start": "Starting",
    "hash": "Reading the logs",
    "read": "Reading the logs",
    "estimate": "Estimating the battery's charge",
    "account": "Looking at every standstill",
    "findings": "Drawing conclusions",
    "report": "Writing the report",
    "done": "Done",
}


def stage_words(job: Job) -> str:
    """Where a job is, in one sentence."""
    if job.state == "queued":
        return "You are next in line." if job.place_in_line <= 1 else f"Waiting: place {job.place_in_line} in line."
    if job.state != "running":
        return STATES[job.state][1].capitalize() + "."
    words = _STAGES.get(job.stage, "Working")
    if job.stage == "read" and job.total:
        words += f": {size_words(job.done)} of {size_words(job.total)}"
        words += f", {job.frames:,} frames so far".replace(",", "\u202f") if job.frames else ""
    return words + "."


def size_words(size: float | None) -> str:
    """A number of bytes in the unit that fits: "12.9 MB"."""
    if size is None:
        return "unknown"
    for unit in ("bytes", "kB", "MB", "GB"):
        if size < 1000 or unit == "GB":
            whole = unit in {"bytes", "kB"} or size >= 100 or size == round(size)
            return f"{size:.0f} {unit}" if whole else f"{size:.1f} {unit}"
        size /= 1000
    raise AssertionError(size)


def time_words(seconds: float | None) -> str:
    """A time as "2025-03-10 21:30 UTC"."""
    return datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%d %H:%M UTC") if seconds is not None else "unknown"


def span_words(start: str | None, end: str | None) -> str:
    """From when to when a recording lasted, from ISO 8601."""
    if not start or not end:
        return "date not recorded"
    first, last = start[:16].replace("T", " "), end[:16].replace("T", " ")
    return f"{first} to {last[11:] if first[:10] == last[:10] else last} UTC"


def duration_words(seconds: float) -> str:
    """A length of time in its two largest units."""
    whole = round(seconds)
    for size, name, small, small_name in ((86400, "d", 3600, "h"), (3600, "h", 60, "min"), (60, "min", 1, "s")):
        if whole >= size:
            rest = whole % size // small
            return f"{whole // size} {name} {rest} {small_name}" if rest else f"{whole // size} {name}"
    return f"{whole} s"


def ago_words(seconds: float) -> str:
    """How long ago something was."""
    age = time.time() - seconds
    return "just now" if age < 60 else f"{duration_words(age - age % 60)} ago"
