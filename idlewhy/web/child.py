"""The process that reads a log: started by the server, confined before the first byte, answers in lines of JSON.

Its task stands on standard input as one JSON object; see `idlewhy.web.child_tasks`. Each line on standard output is an
object with one of the keys "progress", "result", "fault".
"""

from __future__ import annotations

import json
import os
import sys
import threading
import time
from pathlib import Path
from typing import Any

from idlewhy.web.confine import confine, die_with_parent

_BEAT_S = 0.25


class Voice:
    """Lines to the server; from two threads, one line at a time."""

    def __init__(self, handle: int) -> None:
        self._handle = handle
        self._lock = threading.Lock()

    def say(self, **line: Any) -> None:
        data = json.dumps(line, allow_nan=False).encode() + b"\n"
        with self._lock:
            os.write(self._handle, data)


class Watch:
    """What is known of the progress, told a few times a second. done, total: bytes of the logs."""

    def __init__(self, voice: Voice, logs: list[Path]) -> None:
        self._voice = voice
        self._paths = [os.path.realpath(path) for path in logs]
        self._sizes = [path.stat().st_size for path in logs]
        self.stage = "start"
        self.frames = 0
        self.log = 0
        self.is_reading = False
        self._last: dict[str, Any] = {}
        threading.Thread(target=self._run, daemon=True).start()

    def _run(self) -> None:
        while True:
            self.tell()
            time.sleep(_BEAT_S)

    def tell(self) -> None:
        """Say how far it is, if that has changed."""
        now = {"stage": self.stage, "done": self._done(), "total": sum(self._sizes), "frames": self.frames}
        if now != self._last:
            self._last = now
            self._voice.say(progress=now)

    def begin_log(self, number: int) -> None:
        """The logs before this one are read; its own frames have not come yet."""
        self.log, self.is_reading, self.stage = number, False, "read"

    def _done(self) -> int:
        """Bytes of the logs that are read, and of the one being read as far as its open file has been read."""
        if self.stage == "start":
            return 0
        if self.stage != "read":
            return sum(self._sizes)
        before = sum(self._sizes[: self.log])
        return before + (self._position() if self.is_reading and self.log < len(self._paths) else 0)

    def _position(self) -> int:
        furthest = 0
        try:
            for handle in Path("/proc/self/fd").iterdir():
                if str(handle.readlink()) == self._paths[self.log]:
                    words = Path(f"/proc/self/fdinfo/{handle.name}").read_bytes().split(None, 2)
                    furthest = max(furthest, int(words[1]))
        except (OSError, ValueError, IndexError):
            pass
        return min(furthest, self._sizes[self.log])


def main() -> None:
    """Read the task, confine, do it, answer."""
    die_with_parent()
    task: dict[str, Any] = json.loads(sys.stdin.buffer.read())
    voice = Voice(os.dup(1))
    os.dup2(2, 1)  # what a library prints is no answer
    work = Path(task["work"])
    os.chdir(work)
    logs = [Path(one["path"]) for one in task.get("logs", ())]
    confine(
        [*logs, *(Path(one) for one in task.get("reads", ()))],
        [work],
        memory_bytes=task["memory_bytes"],
        cpu_s=task["cpu_s"],
        file_bytes=task["file_bytes"],
    )
    watch = Watch(voice, logs)
    try:
        from idlewhy.web.child_tasks import TASKS

        result = TASKS[task["kind"]](task, work, watch)
    except MemoryError:
        voice.say(fault=_fault("limit", "The analysis needed more memory than it may have.", "Upload shorter logs."))
    except BaseException as error:  # noqa: BLE001  # whatever a hostile log does, the server gets one sentence
        voice.say(fault=_described(error))
    else:
        watch.stage = "done"
        watch.tell()
        voice.say(result=result)
    os._exit(0)  # no other thread and no library's exit hook has a say any more


def _described(error: BaseException) -> dict[str, str]:
    from signal_defs.errors import DefinitionError, IdlewhyError, LogError

    if isinstance(error, IdlewhyError):
        kind = "definition" if isinstance(error, DefinitionError) else "log" if isinstance(error, LogError) else "usage"
        return _fault(kind, error.what, error.mend, error.where)
    if os.environ.get("IDLEWHY_WEB_DEBUG"):
        import traceback

        traceback.print_exception(error)
    return _fault("defect", f"{type(error).__name__}: {error}"[:1000], "Please report this.")


def _fault(kind: str, what: str, mend: str, place: str = "") -> dict[str, str]:
    return {"kind": kind, "what": what, "mend": mend, "place": place}


if __name__ == "__main__":
    main()
