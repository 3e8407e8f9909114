"""PyBaMM's porous-electrode lead-acid battery as plain functions of its state and current.

`lead_acid.Full` with parameter set Sulzer2019 (Sulzer et al., J. Electrochem. Soc. 166 (2019) A2363), and what the
stock model lacks: an end of charge (kinetics scaled by the lead sulphate left), an end of discharge by the plates
(scaled by the active material left), Arrhenius factors on kinetics and on the acid's transport as inputs, and for a
flooded battery the trade's table as open-circuit voltage.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from decoder.frames import FloatArray, Int64Array

FULL_ACID = 5650.0  # [mol/m3], Sulzer2019
STOCK_PLATES = 8.0  # plate pairs of Sulzer2019, 17 Ah
SULPHATE_HALF = 0.175  # in stock charges, at which charging is half as fast: a tail of hours, common practice
ACTIVE_HALF = 0.00125
STOCK_SWING = 17.0 * 3600.0  # [C], by which shares of sulphate are counted
MESH = {"x_n": 6, "x_s": 4, "x_p": 6, "y": 1, "z": 1}


@dataclass(frozen=True, slots=True)
class Chemistry:
    """What tells one cell from another.

    ocv_v: (acid left of FULL_ACID, V of six cells), rising, in place of Bode's polynomial (AGM-like, as shipped).
    active: charge that the plates can give, in stock charges of 17 Ah; beyond it the discharge ends although acid is
    left (by default they give out with the acid). acid: what the acid of the fully charged battery is, of FULL_ACID;
    less where sulphate has grown hard.
    """

    ocv_v: tuple[tuple[float, float], ...] = ()
    active: float = 1.25
    acid: float = 1.0


@dataclass(slots=True, eq=False)
class Cell:
    """The functions of one chemistry, and the arrays they read and write.

    inputs: state (k,), current [A, of the stock plates, charging], kinetic and transport factor. outputs: rate (k, 1),
    its derivatives by state (k, k) and current (k, 1), voltage of six cells [V] (1, 1), its derivatives (1, k), (1, 1).
    full: (k,) state of the charged battery. potentials: which of it are surface potentials [V].
    kept: what must live as long as `work`.
    """

    inputs: tuple[FloatArray, ...]
    outputs: tuple[FloatArray, ...]
    work: Callable[[], None]
    full: FloatArray
    potentials: Int64Array
    kept: tuple[Any, ...]

    def at(self, state: FloatArray, current: float, kinetic: float, transport: float) -> tuple[FloatArray, ...]:
        """The outputs, valid until the next call."""
        self.inputs[0][:] = state
        for place, value in zip(self.inputs[1:], (current, kinetic, transport), strict=True):
            place[0] = value
        self.work()
        return self.outputs


def build_cell(chemistry: Chemistry) -> Cell:
    """Build, discretise and turn into CasADi functions; a second or so."""
    import casadi
    import pybamm

    model = pybamm.lead_acid.Full({"surface form": "differential"}, build=False)
    for domain in ("negative", "positive"):
        kinetics = _kinetics(pybamm, chemistry)(model.param, domain, "lead-acid main", model.options, "primary")
        model.submodels[f"{domain} interface"] = kinetics
    model.build_model()
    simulation = pybamm.Simulation(model, parameter_values=_parameters(pybamm, chemistry), var_pts=MESH)
    simulation.build()
    built = simulation.built_model
    state = casadi.MX.sym("state", built.len_rhs)
    current, kinetic, transport = (casadi.MX.sym(name) for name in ("current", "kinetic", "transport"))
    inputs = {"Current function [A]": -current, "kinetic": kinetic, "transport": transport}
    rate = built.concatenated_rhs.to_casadi(casadi.MX.sym("t"), state, inputs=inputs)
    volts = built.get_processed_variable("Battery voltage [V]").to_casadi(casadi.MX.sym("t"), state, inputs=inputs)
    start = np.asarray(built.concatenated_initial_conditions.evaluate(), dtype=np.float64).ravel()
    outputs = [
        rate,
        casadi.densify(casadi.jacobian(rate, state)),
        casadi.densify(casadi.jacobian(rate, current)),
        volts,
        casadi.densify(casadi.jacobian(volts, state)),
        casadi.densify(casadi.jacobian(volts, current)),
    ]
    function = casadi.Function("cell", [state, current, kinetic, transport], outputs).expand()
    size = len(start)
    into = (np.zeros(size), np.zeros(1), np.zeros(1), np.zeros(1))
    shapes = ((size, 1), (size, size), (size, 1), (1, 1), (1, size), (1, 1))
    out = tuple(np.zeros(shape, order="F") for shape in shapes)
    made: tuple[Any, Callable[[], None]] = function.buffer()
    buffer, work = made
    for number, argument in enumerate(into):
        buffer.set_arg(number, memoryview(argument.data))
    for number, result in enumerate(out):
        buffer.set_res(number, memoryview(result.T.data))
    names = ("Negative", "Positive")
    places = [
        np.arange(part.start, part.stop)
        for variable, parts in built.y_slices.items()
        for part in parts
        if variable.name in {f"{one} electrode surface potential difference [V]" for one in names}
    ]
    return Cell(into, out, work, start, np.concatenate(places), (function, buffer))


def _kinetics(pybamm: Any, chemistry: Chemistry) -> Any:
    """Butler-Volmer kinetics scaled by what is left to react."""
    from pybamm.models.submodels.interface.kinetics.butler_volmer import SymmetricButlerVolmer

    class Limited(SymmetricButlerVolmer):  # type: ignore[misc]  # PyBaMM is untyped
        def get_coupled_variables(self, variables: Any) -> Any:
            self.seen = variables
            return super().get_coupled_variables(variables)

        def _get_kinetics(self, j0: Any, ne: Any, eta_r: Any, T: Any, u: Any) -> Any:
            domain, Domain = self.domain_Domain
            charging = eta_r * (-1.0 if domain == "negative" else 1.0)
            plates = self.domain_param
            moved = pybamm.AbsoluteValue(plates.DeltaVsurf) * STOCK_SWING
            whole = moved / (self.param.F * self.param.A_cc * plates.L)  # A_cc: of all plate pairs
            sulphate = (plates.epsilon_init - self.seen[f"{Domain} electrode porosity"]) / whole
            left = _above_zero(sulphate) ** 2
            active = _above_zero(chemistry.active - sulphate)
            on_charge = left / (left + SULPHATE_HALF**2)
            on_discharge = active / (active + ACTIVE_HALF)
            share = pybamm.sigmoid(0, charging, 400.0)  # within 10 mV of equilibrium a mean of both
            bare = super()._get_kinetics(j0, ne, eta_r, T, u)
            return pybamm.InputParameter("kinetic") * bare * (on_charge * share + on_discharge * (1.0 - share))

    return Limited


def _above_zero(value: Any) -> Any:
    return 0.5 * (value + (value**2 + 1.6e-8) ** 0.5)


def _parameters(pybamm: Any, chemistry: Chemistry) -> Any:
    """Sulzer2019 with factors on the acid's transport, and the chemistry's open-circuit voltage and acid."""
    values = pybamm.ParameterValues("Sulzer2019")
    diffusivity, conductivity = values["Electrolyte diffusivity [m2.s-1]"], values["Electrolyte conductivity [S.m-1]"]
    negative = values["Negative electrode open-circuit potential [V]"]
    water, acid_volume = 1.75e-5, 4.5e-5  # molar volumes [m3/mol], Sulzer2019
    mass = 0.01801  # of water [kg/mol]

    def positive(m: Any) -> Any:
        share = m * mass / (water + m * mass * acid_volume) / FULL_ACID
        left, volts = np.array(chemistry.ocv_v).T
        level = np.polynomial.Polynomial.fit(left, volts, deg=2).convert().coef
        return negative(m) + (level[0] + level[1] * share + level[2] * share**2) / 6.0

    def dioxide_exchange(c_e: Any, T: Any) -> Any:
        del T
        ratio = (1.0 - c_e * acid_volume) / (1.0 - FULL_ACID * acid_volume)
        return 0.004 * (c_e / FULL_ACID) ** 2 * ratio

    changed = {
        "Current function [A]": "[input]",
        "Initial concentration in electrolyte [mol.m-3]": FULL_ACID * chemistry.acid,
        "Electrolyte diffusivity [m2.s-1]": lambda c_e: pybamm.InputParameter("transport") * diffusivity(c_e),
        "Electrolyte conductivity [S.m-1]": lambda c_e: pybamm.InputParameter("transport") * conductivity(c_e),
        "Negative electrode exchange-current density [A.m-2]": lambda c_e, T: 0.06 * c_e / FULL_ACID + 0.0 * T,
        "Positive electrode exchange-current density [A.m-2]": dioxide_exchange,
    }
    if chemistry.ocv_v:
        changed["Positive electrode open-circuit potential [V]"] = positive
    values.update(changed)
    return values
