"""The look of all pictures: colours (Okabe-Ito), and for each state a colour, a shape and a word."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from idle_stop.account import Standstill

# Okabe-Ito, told apart with every common kind of colour blindness; contrast on white in brackets.
BLUE = "#0072B2"  # 5.2
VERMILLION = "#D55E00"  # 3.9
GREEN = "#009E73"  # 3.4
PURPLE = "#CC79A7"  # 3.1
ORANGE = "#E69F00"  # fill only
GREY = "#76828E"  # 3.9 on white, 4.4 on the dark ground

# Stand-ins for the page's own ink: replaced by the colour of light or dark when the picture is shown.
INK = "#1B2630"
FAINT = "#D3D7DB"

FONT = "system-ui, -apple-system, 'Segoe UI', Roboto, 'DejaVu Sans', sans-serif"

State = Literal["stopped", "cut_short", "refused", "hidden", "not_sought"]


@dataclass(frozen=True, slots=True)
class Mark:
    """How a state shows: colour, plotly symbol, the same shape as a sign, and its word (a template)."""

    colour: str
    symbol: str
    sign: str
    word: str


STATES: dict[State, Mark] = {
    "refused": Mark(VERMILLION, "square", "■", "refused"),
    "hidden": Mark(VERMILLION, "square-open", "□", "refused, cause not visible"),
    "cut_short": Mark(PURPLE, "diamond", "◆", "ended early by the vehicle"),
    "stopped": Mark(GREEN, "circle", "●", "stopped"),
    "not_sought": Mark(GREY, "circle-open", "○", "no stop expected"),
}

# The most urgent first.
WEIGHTS: dict[str, Mark] = {
    "act": Mark(VERMILLION, "square", "■", "act"),
    "check": Mark(BLUE, "diamond", "◆", "check"),
    "note": Mark(GREY, "circle-open", "○", "note"),
}

# An answer without a finding that asks for anything.
URGENCIES: dict[str, Mark] = {
    "calm": Mark(GREEN, "circle", "●", "nothing to do"),
    "open": Mark(GREY, "circle-open", "○", "not decided"),
}

# How a vehicle stands in its fleet.
STANDINGS: dict[str, Mark] = {
    "attention": Mark(VERMILLION, "square", "■", "needs attention"),
    "in_order": Mark(GREEN, "circle", "●", "nothing stands out"),
    "too_little_data": Mark(GREY, "circle-open", "○", "too little data"),
}

ROLE_COLOURS: dict[str, str] = {
    "battery_voltage": BLUE,
    "battery_current": VERMILLION,
    "battery_temperature": PURPLE,
    "battery_soc": GREY,
    "engine_speed": INK,
    "vehicle_speed": GREEN,
}


def state_of(standstill: Standstill) -> State:
    """Its outcome; a refusal whose cause the recording does not show is a state of its own."""
    if standstill.outcome == "refused" and not standstill.reasons:
        return "hidden"
    return standstill.outcome


def role_colour(role: str) -> str:
    """The colour a role has on every page."""
    return ROLE_COLOURS.get(role, BLUE)
