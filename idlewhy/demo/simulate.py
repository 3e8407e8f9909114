"""One vehicle through its nights and trips: battery, engine, driver and idle-stop controller, step by step."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from idlewhy.demo.battery_model import POLARISATION, Battery, BatteryMake, ohmic_resistance, rested_voltage
from idlewhy.demo.controller import TIME_LIMIT, Controller, unseen
from idlewhy.demo.electric_loads import Generator, Loads, Starter, split_current
from idlewhy.demo.samples import Mode, Recorder, Samples
from idlewhy.demo.surroundings import USUAL, Warmth, engine_rpm
from idlewhy.demo.trip import TICK_S, Driving, Trip, Value, drive
from idlewhy.demo.truth import TrueStandstill, TrueStart
from signal_defs.platform import IdleStopRules

_REFERENCE_CRANK_A = 600.0  # the crank that the battery sensor predicts for
_CRANK_STEP_S = 0.01
_PARK_STEP_S = 10.0
_FAST_AFTER_S = 3.0
_REACTION_TICKS = 2

_MOVING = (
    *("battery_voltage", "battery_current", "battery_temperature", "battery_soc", "battery_crank_min_voltage"),
    *("board_voltage", "alternator_voltage", "alternator_setpoint", "alternator_current", "alternator_load"),
    *("ignition_on", "engine_speed", "engine_running", "starter_active", "vehicle_speed", "coolant_temperature"),
    *("oil_temperature", "cabin_temperature", "brake_vacuum", "brake_pressed", "clutch_pressed", "accelerator"),
    *("gear_neutral", "gear", "idle_stop_active"),
)


@dataclass(frozen=True, slots=True)
class Park:
    """Ignition off for so many hours at an air temperature [degC]."""

    hours: float
    ambient: float


@dataclass(frozen=True, slots=True)
class Vehicle:
    """What a vehicle is. rules: its platform's. soc_bias: what its sensor adds to the true charge [%].

    soc_shown: None, or the default charge an unlearned sensor counts from [%]. values: role -> value throughout.
    hidden: messages that the logger does not see.
    """

    make: BatteryMake
    share: float
    celsius: float
    rules: IdleStopRules
    starter: Starter
    loads: Loads = field(default_factory=Loads)
    generator: Generator = field(default_factory=Generator)
    soc_bias: float = 0.5
    soc_shown: float | None = None
    believed_resistance: float | None = None
    values: Mapping[str, Value] = field(default_factory=dict)
    hidden: frozenset[str] = frozenset()


@dataclass(slots=True)
class Simulation:
    """A vehicle on its way through time. Run `live`, then take `samples`, `standstills` and `starts`."""

    vehicle: Vehicle
    now_ns: int
    carried: frozenset[str]
    standstills: list[TrueStandstill] = field(default_factory=list)
    starts: list[TrueStart] = field(default_factory=list)
    engine: str = "off"
    ambient: float = 10.0
    _set_v: float = 12.6
    _since_start_s: float = 0.0
    _standing_since: int | None = None
    _cut_short: tuple[str, ...] | None = None
    _held: dict[str, Value] = field(default_factory=dict)
    battery: Battery = field(init=False)
    _values: dict[str, Value] = field(init=False)
    _controller: Controller = field(init=False)
    _warmth: Warmth = field(init=False)
    _recorder: Recorder = field(init=False)
    _start_share: float = field(init=False)

    def __post_init__(self) -> None:
        vehicle = self.vehicle
        self.battery = Battery(vehicle.make, vehicle.share, vehicle.celsius)
        self._start_share = vehicle.share
        self._controller = Controller(vehicle.rules)
        self._warmth = Warmth(vehicle.celsius, vehicle.celsius, vehicle.celsius)
        self._recorder = Recorder(_MOVING)
        self._values = {}
        for role, value in {
            **USUAL,
            "ambient_temperature": self.ambient,
            **vehicle.values,
            **dict.fromkeys(_MOVING, 0.0),
            "gear": "Neutral",
        }.items():
            self._set(role, value)

    def live(self, plan: tuple[Park | Trip, ...]) -> Samples:
        """Go through a plan, from where the last one ended, and give its rows."""
        self._recorder = Recorder(_MOVING)
        for role, value in self._values.items():
            self._set(role, value)
        for part in plan:
            if isinstance(part, Park):
                self._park(part)
            else:
                self._trip(part)
        return self._recorder.samples(self.now_ns)

    def _set(self, role: str, value: Value) -> None:
        self._values[role] = value
        if role not in _MOVING:
            self._recorder.set(role, value)

    def _record(self, mode: Mode, current: float, voltage: float, generator: float) -> None:
        values, battery = self._values, self.battery
        values["battery_current"], values["battery_voltage"] = current, voltage
        values["battery_temperature"] = battery.celsius
        values["battery_soc"] = self._shown_charge()
        values["battery_crank_min_voltage"] = self._predicted_crank()
        values["board_voltage"] = voltage + (0.12 if generator > 0.0 else -0.08)
        values["alternator_voltage"] = voltage + 0.2 * (generator > 0.0)
        values["alternator_setpoint"] = max(self._set_v, 10.6)
        values["alternator_current"] = generator
        values["alternator_load"] = 100.0 * generator / self.vehicle.generator.rated_a
        values["coolant_temperature"], values["oil_temperature"] = self._warmth.coolant, self._warmth.oil
        values["cabin_temperature"] = self._warmth.cabin
        values["idle_stop_active"] = self.engine == "idle_stop"
        values["engine_running"], values["starter_active"] = self.engine == "running", self.engine == "cranking"
        self._recorder.row(self.now_ns, mode, battery.share, values)

    def _shown_charge(self) -> float:
        vehicle, share = self.vehicle, self.battery.share
        if vehicle.soc_shown is not None:
            moved = (share - self._start_share) * vehicle.make.capacity_ah / vehicle.make.nominal_ah
            return vehicle.soc_shown + 100.0 * moved
        return min(100.0, 100.0 * share + vehicle.soc_bias)

    def _predicted_crank(self) -> float:
        """The sensor's own forecast: a motor of 600 A at 12.5 V on the rested battery, polarisation taken as 40 %."""
        make = self.vehicle.make
        if self.vehicle.believed_resistance is not None:
            make = replace(make, resistance_ohm=self.vehicle.believed_resistance)
        resistance = (1.0 + POLARISATION) * ohmic_resistance(make, self.battery.share, self.battery.celsius)
        return rested_voltage(make, self.battery.share, self.battery.celsius) / (
            1.0 + _REFERENCE_CRANK_A * resistance / 12.5
        )

    def _step(self, seconds: float, current: float) -> None:
        self.battery.step(current, seconds, self.ambient)
        self.now_ns += round(seconds * 1e9)

    def _park(self, park: Park) -> None:
        self.ambient = park.ambient
        self._set("ambient_temperature", park.ambient)
        self._values.update(dict.fromkeys(("ignition_on", "engine_speed", "vehicle_speed", "accelerator"), 0.0))
        self._values.update({"brake_pressed": False, "clutch_pressed": False, "gear_neutral": False, "gear": "First"})
        self.engine = "off"
        for tick in range(round(park.hours * 3600.0 / _PARK_STEP_S)):
            seconds = tick * _PARK_STEP_S
            loads = self.vehicle.loads
            current = -loads.parked(seconds)
            awake = seconds < loads.awake_s
            mode = Mode.AWAKE if awake else Mode.WOKEN if loads.is_woken(seconds) else Mode.ASLEEP
            self._record(mode, current, self.battery.voltage(current), 0.0)
            self._step(_PARK_STEP_S, current)
            self._warmth.step(_PARK_STEP_S, park.ambient, 21.0, engine_on=False)

    def _trip(self, trip: Trip) -> None:
        driving = drive(trip)
        for role, value in trip.values.items():
            self._set(role, value)
        self._values["ignition_on"] = True
        self._controller.engine_started()
        changes = sorted(driving.overrides)
        usual = dict(self._values)
        for tick in range(len(driving)):
            for first, last, role, value in changes:
                if tick == first:
                    self._set(role, value)
                    self._held[role] = value
                elif tick == last:
                    self._set(role, usual[role])
                    self._held.pop(role, None)
            self._driver(driving, tick)
            self._watch_standstill()
            self._obey(driving, tick)
            self._tick(driving, tick)
        self._close_standstill()
        self._values["ignition_on"] = False
        self.engine = "off"

    def _driver(self, driving: Driving, tick: int) -> None:
        values = self._values
        values["vehicle_speed"] = float(driving.speed[tick])
        values["brake_pressed"], values["clutch_pressed"] = bool(driving.brake[tick]), bool(driving.clutch[tick])
        values["gear_neutral"] = bool(driving.neutral[tick])
        values["gear"] = "Neutral" if driving.neutral[tick] else "First" if driving.speed[tick] < 15.0 else "Third"
        values["accelerator"] = float(driving.accelerator[tick])
        values["brake_vacuum"] = 68.0
        values["engine_speed"] = engine_rpm(float(driving.speed[tick])) if self.engine == "running" else 0.0
        values.update(self._held)

    def _watch_standstill(self) -> None:
        standing = float(self._values["vehicle_speed"]) <= self.vehicle.rules.standing_kmh
        if standing and self._standing_since is None:
            self._standing_since = self.now_ns
        elif not standing:
            self._close_standstill()

    def _close_standstill(self) -> None:
        if self._standing_since is None:
            return
        start, decided = self._standing_since, self._controller.decided
        reasons = self._controller.failing if decided == "refused" else self._cut_short or ()
        outcome = "cut_short" if self._cut_short is not None else decided or "not_sought"
        stopped = decided == "stopped"
        roles = {condition.name: condition.role for condition in self.vehicle.rules.conditions}
        # A sensor that calls its own charge not plausible tells nothing of it.
        told = self.carried if self._values["battery_soc_plausible"] else self.carried - {"battery_soc"}
        unknown: tuple[str, ...] = ()
        if outcome != "not_sought":
            unknown = unseen(self.vehicle.rules.conditions, told, going_on=outcome == "cut_short")
        self.standstills.append(
            TrueStandstill(
                start,
                start + round(self.vehicle.rules.stop_delay_s * 1e9),
                self.now_ns,
                outcome,
                "system" if outcome == "cut_short" else "driver" if stopped else "unknown",
                tuple(name for name in reasons if name == TIME_LIMIT or roles[name] in told),
                unknown,
            )
        )
        self._standing_since, self._cut_short = None, None

    def _obey(self, driving: Driving, tick: int) -> None:
        go = bool(driving.clutch[max(tick - _REACTION_TICKS, 0)])
        order = self._controller.tick(self._values, self.engine, go)
        if order == "stop":
            self.engine = "idle_stop"
        elif order == "restart_system":
            self._cut_short = self._controller.failing
        if order in {"restart_driver", "restart_system"} or tick == driving.key_tick:
            self.engine = "cranking"
            self._crank("first" if tick == driving.key_tick else "restart")

    def _crank(self, kind: str) -> None:
        """The whole crank at once, in steps of 10 ms; the driver's and the controller's time stands meanwhile."""
        battery, starter = self.battery, self.vehicle.starter
        began, seconds = self.now_ns, 0.0
        lowest, peak = 99.0, 0.0
        length = round(starter.crank_seconds(self._warmth.coolant), 1)
        self._values["engine_speed"] = 250.0
        while seconds < length - 1e-9:
            current = starter.current(seconds, self._warmth.coolant, battery.inner_voltage(), battery.resistance())
            current -= 10.0
            voltage = battery.voltage(current)
            lowest, peak = min(lowest, voltage), min(peak, current)
            self._record(Mode.FAST, current, voltage, 0.0)
            self._step(_CRANK_STEP_S, current)
            seconds += _CRANK_STEP_S
        self.engine = "running"
        self.starts.append(TrueStart(began, self.now_ns, "first" if kind == "first" else "restart", lowest, peak))
        self._controller.engine_started()
        self._since_start_s, self._set_v = 0.0, self.battery.voltage(-20.0)
        self._values["engine_speed"] = 780.0

    def _tick(self, driving: Driving, tick: int) -> None:
        vehicle, battery = self.vehicle, self.battery
        running = self.engine == "running"
        load = vehicle.loads.running if running else vehicle.loads.stopped if self.engine == "idle_stop" else 12.0
        current, generator = -load, 0.0
        if running:
            self._since_start_s += TICK_S
            wanted = vehicle.generator.setpoint(
                battery.share, battery.celsius, bool(driving.slowing[tick]), bool(driving.speed[tick] < 5.0)
            )
            self._set_v += 0.2 * (wanted - self._set_v)
            limit = vehicle.generator.limit(float(self._values["engine_speed"]))
            current, generator = split_current(self._set_v, battery.inner_voltage(), battery.resistance(), load, limit)
        fast = not running or self._since_start_s < _FAST_AFTER_S
        self._record(Mode.FAST if fast else Mode.RUNNING, current, battery.voltage(current), generator)
        self._step(TICK_S, current)
        self._warmth.step(TICK_S, self.ambient, float(self._values["cabin_target_temperature"]), engine_on=running)
