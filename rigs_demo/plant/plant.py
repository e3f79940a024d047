"""The plant as the bench sees it: whole steps on a fixed grid, settings at grid points, heat jumped.

Why 100 us: against 1 us steps at 80 rad/s and 7 pole pairs the error is 8e-5 (5e-4 at 250 us, 2e-5 at
50 us), far below any tolerance of a rig file, and it is two carrier periods of a double-buffered
modulator, so that settings act when a real one would take them. `parts` splits every step for truth.

A motor at rest whose currents stand still is only counted along. When that holds for all and the bus
stands still too, the plant jumps: heat over at most LEAP_S at a time, powers taken at the middle of
the leap (second order; a fiftieth of the shortest thermal time constant: 2e-5). Leaps are counted
from where standing still began and cut only by settings that change something, so that looking at the
plant never changes what it does.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from rigs_demo.plant.bus import Bus
from rigs_demo.plant.coupling import Coupling
from rigs_demo.plant.history import History
from rigs_demo.plant.motor import Motor
from rigs_demo.plant.panel import SupplyControl
from rigs_demo.plant.parameters import Parameters
from rigs_demo.plant.rest import HalfWay, Rest
from rigs_demo.plant.sensor import Sensor
from rigs_demo.plant.standstill import NOTHING, Standstill
from rigs_demo.plant.thermal import DriverHeat
from rigs_demo.streams import stream_of

GRID_NS = 100_000
WARM_STEPS = 100
"""Grid steps between two updates of the heat: 10 ms, a thousandth of a winding's time constant."""
LEAP_S = 0.4


@dataclass(frozen=True, slots=True, kw_only=True)
class Integrals:
    """Integrals from the start of the plant to `time_ns`; an instrument takes differences over its aperture."""

    time_ns: int
    supply_voltage_v_s: float
    supply_current_a_s: float
    terminal_v_s: tuple[tuple[float, float, float], ...]
    """For each motor A-B, B-C, C-A at the motor's own terminals."""


class Plant:
    """Everything physical on the bench. Times in ns from the start; motors counted as in the rig file."""

    def __init__(self, parameters: Parameters, seed: int = 0, *, grid_ns: int = GRID_NS, parts: int = 1) -> None:
        self.parameters = parameters
        self._grid_ns = grid_ns
        self._parts = parts
        self._step_s = grid_ns * 1e-9 / parts
        self._grid_s = grid_ns * 1e-9
        driver = parameters.driver
        self.motors = [
            Motor(
                motor, driver, parameters.gravity_m_s2, parameters.room_c, self._step_s, stream_of(f"run {seed} {name}")
            )
            for name, motor in parameters.motors.items()
        ]
        self.bus = Bus(parameters.supply, driver.bus_capacitance_f)
        self.supply = SupplyControl(self.bus, parameters.supply, self.later)
        self._driver_heat = DriverHeat(driver.thermal_resistance_k_w, driver.capacity_j_k, parameters.room_c)
        self._index = 0
        self._asked_index = 0
        self._asked_ns = 0
        self._pending: list[tuple[int, Callable[[], None]]] = []
        self._leap: list[Standstill] | None = None
        self._since_warm = 0
        self._bridge_mark_j = 0.0
        self._voltage_v_s = 0.0
        self._current_a_s = 0.0
        self.idle_j = 0.0
        self._leap_index = 0
        self._leap_steps = round(LEAP_S / self._grid_s)
        self._history = [History(motor.shaft, grid_ns) for motor in self.motors]
        self.sensors = [
            Sensor(motor.parameters, name, seed, history.at)
            for name, motor, history in zip(parameters.motors, self.motors, self._history, strict=True)
        ]
        self._coupling = None
        if parameters.coupling is not None and len(self.motors) > 1:
            self._coupling = Coupling(parameters.coupling, self.motors[0].shaft, self.motors[1].shaft)
        self._rest = Rest(self.motors, self.bus, driver, self._coupling, battery=parameters.supply.battery)
        self._try_leap()

    # -- time ---------------------------------------------------------------------------------------

    @property
    def time_ns(self) -> int:
        """Grid point that the plant stands at."""
        return self._asked_index * self._grid_ns

    def advance_to(self, t_ns: int) -> None:
        """Commit all whole grid steps up to `t_ns`; earlier times are no error and do nothing."""
        if t_ns <= self._asked_ns:
            return
        self._asked_ns = t_ns
        self._asked_index = t_ns // self._grid_ns
        self._commit(self._asked_index)

    def _commit(self, target: int) -> None:
        """Settings that are due, and whole steps or leaps, up to a grid point."""
        while True:
            self._apply_due()
            if self._index >= target:
                return
            end = min(target, self._pending[0][0]) if self._pending else target
            if self._leap is None:
                self._run_to(end)
            elif not self._leap_to(end, cut=self._due_at(end)):
                return

    def _due_at(self, index: int) -> bool:
        return bool(self._pending) and self._pending[0][0] <= index

    def _apply_due(self) -> None:
        while self._due_at(self._index):
            self._pending.pop(0)[1]()
            self._leap = None

    def later(self, change: Callable[[], None]) -> None:
        """Have a setting act at the next grid point (at once if the plant stands exactly on one)."""
        index = -(-self._asked_ns // self._grid_ns)
        self._pending.append((index, change))
        if index == self._asked_index:
            self._commit(index)

    def _run_to(self, end: int) -> None:
        """Full steps, until `end` or until everything stands still."""
        bus = self.bus
        motors = self.motors
        h = self._step_s
        parts = range(self._parts)
        history = self._history
        coupling = self._coupling
        seen_v, idle_a = -1.0, 0.0
        while self._index < end:
            for _ in parts:
                volts = bus.voltage_v
                if volts != seen_v:
                    seen_v, idle_a = volts, self._rest.idle_a(volts)
                load = idle_a
                self.idle_j += volts * load * h
                torque = 0.0 if coupling is None else coupling.torque_n_m(h)
                for motor in motors:
                    motor.step(volts, torque)
                    load += motor.bus_a
                    torque = -torque
                bus.step(load, h)
                self._voltage_v_s += 0.5 * (volts + bus.voltage_v) * h
                self._current_a_s += bus.current_a * h
            self._index += 1
            for angles in history:
                angles.stepped(self._index)
            self._since_warm += 1
            if self._since_warm >= WARM_STEPS:
                self._warm()
            for motor in motors:
                if motor.standstill is None:
                    break
            else:
                if self._try_leap():
                    return

    def _warm(self) -> None:
        """Take the heat since the last look into the thermal networks."""
        duration = self._since_warm * self._grid_s
        if duration == 0.0:
            return
        self._since_warm = 0
        bridge = sum(motor.bridge_j for motor in self.motors)
        self._driver_heat.advance(duration, (bridge - self._bridge_mark_j) / duration)
        self._bridge_mark_j = bridge
        for motor in self.motors:
            motor.warm(duration)

    # -- leaping ------------------------------------------------------------------------------------

    def _try_leap(self) -> bool:
        """Begin to leap if all motors and the bus stand still."""
        stills = self._rest.stills()
        if stills is None or not self._rest.settled(stills):
            return False
        self._warm()
        self._leap = self._rest.stills()
        self._leap_index = self._index
        return self._leap is not None

    def _leap_to(self, end: int, *, cut: bool) -> bool:
        """Leap to `end` in whole leaps, and the rest where a setting cuts it. False: nothing more to commit."""
        while self._leap is not None and self._index < end:
            steps = end - self._index
            if any(still is not NOTHING for still in self._leap):
                whole = self._leap_steps - (self._index - self._leap_index) % self._leap_steps
                steps = min(steps, whole)
                if steps < whole and not cut:
                    return False
            elif not cut:
                # Nothing heats: the jump is exact whatever its length, and waits until something happens.
                return False
            self._leap_by(steps)
        return True

    def _leap_by(self, steps: int) -> None:
        duration = steps * self._grid_s
        half = self._half_way(duration)
        idle = half.load_a - sum(still.bus_a for still in half.stills)
        self.idle_j += half.bus_v * idle * duration
        for motor, still in zip(self.motors, half.stills, strict=True):
            motor.hold(still, duration)
            motor.heat.advance(duration, still.copper_w)
            motor.warmed()
        self._driver_heat.advance(duration, sum(still.bridge_w for still in half.stills))
        self._bridge_mark_j = sum(motor.bridge_j for motor in self.motors)
        self.bus.hold(half.load_a, duration)
        self._voltage_v_s += half.bus_v * duration
        self._current_a_s += half.load_a * duration
        self._index += steps
        for history in self._history:
            history.stood(self._index)
        volts = self.bus.voltage_v
        for motor in self.motors:
            if motor.standstill is not NOTHING:
                motor.stand_still(volts)
        self._leap = self._rest.stills()
        # A battery's voltage follows the currents as they drift; the next leap begins from where it stands.
        if self._leap and not self.parameters.supply.battery and not self._rest.settled(self._leap):
            self._leap = None

    def _half_way(self, duration_s: float) -> HalfWay:
        return self._rest.half_way(self._leap or [], duration_s)

    # -- settings -----------------------------------------------------------------------------------

    def set_duty(self, motor: int, phase: int, duty: float) -> None:
        """Duty 0 to 1 of one of the board's outputs, from the next grid point on."""
        driven = self.motors[motor]
        winding = driven.parameters.wiring[phase]
        wanted = min(1.0, max(0.0, duty))

        def act() -> None:
            if driven.duty[winding] != wanted:
                driven.duty[winding] = wanted
                driven.disturbed()

        if self._pending or driven.duty[winding] != wanted:
            self.later(act)

    def set_enabled(self, motor: int, enabled: bool) -> None:
        """Bridge on, or at high impedance, from the next grid point on."""
        driven = self.motors[motor]

        def act() -> None:
            if driven.enabled != enabled:
                driven.enabled = enabled
                driven.disturbed()

        if self._pending or driven.enabled != enabled:
            self.later(act)

    # -- what can be looked at ----------------------------------------------------------------------

    def _open_s(self) -> float:
        """Time asked for that a leap has not committed yet."""
        return (self._asked_index - self._index) * self._grid_s

    def integrals(self) -> Integrals:
        """Integrals to the grid point that the plant stands at."""
        volts_s, amps_s = self._voltage_v_s, self._current_a_s
        lines = [(motor.line_v_s[0], motor.line_v_s[1]) for motor in self.motors]
        open_s = self._open_s()
        if open_s > 0.0:
            half = self._half_way(open_s)
            volts_s += half.bus_v * open_s
            amps_s += (half.load_a if self.bus.output else 0.0) * open_s
            lines = [
                (a + still.line_v[0] * open_s, b + still.line_v[1] * open_s)
                for (a, b), still in zip(lines, half.stills, strict=True)
            ]
        return Integrals(
            time_ns=self.time_ns,
            supply_voltage_v_s=volts_s,
            supply_current_a_s=amps_s,
            terminal_v_s=tuple((a, b, -a - b) for a, b in lines),
        )

    def sensor_word(self, motor: int, t_ns: int) -> int:
        """Bus word of a motor's angle sensor, latched at `t_ns`."""
        self.advance_to(t_ns)
        return self.sensors[motor].word(t_ns)

    def sensor_pulse(self, motor: int, t_ns: int) -> tuple[int, int, int]:
        """(start of the high part, its length, period) in ns of the pulse-width frame that is on at `t_ns`."""
        self.advance_to(t_ns)
        return self.sensors[motor].pulse(t_ns)

    def shaft_rad(self, motor: int, t_ns: int) -> float:
        """Shaft angle at a time of the last 6 ms: for truth and tests; no instrument can see it."""
        self.advance_to(t_ns)
        return self._history[motor].at(t_ns)

    def room_temperature_c(self) -> float:
        """Air round the rig."""
        return self.parameters.room_c

    def driver_temperature_c(self) -> float:
        """What the thermometer on the driver reads (its heat of the last 10 ms is not yet in it)."""
        open_s = self._open_s()
        if open_s <= 0.0:
            return self._driver_heat.state
        stills = self._half_way(open_s).stills
        return self._driver_heat.after(open_s, sum(still.bridge_w for still in stills))

    def winding_temperatures_c(self, motor: int) -> tuple[float, float, float, float]:
        """Windings A, B, C and housing: for truth and tests; no instrument can read them."""
        open_s = self._open_s()
        if open_s <= 0.0:
            return self.motors[motor].heat.state
        still = self._half_way(open_s).stills[motor]
        return self.motors[motor].heat.after(open_s, still.copper_w)

    def stored_j(self) -> float:
        """Kinetic, potential, magnetic, coupling and bus energy at the last committed step."""
        motors = sum(m.shaft.kinetic_j() + m.shaft.potential_j() + m.magnetic_j() for m in self.motors)
        spring = 0.0 if self._coupling is None else self._coupling.stored_j()
        return motors + spring + self.bus.stored_j()

    def lost_j(self) -> dict[str, float]:
        """Where energy has gone up to the last committed step, J."""
        return {
            "copper": sum(sum(motor.copper_j) for motor in self.motors),
            "bridge": sum(motor.bridge_j for motor in self.motors),
            "friction": sum(motor.shaft.friction_j for motor in self.motors),
            "stop": sum(motor.shaft.stop_j for motor in self.motors),
            "coupling": 0.0 if self._coupling is None else self._coupling.lost_j,
            "idle": self.idle_j,
            "source": self.bus.source_loss_j,
        }
