"""From uploads to a recording in the queue."""

from __future__ import annotations

from collections.abc import Sequence

from idlewhy.web.identity import Caller
from idlewhy.web.jobs import Job
from idlewhy.web.names import vehicle_name
from idlewhy.web.office import Office
from idlewhy.web.problems import Problem


def make_recording(
    office: Office, caller: Caller, *, vehicle: str, platform: str, uploads: Sequence[str], language: str = "en"
) -> Job:
    """Queue the recording that these uploads make. A log named twice counts once.

    Raises Problem: no log, too many, one not here, an unknown platform, or a full queue; the uploads are kept then.
    """
    if not uploads:
        raise Problem("invalid", "No log was chosen.", "Choose at least one file of the vehicle.")
    if len(uploads) > office.settings.max_files:
        raise Problem("too-large", f"A recording may have {office.settings.max_files} logs.")
    reference = office.platforms.checked_reference(platform)
    logs: dict[str, str] = {}
    for one in uploads:
        upload = office.uploads.get(one, caller.name)
        if upload.state != "complete":
            if upload.bytes is None or office.uploads.offset(upload) != upload.bytes:
                raise Problem("conflict", f"{upload.name} has not arrived in full.", "Send the rest first.")
            upload = office.uploads.finish(upload.id)
        assert upload.sha256 is not None
        logs.setdefault(upload.sha256, upload.name)
    name = vehicle_name(vehicle) or next(iter(logs.values())).split(".")[0].strip() or "vehicle"
    job = office.jobs.add_recording(caller.name, name, reference, list(logs.items()), language)
    office.nudge()
    return job


def checked_language(text: str) -> str:
    """A language that reports are written in."""
    if text not in {"en", "de"}:
        raise Problem("invalid", "Reports are written in English (en) or German (de).")
    return text
