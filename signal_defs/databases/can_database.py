"""DBC, KCD, SYM and ARXML, read by cantools and turned into layouts."""

from __future__ import annotations

from typing import Any

from signal_defs.databases.cantools_part import cantools_database
from signal_defs.databases.extended_multiplexing import narrow, widen
from signal_defs.databases.giants import refuse_giants
from signal_defs.databases.invalid import Range, invalid_by_j1939, invalid_by_name, merge_ranges
from signal_defs.errors import DefinitionError
from signal_defs.layout import MessageLayout, Multiplexed, SignalLayout

FORMATS = {".dbc": "dbc", ".kcd": "kcd", ".sym": "sym", ".arxml": "arxml"}
MAX_SIGNAL_BITS = 64


def read_can_database(text: str, suffix: str, where: str) -> tuple[MessageLayout, ...]:
    """Every message of a CAN database, in the database's order.

    suffix: one of FORMATS. where: what errors call the file. Raises DefinitionError if cantools cannot read it.
    """
    import logging
    import warnings

    # cantools logs what it mends by itself, like a second message of one name; `check_platform` tells that.
    logging.getLogger("cantools").addHandler(logging.NullHandler())
    refuse_giants(text, suffix, where)
    text, wide = narrow(text) if suffix == ".dbc" else (text, {})
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            database: Any = cantools_database().load_string(text, database_format=FORMATS[suffix], strict=False)
    except Exception as error:
        raise DefinitionError(
            f"not a readable {suffix[1:].upper()} database: {_short(error)}",
            where=where,
            mend="Open it in a database editor, correct what is named here, and save it again.",
        ) from error
    if not hasattr(database, "messages"):
        raise DefinitionError(
            "holds diagnostics, no messages", where=where, mend="Name the database of the bus traffic instead."
        )
    is_j1939 = _says_j1939(database)
    return widen([_message(message, is_j1939=is_j1939) for message in database.messages], wide)


def _says_j1939(database: Any) -> bool:
    """Whether a DBC as a whole says so; single messages may say it as well."""
    attributes = getattr(database.dbc, "attributes", None) or {}
    return any(
        name in attributes and str(attributes[name].value).upper() == "J1939" for name in ("ProtocolType", "BusType")
    )


def _message(message: Any, *, is_j1939: bool) -> MessageLayout:
    j1939 = message.is_extended_frame and (is_j1939 or message.protocol == "j1939")
    cycle = message.cycle_time
    return MessageLayout(
        name=message.name,
        identifier=message.frame_id,
        length=message.length,
        signals=tuple(_signal(signal, j1939=j1939) for signal in message.signals),
        extended=message.is_extended_frame,
        is_fd=bool(message.is_fd),
        match="pgn" if j1939 else "exact",
        cycle_s=cycle / 1000.0 if isinstance(cycle, int | float) and cycle > 0 else None,
        comment=message.comment or "",
    )


def _signal(signal: Any, *, j1939: bool) -> SignalLayout:
    choices = {int(raw): str(name) for raw, name in (signal.choices or {}).items()}
    return SignalLayout(
        name=signal.name,
        start=signal.start,
        length=signal.length,
        byte_order="little" if signal.byte_order == "little_endian" else "big",
        signed=signal.is_signed,
        is_float=signal.is_float,
        scale=float(signal.scale),
        offset=float(signal.offset),
        unit=signal.unit or "",
        minimum=_optional(signal.minimum),
        maximum=_optional(signal.maximum),
        choices=choices,
        invalid=_invalid(signal, choices, j1939=j1939),
        multiplexed=_multiplexed(signal),
        is_multiplexer=signal.is_multiplexer,
        is_bytes=signal.length > MAX_SIGNAL_BITS,
        comment=signal.comment or "",
    )


def _invalid(signal: Any, choices: dict[int, str], *, j1939: bool) -> tuple[Range, ...]:
    if signal.is_float:
        return ()
    named = invalid_by_name(choices, signal.length)
    if j1939 and not signal.is_signed and not signal.is_multiplexer:
        return merge_ranges((*named, *invalid_by_j1939(signal.length, choices)))
    return named


def _multiplexed(signal: Any) -> Multiplexed | None:
    if not signal.multiplexer_ids:
        return None
    return Multiplexed(signal.multiplexer_signal, merge_ranges((value, value) for value in signal.multiplexer_ids))


def _optional(value: Any) -> float | None:
    return None if value is None else float(value)


def _short(error: Exception) -> str:
    text = " ".join(str(error).split()) or type(error).__name__
    return text if len(text) <= 200 else text[:197] + "..."
