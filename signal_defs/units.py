"""How databases write units, and how one unit becomes another: to = from * scale + offset."""

from __future__ import annotations

from dataclasses import dataclass

# unit of a role: what databases write for it and for its relatives, each with scale and offset to the role's unit
_TABLE: dict[str, dict[str, tuple[float, float]]] = {
    unit: {name: (scale, offset) for scale, offset, names in rows for name in names.split("|")}
    for unit, rows in {
        "V": ((1, 0, "v|volt|volts"), (0.001, 0, "mv|millivolt"), (1000, 0, "kv")),
        "A": ((1, 0, "a|amp|amps|ampere"), (0.001, 0, "ma"), (1000, 0, "ka"), (1e-6, 0, "ua|µa")),
        "degC": (
            (1, 0, "degc|°c|c|cel|celsius|deg c|gradc|grad c"),
            (1, -273.15, "k|kelvin"),
            (5 / 9, -160 / 9, "degf|°f"),
        ),
        "%": ((1, 0, "%|percent|pct|prozent|per cent"),),
        "rpm": ((1, 0, "rpm|1/min|min-1|/min|u/min|r/min|rev/min|min^-1"), (60, 0, "1/s|hz")),
        "km/h": ((1, 0, "km/h|kmh|kph|km/hr"), (3.6, 0, "m/s"), (1.609344, 0, "mph")),
        "kPa": ((1, 0, "kpa"), (100, 0, "bar"), (0.1, 0, "mbar|hpa"), (0.001, 0, "pa"), (6.894757, 0, "psi")),
        "deg": (
            (1, 0, "deg|°|degree|degrees|grad|deg/s|°/s|deg/sec|degree/s"),
            (57.29577951308232, 0, "rad|rad/s"),
        ),
        "s": ((1, 0, "s|sec|second|seconds"), (0.001, 0, "ms"), (60, 0, "min"), (3600, 0, "h")),
    }.items()
}
_MEGA = {"MPa": ("kPa", 1000.0), "MPA": ("kPa", 1000.0)}


@dataclass(frozen=True, slots=True)
class Conversion:
    """to = from * scale + offset."""

    scale: float
    offset: float

    @property
    def is_none(self) -> bool:
        """Whether both units are the same."""
        return self.scale == 1.0 and self.offset == 0.0

    def __str__(self) -> str:
        return f"scale = {self.scale:.10g}" + (f", offset = {self.offset:.10g}" if self.offset else "")


def is_known_unit(written: str) -> bool:
    """Whether any role's unit is akin to this one."""
    return any(conversion(written, unit) for unit in _TABLE)


def conversion(written: str, unit: str) -> Conversion | None:
    """From a database's unit to a role's; None if they are not akin or not known."""
    mega = _MEGA.get(written.strip())
    if mega:
        return Conversion(mega[1], 0.0) if mega[0] == unit else None
    found = _TABLE.get(unit, {}).get(written.strip().lower())
    return Conversion(float(found[0]), float(found[1])) if found else None
