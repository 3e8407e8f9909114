"""What pages say, in the reader's language: stages, states, sizes, times. Errors stay in English where no German is."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

from reports.language import LANGUAGES, Language, catalogue
from reports.theme import WEIGHTS

if TYPE_CHECKING:
    from starlette.requests import Request

    from idlewhy.web.jobs import Job

LANGUAGE = "idlewhy_language"  # the cookie in which a choice is kept
NAMES = {"en": "English", "de": "Deutsch"}
_MARKS = {"queued": "○", "running": "◐", "done": "●", "failed": "■", "cancelled": "✕"}


class Words(Language):
    """A language, and what only the web pages say in it."""

    __slots__ = ()

    def state(self, job: Job) -> tuple[str, str]:
        """The mark and the word of a job's state."""
        words = {
            "queued": self("waiting"),
            "running": self("being analysed"),
            "done": self("done"),
            "failed": self("failed"),
            "cancelled": self("cancelled"),
        }
        return _MARKS[job.state], words[job.state]

    def stage(self, job: Job) -> str:
        """Where a job is, in one sentence."""
        if job.state == "queued":
            if job.place_in_line <= 1:
                return self("You are next in line.")
            return self("Waiting: place {place} in line.", place=job.place_in_line)
        if job.state != "running":
            return f"{self.state(job)[1].capitalize()}."
        if job.stage == "read" and job.total:
            done, total = self.size(job.done), self.size(job.total)
            if not job.frames:
                return self("Reading the logs: {done} of {total}.", done=done, total=total)
            return self(
                "Reading the logs: {done} of {total}, {frames} frames so far.",
                done=done,
                total=total,
                frames=job.frames,
            )
        stages = {
            "start": self("Starting."),
            "hash": self("Reading the logs."),
            "read": self("Reading the logs."),
            "estimate": self("Estimating the battery's charge."),
            "account": self("Looking at every standstill."),
            "findings": self("Drawing conclusions."),
            "report": self("Writing the report."),
        }
        return stages.get(job.stage, self("Working."))

    def size(self, size: float | None) -> str:
        """A number of bytes in the unit that fits: "12.9 MB"."""
        if size is None:
            return self("unknown")
        for unit in ("bytes", "kB", "MB", "GB"):
            if size < 1000 or unit == "GB":
                whole = unit in {"bytes", "kB"} or size >= 100 or size == round(size)
                number = self.number(size, 0 if whole else 1)
                return self("{number} bytes", number=number) if unit == "bytes" else f"{number} {unit}"
            size /= 1000
        raise AssertionError(size)

    def time(self, seconds: float | None) -> str:
        """A time as "2025-03-10 21:30 UTC"."""
        return self("unknown") if seconds is None else f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%d %H:%M} UTC"

    def span(self, job: Job) -> str:
        """From when to when a recording lasted; when it was uploaded, where that is not known."""
        start, end = job.summary["start"], job.summary["end"]
        if not start or not end:
            return self("uploaded {time}", time=self.time(job.created))
        first, last = start[:16].replace("T", " "), end[:16].replace("T", " ")
        same_day = first[:10] == last[:10]
        return self("{start} to {end} UTC", start=first, end=last[11:] if same_day else last)

    def weight(self, weight: str) -> str:
        """What a finding asks for, as reports call it."""
        return self(WEIGHTS[weight].word)

    def answer(self, job: Job, part: str) -> str:
        """What happened, or what to do first, in this language; in English where it was written in no other."""
        return str(job.summary.get(f"{part}_{self.code}", job.summary[part]))

    def findings(self, job: Job) -> list[tuple[str, str]]:
        """Weight and title of each finding."""
        titles = job.summary.get(f"findings_{self.code}", [one["title"] for one in job.summary["findings"]])
        return [(one["weight"], title) for one, title in zip(job.summary["findings"], titles, strict=True)]

    def knows(self, sentence: str) -> bool:
        """The sentence can be said in this language."""
        return self.code == "en" or sentence in catalogue(self.code)

    @property
    def others(self) -> list[tuple[str, str]]:
        """Code and name of each other language."""
        return [(code, NAMES[code]) for code in LANGUAGES if code != self.code]

    def for_script(self) -> dict[str, str]:
        """What the script of the pages says; {...} is filled there."""
        return {
            "queued": self("In the queue"),
            "running": self("Being analysed"),
            "status": self("The server answered {status}.", status="{status}"),
            "size": self("{number} bytes", number="{number}"),
            "too_large": self("It has {size}; {most} are allowed.", size="{size}", most="{most}"),
            "empty": self("It is empty."),
            "waiting": self("{size}, waiting", size="{size}"),
            "upload_of": self("Upload of {name}", name="{name}"),
            "remove": self("Remove"),
            "remove_it": self("Remove {name}", name="{name}"),
            "sent_so_far": self("{done} of {total} sent", done="{done}", total="{total}"),
            "sent": self("{size}, sent", size="{size}"),
            "cut": self("The connection was lost; it goes on by itself."),
            "span": self("{start} to {end} UTC", start="{start}", end="{end}"),
            "undated": self("date not recorded"),
            "known": self("was here before, kept once"),
            "failed": self("Remove the logs that could not be sent, then try again."),
            "arrived": self("All logs have arrived."),
            "again": self("This page tries again by itself."),
            "none": self("Choose at least one log first."),
            "wait": self("Waiting until every log has arrived."),
        }


def words_for(request: Request) -> Words:
    """The language that was chosen, else the first one that the browser asks for and that there is."""
    chosen = request.cookies.get(LANGUAGE, "")
    if chosen in LANGUAGES:
        return Words(chosen)
    wanted: list[tuple[float, str]] = []
    for place, one in enumerate(request.headers.get("accept-language", "")[:200].split(",")):
        name, _, weight = one.strip().partition(";q=")
        code = name.partition("-")[0].lower()
        if code in LANGUAGES:
            wanted.append((-_number(weight) + place / 1000, code))
    return Words(min(wanted, default=(0.0, "en"))[1])


def _number(weight: str) -> float:
    try:
        return float(weight) if weight else 1.0
    except ValueError:
        return 0.0
