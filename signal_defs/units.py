"""How databases write units, and how one unit becomes another: to = from * scale + offset."""

from __future__ import annotations

from dataclasses import dataclass

# unit of a role: what databases write for it and for its relatives, each with scale and offset to the role's unit
_TABLE: dict[str, dict[str, tuple[float, float]]] = {
    "V": {"v": (1, 0), "volt": (1, 0), "volts": (1, 0), "mv": (0.001, 0), "kv": (1000, 0), "millivolt": (0.001, 0)},
    "A": {
        "a": (1, 0),
        "amp": (1, 0),
        "amps": (1, 0),
        "ampere": (1, 0),
        "ma": (0.001, 0),
        "ka": (1000, 0),
        "ua": (1e-6, 0),
        "µa": (1e-6, 0),
    },
    "degC": {
        "degc": (1, 0),
        "°c": (1, 0),
        "c": (1, 0),
        "cel": (1, 0),
        "celsius": (1, 0),
        "deg c": (1, 0),
        "gradc": (1, 0),
        "grad c": (1, 0),
        "k": (1, -273.15),
        "kelvin": (1, -273.15),
        "degf": (5 / 9, -160 / 9),
        "°f": (5 / 9, -160 / 9),
    },
    "%": {"%": (1, 0), "percent": (1, 0), "pct": (1, 0), "prozent": (1, 0), "per cent": (1, 0)},
    "rpm": {
        "rpm": (1, 0),
        "1/min": (1, 0),
        "min-1": (1, 0),
        "/min": (1, 0),
        "u/min": (1, 0),
        "r/min": (1, 0),
        "rev/min": (1, 0),
        "min^-1": (1, 0),
        "1/s": (60, 0),
        "hz": (60, 0),
    },
    "km/h": {"km/h": (1, 0), "kmh": (1, 0), "kph": (1, 0), "km/hr": (1, 0), "m/s": (3.6, 0), "mph": (1.609344, 0)},
    "kPa": {
        "kpa": (1, 0),
        "bar": (100, 0),
        "mbar": (0.1, 0),
        "hpa": (0.1, 0),
        "pa": (0.001, 0),
        "psi": (6.894757, 0),
    },
    "deg": {
        "deg": (1, 0),
        "°": (1, 0),
        "degree": (1, 0),
        "degrees": (1, 0),
        "grad": (1, 0),
        "rad": (57.29577951308232, 0),
        "deg/s": (1, 0),
        "°/s": (1, 0),
        "deg/sec": (1, 0),
        "degree/s": (1, 0),
        "rad/s": (57.29577951308232, 0),
    },
    "s": {
        "s": (1, 0),
        "sec": (1, 0),
        "second": (1, 0),
        "seconds": (1, 0),
        "ms": (0.001, 0),
        "min": (60, 0),
        "h": (3600, 0),
    },
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
