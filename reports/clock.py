"""Instants of a recording as people and programs read them: UTC where the log knows the date, else from its start."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from decoder.frames import Int64Array
from decoder.recording import Recording
from reports.language import Language

_DAY = {"en": "d MMM y", "de": "d. MMM y"}  # the month as a word: no reader takes it for the day
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Clock:
    """start_ns: first frame. absolute: the recording knows the date."""

    start_ns: int
    absolute: bool

    def seconds(self, at_ns: int) -> float:
        """Seconds from the first frame, to the millisecond."""
        return round((at_ns - self.start_ns) / 1e9, 3)

    def iso(self, at_ns: int) -> str | None:
        """ISO 8601 UTC with milliseconds; None where the recording knows no date."""
        if not self.absolute:
            return None
        moment = _EPOCH + timedelta(milliseconds=at_ns // 1_000_000)
        return moment.strftime("%Y-%m-%dT%H:%M:%S.") + f"{moment.microsecond // 1000:03d}Z"

    def words(self, at_ns: int, language: Language) -> str:
        """An instant for people: "3 Mar 2025, 14:02:11", or "1 d 02:03:04" from the start."""
        if not self.absolute:
            whole = max(0, (at_ns - self.start_ns) // 1_000_000_000)
            days, rest = divmod(whole, 86400)
            clock = f"{rest // 3600:02d}:{rest // 60 % 60:02d}:{rest % 60:02d}"
            return f"{days} d {clock}" if days else clock
        moment = _EPOCH + timedelta(seconds=at_ns // 1_000_000_000)
        return f"{self.day(at_ns, language)}, {moment:%H:%M:%S}"

    def day(self, at_ns: int, language: Language) -> str:
        """The date, "3 Mar 2025"; empty where the recording knows none."""
        if not self.absolute:
            return ""
        from babel.dates import format_date

        day = (_EPOCH + timedelta(seconds=at_ns // 1_000_000_000)).date()
        words: str = format_date(day, format=_DAY[language.code], locale=language.code)
        return words

    def axis(self, time_ns: Int64Array) -> np.ndarray[tuple[int, ...], np.dtype[np.datetime64]]:
        """Instants for a figure's time axis, to the millisecond; counted from 1970 where there is no date."""
        shown = time_ns if self.absolute else time_ns - self.start_ns
        return (shown // 1_000_000).astype("datetime64[ms]")

    def axis_title(self, language: Language) -> str:
        """What the time axis counts."""
        return language("Time [UTC]") if self.absolute else language("Time from the first frame [h:min:s]")


def clock_of(recording: Recording) -> Clock:
    """The clock of a recording."""
    return Clock(recording.start_ns, recording.absolute_time)
