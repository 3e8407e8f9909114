"""The date of an ASC log: weekday, month, day, time and year, in English or German, with a clock of 12 or 24 hours."""

from __future__ import annotations

import re
from datetime import UTC, datetime

_DATE = re.compile(
    r"(?:[^\W\d]+\.?\s+)?(?P<month>[^\W\d]+)\.?\s+(?P<day>\d{1,2})\.?\s+"
    r"(?P<hour>\d{1,2}):(?P<minute>\d{2}):(?P<second>\d{2})(?:[.,:](?P<fraction>\d{1,9}))?"
    r"(?:\s*(?P<half>am|pm|vorm\.|nachm\.))?\s+(?P<year>\d{4})",
    re.IGNORECASE,
)
_MONTHS = {
    "jan": 1, "jän": 1, "feb": 2, "mar": 3, "mär": 3, "mrz": 3, "apr": 4, "may": 5, "mai": 5, "jun": 6, "jul": 7,
    "aug": 8, "sep": 9, "oct": 10, "okt": 10, "nov": 11, "dec": 12, "dez": 12,
}  # fmt: skip


def parse_date(text: str) -> int | None:
    """Nanoseconds since 1970 of such a date, read as UTC; None if it cannot be read.

    Months are told by their first three letters, so that full names ("September") and German ones are understood.
    """
    match = _DATE.fullmatch(text.strip())
    if match is None:
        return None
    month = _MONTHS.get(match["month"].lower()[:3])
    hour = int(match["hour"])
    half = (match["half"] or "").lower()
    if half:
        if not 1 <= hour <= 12:
            # Some loggers write 24 hours and the half of the day beside it; the hour is then clear without it.
            half = ""
        elif half in {"pm", "nachm."}:
            hour = hour % 12 + 12
        else:
            hour %= 12
    if month is None:
        return None
    try:
        moment = datetime(
            int(match["year"]), month, int(match["day"]), hour, int(match["minute"]), int(match["second"]), tzinfo=UTC
        )
    except ValueError:
        return None
    return int(moment.timestamp()) * 10**9 + int((match["fraction"] or "").ljust(9, "0"))
