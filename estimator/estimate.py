"""What the estimator gives: figures with their bands, charge over time, starts, rests and drives."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from decoder.frames import FloatArray, Int64Array
from signal_defs.text import Text

PhaseKind = Literal["parked", "awake", "cranking", "running", "idle_stop", "unknown"]
StartKind = Literal["first", "restart"]

LEFT_ON_A, LEFT_ON_S = 3.0, 600.0  # more than this for longer: lamps or ignition left on, not units awake. Ours


@dataclass(frozen=True, slots=True)
class Figure:
    """A value with its 95 % band, or the sentence that says why there is none (then all three are NaN)."""

    value: float
    low: float
    high: float
    unknown: Text | None = None

    @property
    def is_known(self) -> bool:
        return math.isfinite(self.value)


def unknown_figure(why: Text) -> Figure:
    """A figure that the data cannot give, and why."""
    return Figure(math.nan, math.nan, math.nan, why)


NO_SOC = unknown_figure(Text("The sensor reports no state of charge."))
NO_SOH = unknown_figure(Text("The sensor reports no state of health."))
TOO_STILL = unknown_figure(Text("The sensor's charge moved too little to judge its capacity."))
NO_BOARD = unknown_figure(Text("There is no second voltage beside the sensor's."))
NO_FULL_REST = unknown_figure(Text("No rest followed a full charge."))
NO_ACCEPTANCE = unknown_figure(Text("Charge acceptance was not estimated."))
NO_LIMIT_DAYS = unknown_figure(Text("Days to the idle-stop threshold were not estimated."))
NO_START_DAYS = unknown_figure(Text("Days to an unsure start were not estimated."))
NO_HIDDEN_BAND = unknown_figure(Text("The charge's own band holds."))
NO_LOAD_STEPS = unknown_figure(Text("Resistance was not looked for in steps of the load."))


@dataclass(frozen=True, slots=True)
class Phase:
    """A stretch of the recording in one state. "awake": engine off, not resting, no idle-stop."""

    kind: PhaseKind
    start_ns: int
    end_ns: int

    @property
    def seconds(self) -> float:
        return (self.end_ns - self.start_ns) / 1e9


@dataclass(frozen=True, slots=True)
class Start:
    """One crank. min_v: lowest voltage *observed* [V]; peak_a: largest current drawn, negative [A].

    crank_s: starter on to starter off; to_idle_s: starter on to engine running; NaN where the data cannot tell.
    resistance_mohm: normalised to 25 degC and to charge as `method` says. board_min_v: second voltage source.
    resolved: False where the sampling is too slow to see the crank (then min_v and resistance are bounds).
    """

    start_ns: int
    end_ns: int
    kind: StartKind
    min_v: float
    peak_a: float
    crank_s: float
    to_idle_s: float
    resistance_mohm: Figure
    temperature_c: float
    soc: float = math.nan
    before_v: float = math.nan
    board_min_v: float = math.nan
    method: str = ""
    resolved: bool = True
    before_a: float = math.nan


@dataclass(frozen=True, slots=True)
class WakeUp:
    """A stretch of a rest in which the vehicle drew more than asleep. charge_ah: drawn beyond the sleep level, >= 0."""

    start_ns: int
    end_ns: int
    charge_ah: float

    @property
    def left_on(self) -> bool:
        """Something left on by somebody: it says nothing of a vehicle that is left alone."""
        seconds = (self.end_ns - self.start_ns) / 1e9
        return seconds > LEFT_ON_S and self.charge_ah * 3600.0 / seconds > LEFT_ON_A


@dataclass(frozen=True, slots=True)
class Rest:
    """Parked long enough that voltage tells of charge.

    end_v: voltage at its end [V]. mean_ma: time-weighted mean current while parked (drawn is negative).
    asleep_ma: the same without wake-ups, once asleep. settled: how far the voltage has relaxed: "settled" is a point,
    "upper" (surface charge) and "lower" (after discharge) are bounds.
    """

    start_ns: int
    end_ns: int
    end_v: float
    mean_ma: float
    soc_from_ocv: Figure
    temperature_c: float = math.nan
    asleep_ma: float = math.nan
    settled: Literal["settled", "upper", "lower", "unknown"] = "unknown"
    wake_ups: tuple[WakeUp, ...] = ()


@dataclass(frozen=True, slots=True)
class Drive:
    """From the first crank to engine off. charged_ah, discharged_ah: magnitudes, offset removed [Ah].

    coverage: share of the time with current samples, 0 to 1. max_v: highest voltage held for 10 s [V].
    """

    start_ns: int
    end_ns: int
    charged_ah: float
    discharged_ah: float
    max_v: float
    coverage: float
    distance_km: float = math.nan


@dataclass(frozen=True, slots=True)
class AcceptanceAt:
    """What a charge acceptance was seen at, medians over its drives: [V], charge [%], [degC]."""

    voltage: float
    soc: float
    temperature_c: float
    drives: int


@dataclass(frozen=True, slots=True)
class SocStep:
    """The sensor's own charge jumped beyond the charge moved. before, after: [%]."""

    time_ns: int
    before: float
    after: float


@dataclass(frozen=True, slots=True)
class SensorJudgement:
    """The battery sensor held against the estimate; None or unknown where the data cannot tell.

    sign_wrong: cranks read as charging. inverted_cranks: how many did. soc_difference: the sensor's state of charge
    minus the estimate, mean over time and 95 % of the times [points]. soc_constant: it never moved although the charge
    did; soc_constant_value: at what [%]. soc_steps: its jumps. soh_difference: its state of health minus the
    estimate's [points]. reset_seen, reset_ns: the sensor said that it lost its supply. implausible_share: share of the
    time in which it called its own charge implausible. coded_capacity_percent: what is coded into it, of the rated.
    counted_capacity_ah: capacity by which its own state of charge moves with the charge counted [Ah].
    board_resistance_mohm: between the battery's and the control module's voltage, with current [mOhm].
    ocv_at_full_soc: charge that the voltage after a full charge claims [%]; low with a faded or sulphated battery.
    """

    sign_wrong: bool | None = None
    inverted_cranks: int = 0
    soc_difference: Figure = NO_SOC
    soc_constant: bool | None = None
    soc_constant_value: float = math.nan
    soc_steps: tuple[SocStep, ...] = ()
    soh_difference: Figure = NO_SOH
    reset_seen: bool | None = None
    reset_ns: int | None = None
    implausible_share: float = math.nan
    coded_capacity_percent: float = math.nan
    counted_capacity_ah: Figure = TOO_STILL
    board_resistance_mohm: Figure = NO_BOARD
    ocv_at_full_soc: Figure = NO_FULL_REST


@dataclass(frozen=True, slots=True)
class Fade:
    """Fade that open-circuit voltage does not show by itself: acid bound in sulphate, plates lost and their acid kept.

    state: "seen" where the recording shows how much (charge and capacity then hold it), "likely" where something speaks
    for it (bands are wide below), "possible" where nothing does and nothing excludes it, "excluded" where nearly all
    was drawn. acid_capacity_ah: what the acid would give. proved_ah: what the recording saw the battery hold [Ah].
    charge_end: the charge at the end with a band that allows for such fade [%].
    """

    state: Literal["seen", "likely", "possible", "excluded"]
    acid_capacity_ah: Figure
    proved_ah: float
    evidence: tuple[Text, ...] = ()
    charge_end: Figure = NO_HIDDEN_BAND


@dataclass(frozen=True, slots=True)
class BatteryChange:
    """A moment between two stretches that look like two batteries. evidence: what stepped."""

    time_ns: int
    evidence: tuple[Text, ...]


@dataclass(frozen=True, slots=True, eq=False)
class BatteryEstimate:
    """The battery over one recording.

    time_ns, soc, soc_low, soc_high: (n,) [ns, %, %, %], at most one row a second, rising, NaN where unknown.
    capacity_ah .. next_crank_min_v: figures with bands. charged_ah, discharged_ah: magnitudes over the recording [Ah].
    current_offset_a: what the sensor adds to the true current. coverage: share of time with current samples.
    phases cover the recording without overlap. unknown: sentences on what could not be told.
    load_step_resistance_mohm: ohmic part only, from steps of the load, not normalised.
    fade: what open-circuit voltage does not show; None where nothing was estimated.
    battery_changes: where one battery follows another; figures are then of the last.
    """

    time_ns: Int64Array
    soc: FloatArray
    soc_low: FloatArray
    soc_high: FloatArray
    phases: tuple[Phase, ...]
    starts: tuple[Start, ...]
    rests: tuple[Rest, ...]
    drives: tuple[Drive, ...]
    soc_start: Figure
    soc_end: Figure
    soc_min: Figure
    capacity_ah: Figure
    soh_percent: Figure
    resistance_mohm: Figure
    current_offset_a: Figure
    quiescent_ma: Figure
    next_crank_min_v: Figure
    charged_ah: float
    discharged_ah: float
    coverage: float
    charge_acceptance_a_per_ah: Figure = NO_ACCEPTANCE
    charge_acceptance_at: AcceptanceAt | None = None
    days_to_idle_stop_limit: Figure = NO_LIMIT_DAYS
    days_to_no_start: Figure = NO_START_DAYS
    next_crank_temperature_c: float = math.nan
    unknown: tuple[Text, ...] = ()
    sensor: SensorJudgement | None = None
    full_charges_ns: tuple[int, ...] = ()
    battery_changes: tuple[BatteryChange, ...] = ()
    load_step_resistance_mohm: Figure = NO_LOAD_STEPS
    fade: Fade | None = None
