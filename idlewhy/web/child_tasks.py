"""What the confined process can do: look at a log, propose or check a platform, analyse a recording, compare two."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from signal_defs.errors import DefinitionError, IdlewhyError

if TYPE_CHECKING:
    from idle_stop.analysis import Analysis

REPORT, FACTS, TRACES, FLEET = "report.html", "analysis.json", "traces.parquet", "fleet.json"
PLATFORM = "platform"


class Progress(Protocol):
    """Where a task tells how far it is."""

    stage: str
    frames: int
    is_reading: bool

    def begin_log(self, number: int) -> None: ...


def look(task: dict[str, Any], _work: Path, watch: Progress) -> dict[str, Any]:
    """Format, time span and frames of a log; of its head alone where the rest has not come yet."""
    from decoder.logs import open_log
    from decoder.timeline import LogClock, is_dated

    watch.begin_log(0)
    clock = LogClock()
    try:
        opened = open_log(task["logs"][0]["path"])
        for batch in opened.batches():
            watch.frames += len(batch)
            watch.is_reading = True
            clock.follow(batch.time_ns)
            if task["head_only"]:
                break
    except IdlewhyError as error:
        return {"fault": _renamed(error, task["logs"]).what, "frames": watch.frames}
    return {
        "format": opened.format,
        "frames": watch.frames,
        "start_ns": min((one.start for one in clock.segments), default=None),
        "end_ns": None if task["head_only"] else max((one.end for one in clock.segments), default=None),
        "absolute": bool(is_dated(clock)),
        "fault": "" if watch.frames else "The log holds no frame that could be read.",
    }


def check(task: dict[str, Any], work: Path, watch: Progress) -> dict[str, Any]:
    """What is wrong or doubtful in an uploaded platform."""
    from signal_defs.check import check_platform

    watch.stage = "check"
    folder = _written(task["definition"], work)
    try:
        found = check_platform(folder)
    except DefinitionError as error:
        return {"findings": [_finding("definition", "error", error.where, error.what, error.mend, folder)]}
    findings = [
        _finding(one.code, one.weight, one.place, str(one.what), str(one.mend), folder)
        for one in found
        if one.code != "id_and_folder"
    ]
    return {"findings": findings}


def propose(task: dict[str, Any], work: Path, watch: Progress) -> dict[str, Any]:
    """A platform.toml to begin with, for databases that came without one; a log's behaviour speaks as well."""
    from idlewhy.platform_kit.new import new_platform, slug

    watch.stage = "check"
    folder = _written(task["definition"], work)
    names = list(task["definition"])
    try:
        made = new_platform(
            [folder / name for name in names],
            [one["path"] for one in task["logs"]],
            folder=folder,
            platform_id=slug(names[0].rpartition(".")[0]),
        )
    except IdlewhyError as error:
        raise _renamed(error, task["logs"], folder) from None
    text = (made.folder / "platform.toml").read_text("utf-8")
    for one in task["logs"]:
        text = text.replace(Path(one["path"]).name, one["name"])
    return {"toml": text.replace(str(folder), PLATFORM)}


def _finding(code: str, weight: str, place: str, what: str, mend: str, folder: Path) -> dict[str, str]:
    row = {"code": code, "weight": weight, "place": place, "what": what, "mend": mend}
    return {key: value.replace(f"{folder}{os.sep}", "").replace(str(folder), PLATFORM) for key, value in row.items()}


def analyse(task: dict[str, Any], work: Path, watch: Progress) -> dict[str, Any]:
    """The report, its facts and its traces, written into the work folder; returns what lists show of it."""
    import pyarrow.parquet as pq

    from fleet.facts import fact_rows
    from reports.analysis_json import analysis_to_json
    from reports.fitted_wording import finding_title
    from reports.language import LANGUAGES, Language
    from reports.summary import what_first, what_happened
    from reports.traces import traces_table
    from reports.vehicle import vehicle_page

    analysis = _analysis(task["logs"], task, work, watch)
    watch.stage = "report"
    page = vehicle_page(analysis, language=task["language"])
    (work / REPORT).write_text(page, encoding="utf-8")
    facts = analysis_to_json(analysis)
    (work / FACTS).write_text(json.dumps(facts, ensure_ascii=False, allow_nan=False), encoding="utf-8")
    pq.write_table(traces_table(analysis), work / TRACES)
    (work / FLEET).write_text(json.dumps(fact_rows(analysis, keep_names=False)), encoding="utf-8")
    said: dict[str, Any] = {}
    for say in map(Language, LANGUAGES):
        end = "" if say.code == "en" else f"_{say.code}"
        said |= {f"happened{end}": what_happened(analysis, say), f"first{end}": what_first(analysis, say)}
        if end:
            said[f"findings{end}"] = [finding_title(one, analysis, say) for one in analysis.findings[:50]]
    figures = ("soh_percent", "soc_min", "quiescent_ma", "resistance_mohm")
    return {
        **said,
        "platform": analysis.platform.title,
        **{key: facts["recording"][key] for key in ("start", "end", "duration_s", "frames")},
        "standstills": len(facts["standstills"]),
        "refused": sum(one["outcome"] == "refused" for one in facts["standstills"]),
        "findings": [{key: one[key] for key in ("code", "weight", "title")} for one in facts["findings"]][:50],
        **{key: (facts["battery"][key] or {}).get("value") for key in figures},
    }


def compare(task: dict[str, Any], work: Path, watch: Progress) -> dict[str, Any]:
    """The page that lays two recordings beside each other."""
    from reports.compare import compare_page

    before = _analysis(task["before"]["logs"], task["before"], work, watch)
    after = _analysis(task["after"]["logs"], task["after"], work, watch, len(task["before"]["logs"]))
    watch.stage = "report"
    (work / REPORT).write_text(compare_page(before, after, language=task["language"]), encoding="utf-8")
    return {"happened": "", "first": ""}


def fleet(task: dict[str, Any], work: Path, watch: Progress) -> dict[str, Any]:
    """The page over all vehicles, from what each analysis left of itself."""
    from fleet.fleet_data import fleet_of_rows
    from reports.fleet import fleet_page

    watch.stage = "report"
    rows = (json.loads(Path(path).read_bytes()) for path in task["reads"])
    page = fleet_page(fleet_of_rows(rows), links=task["links"], language=task["language"])
    (work / REPORT).write_text(page, encoding="utf-8")
    return {}


def _analysis(
    logs: list[dict[str, str]], task: dict[str, Any], work: Path, watch: Progress, first: int = 0
) -> Analysis:
    from decoder.logs import ReadOptions
    from idle_stop.analysis import analyse as analyse_logs

    definition = task.get("definition")
    platform = _written(definition, work) if definition else task["platform"]
    names = _names(logs)
    before = watch.frames
    frames_of: dict[str, int] = {}

    def follow(name: str, frames: int) -> None:
        frames_of[name] = frames
        watch.frames = before + sum(frames_of.values())
        watch.is_reading = True

    begun: list[str] = []

    def progress(stage: str, _done: int, _total: int) -> None:
        if stage in {"estimate", "account", "findings"}:
            watch.stage = stage
        elif stage not in begun:
            watch.begin_log(first + len(begun))
            begun.append(stage)

    try:
        analysis = analyse_logs(
            [one["path"] for one in logs],
            platform,
            vehicle=task["vehicle"],
            progress=progress,
            options=ReadOptions(watch=follow),
        )
    except IdlewhyError as error:
        raise _renamed(error, logs, Path(platform) if definition else None) from None
    sources = tuple(replace(one, name=names.get(one.name, one.name)) for one in analysis.recording.sources)
    return replace(analysis, recording=replace(analysis.recording, sources=sources))


def _names(logs: Iterable[dict[str, str]]) -> dict[str, str]:
    """Name of the file that holds a log -> what the log is called."""
    return {Path(one["path"]).name: one["name"] for one in logs}


def _renamed(error: IdlewhyError, logs: list[dict[str, str]], folder: Path | None = None) -> IdlewhyError:
    """The error in words that mean something to the person who uploaded: no name of a file on the server."""
    made = type(error)(error.what) if not hasattr(error, "faults") else DefinitionError(error.what)
    texts = []
    for text in (error.what, error.where, error.mend):
        words = text
        for one in logs:
            words = words.replace(one["path"], one["name"]).replace(Path(one["path"]).name, one["name"])
        if folder is not None:
            words = words.replace(f"{folder}{os.sep}", "").replace(str(folder), PLATFORM)
        texts.append(words)
    made.what, made.where, made.mend = texts
    return made


def _written(definition: dict[str, str], work: Path) -> Path:
    """The folder of an uploaded platform; its files' names were checked by `idlewhy.web.platforms`."""
    import base64

    folder = work / PLATFORM
    folder.mkdir(exist_ok=True)
    for name, content in definition.items():
        (folder / name).write_bytes(base64.b64decode(content))
    return folder


Task = Callable[[dict[str, Any], Path, Any], dict[str, Any]]
TASKS: dict[str, Task] = {
    "look": look,
    "check": check,
    "propose": propose,
    "analysis": analyse,
    "comparison": compare,
    "fleet": fleet,
}
