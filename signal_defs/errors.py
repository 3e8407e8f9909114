"""The one family of errors: what is wrong, where, how to mend it, and the exit code it means."""

from __future__ import annotations

from collections.abc import Sequence


class IdlewhyError(Exception):
    """A fault that a person can mend.

    what: one sentence. where: file, line or byte offset, frame or key; empty if there is none.
    mend: one sentence that says what to do; empty if there is nothing to do.
    `exit_code` is what the command ends with.
    """

    exit_code = 1

    def __init__(self, what: str, *, where: str = "", mend: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.where = where
        self.mend = mend

    def __str__(self) -> str:
        head = f"{self.where}: {self.what}" if self.where else self.what
        return f"{head}\nMend: {self.mend}" if self.mend else head


class UsageError(IdlewhyError):
    """The command or the API was called with arguments that do not fit together."""

    exit_code = 2


class LogError(IdlewhyError):
    """A log could not be read, or holds nothing usable."""

    exit_code = 3


class DefinitionError(IdlewhyError):
    """A platform folder or a database in it is wrong."""

    exit_code = 4


class DefinitionFaultsError(DefinitionError):
    """All that was found wrong in one definition, in the order of the file."""

    def __init__(self, faults: Sequence[DefinitionError]) -> None:
        super().__init__("\n".join(str(fault) for fault in faults))
        self.faults = tuple(faults)
