"""One motor at its half-bridges: currents, torque, heat, one fixed step at a time.

Torque is 1.5 p (psi iq + (Ld - Lq) id iq) (Krause; Fitzgerald). Voltages are turned into the rotor's
frame at mid-step, currents stepped exactly (winding.py), torque taken from their exact means. A star
with a broken lead is solved as what it then is: one loop of two windings, its neutral floating.
"""

from __future__ import annotations

from math import cos, sin, sqrt
from random import Random

from rigs_demo.plant.bridge import Bridge
from rigs_demo.plant.freewheel import Rails, freewheel
from rigs_demo.plant.parameters import CONDUCTOR_K, REFERENCE_C, DriverParameters, MotorParameters
from rigs_demo.plant.shaft import Shaft
from rigs_demo.plant.standstill import NOTHING, Standstill, solve
from rigs_demo.plant.thermal import MotorHeat, Temperatures
from rigs_demo.plant.winding import (
    PAIR,
    ROOT_THIRD,
    phase_currents,
    phase_resistance,
    step_dq,
    step_line,
    turned_resistance,
)

STILL_A = 1e-8
"""Currents that change less than this in a step have settled (arbitrary; far below any reading's last digit)."""
ROOT_3 = sqrt(3.0)


class Motor:
    """State of one motor. Duties are per winding; the plant applies the wiring."""

    __slots__ = (
        "_bridge", "_h_s", "_heat_mark", "_l_d", "_l_q", "_offset_rad", "_pair", "_pole_pairs", "_psi", "_r_space",
        "_standstill_v", "bridge_j", "bus_a", "copper_j", "duty", "enabled", "heat", "i_d", "i_line", "i_q",
        "line_v_s", "parameters", "r_abc", "shaft", "standstill",
    )  # fmt: skip

    def __init__(
        self, motor: MotorParameters, driver: DriverParameters, gravity_m_s2: float, room_c: float, h_s: float,
        start: Random,
    ) -> None:  # fmt: skip
        self.parameters = motor
        self.shaft = Shaft(motor, gravity_m_s2, h_s, start)
        self.heat = MotorHeat(motor.thermal, room_c)
        self.duty = [0.0, 0.0, 0.0]
        self.enabled = False
        self.i_d = self.i_q = 0.0
        self.i_line = 0.0
        """Where a lead is open: current into the first of the two windings left and out of the second."""
        self.bus_a = 0.0
        self.copper_j = [0.0, 0.0, 0.0]
        self.bridge_j = 0.0
        self.line_v_s = [0.0, 0.0]
        """Integrals of the terminal voltages A-B and B-C."""
        self._h_s = h_s
        self._pole_pairs = motor.pole_pairs
        self._offset_rad = motor.electrical_offset_rad
        self._l_d = motor.inductance_d_h
        self._l_q = motor.inductance_q_h
        self._bridge = Bridge(driver)
        self._pair = None if motor.open_winding is None else next(p for p in PAIR if motor.open_winding not in p)
        self.warmed()
        self.standstill: Standstill | None = None
        self._standstill_v = 0.0
        self.stand_still(0.0)

    # -- heat ---------------------------------------------------------------------------------------

    def resistances(self, temperatures: Temperatures) -> tuple[float, float, float]:
        """Phase resistances at winding temperatures, ohm."""
        k = CONDUCTOR_K[self.parameters.conductor]
        per = self.parameters.resistance_ohm / (k + REFERENCE_C)
        return (k + temperatures[0]) * per, (k + temperatures[1]) * per, (k + temperatures[2]) * per

    def flux(self, temperatures: Temperatures) -> float:
        """Flux linkage, V s; the magnets are as warm as the housing."""
        motor = self.parameters
        return motor.flux_linkage_v_s * (1.0 + motor.flux_per_k * (temperatures[3] - REFERENCE_C))

    def warm(self, duration_s: float) -> None:
        """Take the heat of the last `duration_s` into the thermal network."""
        (a, b, c), (now_a, now_b, now_c) = self._heat_mark, self.copper_j
        self.heat.advance(duration_s, ((now_a - a) / duration_s, (now_b - b) / duration_s, (now_c - c) / duration_s))
        self.warmed()
        if self.standstill is not None and self.standstill is not NOTHING:
            self.stand_still(self._standstill_v)

    def warmed(self) -> None:
        """Bring resistances and flux to the present temperatures."""
        a, b, c = self.r_abc = self.resistances(self.heat.state)
        r = self._bridge.resistance_ohm
        self._r_space = phase_resistance(a + r, b + r, c + r)
        self._psi = self.flux(self.heat.state)
        copper = self.copper_j
        self._heat_mark = (copper[0], copper[1], copper[2])

    # -- standstill ---------------------------------------------------------------------------------

    def driven(self, bus_v: float) -> bool:
        """True where the bridge switches."""
        return self.enabled and bus_v >= self._bridge.lockout_v

    def disturbed(self) -> None:
        """A setting has changed: nothing may be skipped until the motor has settled again."""
        self.standstill = None

    def still(self, bus_v: float, temperatures: Temperatures) -> Standstill:
        """What would stand still at the present angle; the state stays as it is."""
        if not self.driven(bus_v):
            return NOTHING
        r_abc = self.resistances(temperatures)
        start = self.i_d, self.i_q
        return solve(self._bridge, self.duty, bus_v, self.electrical_rad(), r_abc, start, self._pair)

    def stand_still(self, bus_v: float) -> None:
        """Enter standstill with the currents of `bus_v` and the present temperatures, if friction holds it."""
        still = self.still(bus_v, self.heat.state)
        torque = self._torque(still.i_q, still.i_d * still.i_q)
        if not self.shaft.holds(torque + self.shaft.passive_torque_n_m(self.shaft.theta_rad)):
            self.standstill = None
            return
        self.standstill = still
        self._standstill_v = bus_v
        self.i_d, self.i_q, self.i_line = still.i_d, still.i_q, still.i_line
        self.bus_a = still.bus_a

    def hold(self, still: Standstill, duration_s: float) -> None:
        """Account for a time in standstill; heat is the caller's business."""
        copper = self.copper_j
        copper[0] += still.copper_w[0] * duration_s
        copper[1] += still.copper_w[1] * duration_s
        copper[2] += still.copper_w[2] * duration_s
        self.bridge_j += still.bridge_w * duration_s
        self.line_v_s[0] += still.line_v[0] * duration_s
        self.line_v_s[1] += still.line_v[1] * duration_s

    # -- one step -----------------------------------------------------------------------------------

    def step(self, bus_v: float, coupling_n_m: float = 0.0) -> None:
        """One step under a constant bus voltage and coupling torque."""
        still = self.standstill
        if still is not None and not coupling_n_m:
            if still is NOTHING and not self.driven(bus_v):
                return
            if bus_v == self._standstill_v:
                self.hold(still, self._h_s)
                return
        self.standstill = None
        shaft = self.shaft
        half = 0.5 * self._h_s
        omega = shaft.omega_rad_s
        middle = shaft.theta_rad + half * omega
        p = self._pole_pairs
        angle = p * middle + self._offset_rad
        c = cos(angle)
        s = sin(angle)
        # Speed at mid-step, guessed from the last step's acceleration: second order without iterating.
        w_e = p * (omega + half * shaft.accel_rad_s2)
        old_d, old_q = self.i_d, self.i_q
        if not self.enabled or bus_v < self._bridge.lockout_v:
            torque = self._step_off(bus_v, angle, c, s, w_e)
        elif self._pair is None:
            torque = self._step_on(bus_v, c, s, w_e)
        else:
            torque = self._step_pair(self._pair, bus_v, c, s, w_e)
        moving = shaft.step(torque + shaft.passive_torque_n_m(middle) + coupling_n_m)
        if not moving and abs(self.i_d - old_d) < STILL_A and abs(self.i_q - old_q) < STILL_A and not coupling_n_m:
            self.stand_still(bus_v)

    def _torque(self, i_q: float, product: float) -> float:
        return 1.5 * self._pole_pairs * (self._psi * i_q + (self._l_d - self._l_q) * product)

    def _step_on(self, bus_v: float, c: float, s: float, w_e: float) -> float:
        """Three driven phases; gives the mean torque."""
        h = self._h_s
        old_d, old_q = self.i_d, self.i_q
        i_a, i_b, i_c = phase_currents(old_d, old_q, c, s)
        duty_a, duty_b, duty_c, lost_a, lost_b, lost_c = self._bridge.three(self.duty, i_a, i_b, i_c)
        v_ab = (duty_a - duty_b) * bus_v - lost_a + lost_b
        v_bc = (duty_b - duty_c) * bus_v - lost_b + lost_c
        alpha = (2.0 * v_ab + v_bc) / 3.0
        beta = v_bc * ROOT_THIRD
        r_dd, r_dq, r_qq = turned_resistance(self._r_space, c, s)
        new_d, new_q, mean_d, mean_q = step_dq(
            old_d, old_q, c * alpha + s * beta, c * beta - s * alpha, r_dd, r_dq, r_qq,
            self._l_d, self._l_q, self._psi, w_e, h,
        )  # fmt: skip
        self.i_d = new_d
        self.i_q = new_q
        i_a, i_b, i_c = phase_currents(mean_d, mean_q, c, s)
        # Mean square over the step: that of the mean, and of a straight change through it.
        a, b, c_ = phase_currents(new_d - old_d, new_q - old_q, c, s)
        a_square = i_a * i_a + a * a / 12.0
        b_square = i_b * i_b + b * b / 12.0
        c_square = i_c * i_c + c_ * c_ / 12.0
        r_a, r_b, r_c = self.r_abc
        copper = self.copper_j
        copper[0] += r_a * a_square * h
        copper[1] += r_b * b_square * h
        copper[2] += r_c * c_square * h
        r_on = self._bridge.resistance_ohm
        self.bridge_j += h * (r_on * (a_square + b_square + c_square) + lost_a * i_a + lost_b * i_b + lost_c * i_c)
        self.bus_a = duty_a * i_a + duty_b * i_b + duty_c * i_c
        line = self.line_v_s
        line[0] += (v_ab - r_on * (i_a - i_b)) * h
        line[1] += (v_bc - r_on * (i_b - i_c)) * h
        return self._torque(mean_q, mean_d * mean_q + (new_d - old_d) * (new_q - old_q) / 12.0)

    def _step_pair(self, pair: tuple[int, int], bus_v: float, c: float, s: float, w_e: float) -> float:
        """One lead open, the other two windings in series; gives the mean torque.

        The loop's inductance turns with the rotor: d(L i)/dt = L di/dt + i dL/dt.
        """
        x, y = pair
        h = self._h_s
        u_a, u_b = PAIR[pair]
        u_d = u_a * c + u_b * s
        u_q = u_b * c - u_a * s
        old = self.i_line
        duty_x, lost_x = self._bridge.output(self.duty[x], old)
        duty_y, lost_y = self._bridge.output(self.duty[y], -old)
        out_x, out_y = duty_x * bus_v - lost_x, duty_y * bus_v - lost_y
        r_x, r_y, r_on = self.r_abc[x], self.r_abc[y], self._bridge.resistance_ohm
        turning = 3.0 * w_e * u_d * u_q * (self._l_d - self._l_q)
        inductance = 1.5 * (self._l_d * u_d * u_d + self._l_q * u_q * u_q)
        emf = 1.5 * self._psi * w_e * u_q
        new, mean = step_line(old, out_x - out_y - emf, r_x + r_y + 2.0 * r_on + turning, inductance, h)
        self.i_line = new
        self.i_d, self.i_q = u_d * new, u_q * new
        square = mean * mean + (new - old) ** 2 / 12.0
        self.copper_j[x] += r_x * square * h
        self.copper_j[y] += r_y * square * h
        self.bridge_j += h * (2.0 * r_on * square + (lost_x - lost_y) * mean)
        self.bus_a = (duty_x - duty_y) * mean
        free = 3 - x - y
        terminals = [0.0, 0.0, 0.0]
        terminals[x] = out_x - r_on * mean
        terminals[y] = out_y + r_on * mean
        emf_free = phase_currents(0.0, w_e * self._psi, c, s)[free]
        terminals[free] = (terminals[x] + terminals[y] - (r_x - r_y) * mean) / 2.0 + 1.5 * emf_free
        self.line_v_s[0] += (terminals[0] - terminals[1]) * h
        self.line_v_s[1] += (terminals[1] - terminals[2]) * h
        return self._torque(u_q * mean, u_d * u_q * square)

    def _step_off(self, bus_v: float, angle: float, c: float, s: float, w_e: float) -> float:
        """Bridge disabled: no current, unless diodes carry some; gives the mean torque."""
        h = self._h_s
        emf = w_e * self._psi
        rails = Rails(high_v=bus_v, drop_v=self._bridge.diode_v)
        if self.i_d == 0.0 and self.i_q == 0.0 and ROOT_3 * abs(emf) < bus_v + 2.0 * rails.drop_v:
            self.i_line = 0.0
            self.bus_a = 0.0
            a, b, c_ = phase_currents(0.0, emf, c, s)
            self.line_v_s[0] += (a - b) * h
            self.line_v_s[1] += (b - c_) * h
            return 0.0
        result = freewheel(
            (self.i_d, self.i_q), rails, angle, w_e, h, r_abc=self.r_abc, l_dq=(self._l_d, self._l_q),
            psi=self._psi, open_winding=self.parameters.open_winding,
        )  # fmt: skip
        self.i_d, self.i_q = result.i_dq
        if self._pair is not None:
            self.i_line = phase_currents(*result.i_dq, cos(result.end_rad), sin(result.end_rad))[self._pair[0]]
        for x in range(3):
            self.copper_j[x] += result.copper_j[x]
        self.bridge_j += result.diode_j
        self.bus_a = result.bus_a_s / h
        self.line_v_s[0] += result.line_v_s[0]
        self.line_v_s[1] += result.line_v_s[1]
        return 1.5 * self._pole_pairs * result.torque_per_pair_n_m_s / h

    # -- what can be asked --------------------------------------------------------------------------

    def electrical_rad(self) -> float:
        """Electrical angle now."""
        return self._pole_pairs * self.shaft.theta_rad + self._offset_rad

    def phase_currents_a(self) -> tuple[float, float, float]:
        """Currents into windings A, B, C now."""
        if self._pair is not None:
            currents = [0.0, 0.0, 0.0]
            currents[self._pair[0]], currents[self._pair[1]] = self.i_line, -self.i_line
            return currents[0], currents[1], currents[2]
        angle = self.electrical_rad()
        return phase_currents(self.i_d, self.i_q, cos(angle), sin(angle))

    def magnetic_j(self) -> float:
        """Energy of the currents' field: 0.75 (Ld id^2 + Lq iq^2)."""
        i_d, i_q = self.i_d, self.i_q
        if self._pair is not None:
            angle = self.electrical_rad()
            c, s = cos(angle), sin(angle)
            u_a, u_b = PAIR[self._pair]
            i_d, i_q = (u_a * c + u_b * s) * self.i_line, (u_b * c - u_a * s) * self.i_line
        return 0.75 * (self._l_d * i_d * i_d + self._l_q * i_q * i_q)
