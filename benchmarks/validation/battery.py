"""A battery in time: the cell stepped under a current or a regulated voltage, with what the cell model leaves out.

Outside the porous electrodes stand: gassing beside the main reaction (self-discharge too), a slow relaxation, the
metal's resistance, the open-circuit voltage's coefficient of temperature. Steps are linearly implicit (Euler), so any
length is stable; charge is kept exactly.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from benchmarks.validation.cell import STOCK_PLATES, Cell, Chemistry, build_cell
from benchmarks.validation.truth import BatteryKind
from decoder.frames import FloatArray

END_V = 10.5
RATE_H = 20.0
KINETIC_K, TRANSPORT_K = 3600.0, 1700.0  # activation energies over the gas constant [K]; 30 and 14 kJ/mol, typical
OCV_V_PER_K = 1.3e-3  # at 5 mol/kg about +0.22 mV/K and cell, from memory
METAL_PER_K = 0.004
HIGHEST_V = 15.5
JUMP_V = 0.03
SHORTEST_S = 1e-4


@dataclass(frozen=True, slots=True)
class Design:
    """A battery. rated: [Ah]. grown: present capacity of the plates built in, as a share of rated.

    metal: series resistance at 25 degC times rated capacity [Ohm Ah]. gas: gassing at 14.4 V and 25 degC over rated
    [A/Ah]; gas_v: volts for a factor e. slow_v: slow overvoltage after charge and after discharge [V]; slow_s: its
    time constant at rest [s].
    """

    kind: BatteryKind
    rated: float
    chemistry: Chemistry = field(default_factory=Chemistry)
    grown: float = 1.0
    metal: float = 0.05
    gas: float = 0.0006
    gas_v: float = 0.55
    slow_v: tuple[float, float] = (0.03, 0.015)
    slow_s: float = 3600.0


@dataclass(slots=True)
class Battery:
    """A design, its cell and its state. taken_ah: discharged from full. plates: plate pairs in parallel."""

    design: Design
    cell: Cell
    plates: float
    state: FloatArray = field(default_factory=lambda: np.zeros(0))
    taken_ah: float = 0.0
    slow: float = 0.0
    voltage: float = 12.8
    current: float = 0.0
    mean: float = 0.0
    temperature: float = 25.0

    def __post_init__(self) -> None:
        if not len(self.state):
            self.state = self.cell.full.copy()

    def step(self, seconds: float, current: float, limit_v: float = HIGHEST_V, least: float = 0.0) -> None:
        """Go on under a current [A]. A charging one is lowered, down to least, where the voltage would pass limit_v.

        A step in which a surface potential would move by more than JUMP_V is taken in smaller ones. `voltage` is that
        at the end, `current` the mean over the whole.
        """
        left, part, moved_as = seconds, seconds, 0.0
        while left > 1e-9:
            part = min(part, left)
            if self._try(part, current, limit_v, min(least, current)):
                left -= part
                moved_as += self.current * part
                part *= 2.0
            else:
                part *= 0.3
        self.taken_ah -= moved_as / 3600.0
        self.mean = moved_as / seconds

    def _try(self, seconds: float, current: float, limit_v: float, least: float) -> bool:
        kelvin = 1.0 / (self.temperature + 273.15) - 1.0 / 298.15
        factors = (float(np.exp(-KINETIC_K * kelvin)), float(np.exp(-TRANSPORT_K * kelvin)))
        scale, metal, gas = STOCK_PLATES / self.plates, self._metal(), self._gassing()
        rate, by_state, by_current, volts, v_state, v_current = self.cell.at(
            self.state, (self.current - gas) * scale, *factors
        )
        matrix = np.eye(len(self.state)) / seconds - by_state
        moved = np.linalg.solve(matrix, np.hstack((rate, by_current)))
        slope = float(v_current[0, 0] + v_state[0] @ moved[:, 1]) * scale + metal
        level = float(volts[0, 0] + v_state[0] @ moved[:, 0]) + self._outside(self.current)
        chosen = current
        if current > least:
            chosen = max(min(current, self.current + (limit_v - level) / slope), least)
        change = moved[:, 0] + moved[:, 1] * ((chosen - self.current) * scale)
        if float(np.abs(change[self.cell.potentials]).max()) > JUMP_V and seconds > SHORTEST_S:
            return False
        self.state = self.state + change
        self.voltage = level + slope * (chosen - self.current)
        self.current = chosen
        self.taken_ah += gas * seconds / 3600.0
        charge, discharge = self.design.slow_v
        target = charge if chosen > 1.0 else -discharge if chosen < -1.0 else 0.0
        constant = 900.0 if target else self.design.slow_s
        self.slow += (target - self.slow) * float(-np.expm1(-seconds / constant))
        return True

    def rest(self, hours: float, current: float = 0.0) -> None:
        """Rest with steps that grow from a second to ten minutes."""
        left, step = hours * 3600.0, 1.0
        while left > 0:
            self.step(min(step, left), current)
            left, step = left - step, min(1.3 * step, 600.0)

    def _metal(self) -> float:
        growth = 1.0 + METAL_PER_K * (self.temperature - 25.0)
        return self.design.metal / self.design.rated * growth

    def _outside(self, current: float) -> float:
        return self._metal() * current + self.slow + OCV_V_PER_K * (self.temperature - 25.0)

    def _gassing(self) -> float:
        warm = 2.0 ** ((self.temperature - 25.0) / 10.0)
        level = float(np.exp(min((self.voltage - 14.4) / self.design.gas_v, 3.0)))
        return float(self.design.gas * self.design.rated * warm * level)


def new_battery(design: Design) -> tuple[Battery, float, tuple[tuple[float, float], ...]]:
    """A charged battery, its capacity by C/20 to 10.5 V at 25 degC [Ah], and its own curve (charge [%], rested [V]).

    Plate pairs are as many as give `grown` of the rated capacity with sound plates and acid; what the chemistry takes
    off comes on top.
    """
    still = replace(design, slow_v=(0.0, 0.0), gas=0.0)
    sound = Chemistry(design.chemistry.ocv_v)
    stock = replace(still, rated=17.0, metal=still.metal, chemistry=sound)
    plates = (
        STOCK_PLATES * design.rated * design.grown / capacity(Battery(stock, build_cell(sound), STOCK_PLATES), 21.0)
    )
    cell = build_cell(design.chemistry)
    present = capacity(Battery(still, cell, plates), design.rated * design.grown)
    return Battery(design, cell, plates), present, own_curve(Battery(still, cell, plates), present)


def capacity(battery: Battery, about: float) -> float:
    """Charge by C/20 down to 10.5 V from full [Ah], the current being that of the answer (two rounds)."""
    for _ in range(2):
        trial = replace(battery, state=battery.cell.full.copy())
        trial.rest(1.0)
        trial.taken_ah = 0.0
        before = trial.taken_ah, trial.voltage
        while trial.voltage > END_V:
            before = trial.taken_ah, trial.voltage
            trial.step(120.0, -about / RATE_H)
        share = (before[1] - END_V) / (before[1] - trial.voltage)
        about = before[0] + share * (trial.taken_ah - before[0])
    return about


def own_curve(battery: Battery, present: float) -> tuple[tuple[float, float], ...]:
    """(charge [%], voltage [V]) after ten hours of rest, each five per cent."""
    points = []
    battery.rest(2.0)
    for soc in range(100, -1, -5):
        while battery.taken_ah < (100 - soc) / 100.0 * present - 1e-6:
            needed = (100 - soc) / 100.0 * present - battery.taken_ah
            battery.step(min(120.0, needed / present * RATE_H * 3600.0), -present / RATE_H)
        points.append((float(soc), 0.0))
        trial = replace(battery, state=battery.state.copy())
        trial.rest(10.0)
        points[-1] = (float(soc), trial.voltage)
    return tuple(reversed(points))


def crank_resistance(battery: Battery) -> float:
    """Resistance at 25 degC of the full, rested battery over the reference crank: 200 A, 0.2 to 0.7 s [Ohm]."""
    trial = replace(battery, state=battery.cell.full.copy(), slow=0.0, current=0.0)
    trial.rest(2.0)
    before, seen = trial.voltage, []
    for number in range(70):
        trial.step(0.01, -200.0)
        if number >= 20:
            seen.append((before - trial.voltage) / 200.0)
    return float(np.mean(seen))
