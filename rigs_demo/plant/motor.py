"""One motor at its half-bridges: currents, torque, heat, one fixed step at a time.

A bridge output stands at  d V - k s(i) (V + 2 Vf) - R_on i  on average, with d the duty, k = dead time
x carrier, Vf the diode's drop and s(i) the current's sign, softened where ripple carries the current
through zero in every carrier period (Mohan, Power Electronics, "blanking time"). It draws (d - k s) i
from the bus. Duties of exactly 0 and 1 do not switch and have no dead time. A disabled bridge is high
impedance with diodes to both rails (freewheel.py). Torque is 1.5 p (psi iq + (Ld - Lq) id iq).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, sin, sqrt
from random import Random

from rigs_demo.plant.freewheel import Rails, freewheel
from rigs_demo.plant.parameters import CONDUCTOR_K, REFERENCE_C, DriverParameters, MotorParameters
from rigs_demo.plant.shaft import Shaft
from rigs_demo.plant.thermal import MotorHeat, Temperatures
from rigs_demo.plant.winding import HALF_ROOT_3, PAIR, ROOT_THIRD, phase_resistance, settled_dq, step_dq, step_line

STILL_A = 1e-8
"""Currents that change less than this in a step have settled (arbitrary; a millionth of a count of any reading)."""
TINY_A = 1e-12


@dataclass(frozen=True, slots=True)
class Standstill:
    """A motor at rest with currents that stand still."""

    i_d: float
    i_q: float
    torque_n_m: float
    copper_w: tuple[float, float, float]
    bridge_w: float
    bus_a: float
    line_v: tuple[float, float]


NOTHING = Standstill(0.0, 0.0, 0.0, (0.0, 0.0, 0.0), 0.0, 0.0, (0.0, 0.0))


class Motor:
    """State of one motor. Duties are per winding; the plant applies the wiring."""

    def __init__(
        self, motor: MotorParameters, driver: DriverParameters, gravity_m_s2: float, room_c: float, h_s: float,
        start: Random,
    ) -> None:  # fmt: skip
        self.parameters = motor
        self.shaft = Shaft(motor, gravity_m_s2, h_s, start)
        self.heat = MotorHeat(motor.thermal, room_c)
        self.duty = [0.0, 0.0, 0.0]
        self.enabled = False
        self.i_d = 0.0
        self.i_q = 0.0
        self.i_line = 0.0
        self.standstill: Standstill | None = NOTHING
        self._standstill_v = 0.0
        self._on = False
        self._h_s = h_s
        self._l_d = motor.inductance_d_h
        self._l_q = motor.inductance_q_h
        self._driver = driver
        self._r_on = driver.on_resistance_ohm
        self._dead = driver.dead_time_s * driver.carrier_hz
        self._pair = None if motor.open_winding is None else next(p for p in PAIR if motor.open_winding not in p)
        self.bus_a = 0.0
        self.copper_j = [0.0, 0.0, 0.0]
        self.bridge_j = 0.0
        self.line_v_s = [0.0, 0.0]
        self._heat_mark = (0.0, 0.0, 0.0)
        self.warmed()
        self.settle(0.0)

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
        mark, now = self._heat_mark, self.copper_j
        power = tuple((now[x] - mark[x]) / duration_s for x in range(3))
        self.heat.advance(duration_s, (power[0], power[1], power[2]))
        self.warmed()
        if self.standstill is not None and self.standstill is not NOTHING:
            self.settle(self._standstill_v)

    def warmed(self) -> None:
        """Bring resistances and flux to the present temperatures."""
        a, b, c = self.r_abc = self.resistances(self.heat.state)
        r = self._r_on
        self._r_space = phase_resistance(a + r, b + r, c + r)
        self._psi = self.flux(self.heat.state)
        copper = self.copper_j
        self._heat_mark = (copper[0], copper[1], copper[2])

    # -- standstill ---------------------------------------------------------------------------------

    def disturbed(self) -> None:
        """A setting has changed: nothing may be skipped until the motor has settled again."""
        self.standstill = None

    def settle(self, bus_v: float) -> bool:
        """Enter standstill with the currents of `bus_v` and the present temperatures, if friction holds it."""
        still = self.still(bus_v, self.heat.state)
        theta = self.shaft.theta_rad
        if not self.shaft.holds(still.torque_n_m + self.shaft.passive_torque_n_m(theta)):
            self.standstill = None
            return False
        self.standstill = still
        self._standstill_v = bus_v
        self.i_d, self.i_q = still.i_d, still.i_q
        self.bus_a = still.bus_a
        return True

    def still(self, bus_v: float, temperatures: Temperatures) -> Standstill:
        """What would stand still at the present angle; the state stays as it is."""
        if not self.enabled or bus_v < self._driver.lockout_v:
            return NOTHING
        motor = self.parameters
        angle = motor.pole_pairs * self.shaft.theta_rad + motor.electrical_offset_rad
        c, s = cos(angle), sin(angle)
        r_a, r_b, r_c = self.resistances(temperatures)
        r_on = self._r_on
        r_aa, r_ab, r_bb = phase_resistance(r_a + r_on, r_b + r_on, r_c + r_on)
        r_dd = c * c * r_aa + 2.0 * c * s * r_ab + s * s * r_bb
        r_qq = s * s * r_aa - 2.0 * c * s * r_ab + c * c * r_bb
        r_dq = c * s * (r_bb - r_aa) + (c * c - s * s) * r_ab
        i_d, i_q = self.i_d, self.i_q
        for _ in range(100):
            i_a, i_b, i_c = _phases(i_d, i_q, c, s)
            outputs = self._outputs(bus_v, i_a, i_b, i_c)
            old_d, old_q = i_d, i_q
            if self._pair is None:
                alpha = (2.0 * outputs[0] - outputs[1] - outputs[2]) / 3.0
                beta = (outputs[1] - outputs[2]) * ROOT_THIRD
                i_d, i_q = settled_dq(c * alpha + s * beta, c * beta - s * alpha, r_dd, r_dq, r_qq)
            else:
                x, y = self._pair
                r_abc = (r_a, r_b, r_c)
                self.i_line = (outputs[x] - outputs[y]) / (r_abc[x] + r_abc[y] + 2.0 * r_on)
                u_a, u_b = PAIR[self._pair]
                i_d, i_q = (u_a * c + u_b * s) * self.i_line, (u_b * c - u_a * s) * self.i_line
            if abs(i_d - old_d) + abs(i_q - old_q) < TINY_A:
                break
        i_a, i_b, i_c = _phases(i_d, i_q, c, s)
        v_a, v_b, v_c, drawn, dead_w = self._outputs(bus_v, i_a, i_b, i_c)
        v_a, v_b, v_c = v_a - r_on * i_a, v_b - r_on * i_b, v_c - r_on * i_c
        if self._pair is not None:
            terminals = [v_a, v_b, v_c]
            x, y = self._pair
            drop = ((r_a, r_b, r_c)[x] - (r_a, r_b, r_c)[y]) * self.i_line
            terminals[3 - x - y] = (terminals[x] + terminals[y] - drop) / 2.0
            v_a, v_b, v_c = terminals
        squares = i_a * i_a + i_b * i_b + i_c * i_c
        return Standstill(
            i_d, i_q,
            1.5 * motor.pole_pairs * (self.flux(temperatures) * i_q + (self._l_d - self._l_q) * i_d * i_q),
            (r_a * i_a * i_a, r_b * i_b * i_b, r_c * i_c * i_c),
            r_on * squares + dead_w,
            drawn,
            (v_a - v_b, v_b - v_c),
        )  # fmt: skip

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

    def _outputs(self, bus_v: float, i_a: float, i_b: float, i_c: float) -> tuple[float, float, float, float, float]:
        """Bridge outputs before their resistance (V), current drawn from the bus (A), dead-time loss (W)."""
        duty_a, duty_b, duty_c = self.duty
        dead = self._dead
        soft = self._driver.zero_crossing_a**2
        drop = 2.0 * dead * self._driver.diode_drop_v
        loss_a = loss_b = loss_c = 0.0
        if 0.0 < duty_a < 1.0:
            sign = i_a / sqrt(i_a * i_a + soft)
            duty_a = min(1.0, max(0.0, duty_a - dead * sign))
            loss_a = drop * sign
        if 0.0 < duty_b < 1.0:
            sign = i_b / sqrt(i_b * i_b + soft)
            duty_b = min(1.0, max(0.0, duty_b - dead * sign))
            loss_b = drop * sign
        if 0.0 < duty_c < 1.0:
            sign = i_c / sqrt(i_c * i_c + soft)
            duty_c = min(1.0, max(0.0, duty_c - dead * sign))
            loss_c = drop * sign
        return (
            duty_a * bus_v - loss_a,
            duty_b * bus_v - loss_b,
            duty_c * bus_v - loss_c,
            duty_a * i_a + duty_b * i_b + duty_c * i_c,
            loss_a * i_a + loss_b * i_b + loss_c * i_c,
        )

    def step(self, bus_v: float, coupling_n_m: float = 0.0) -> None:
        """One step under a constant bus voltage and coupling torque."""
        still = self.standstill
        if still is not None and not coupling_n_m:
            if still is NOTHING and not (self.enabled and bus_v >= self._driver.lockout_v):
                return
            if bus_v == self._standstill_v:
                self.hold(still, self._h_s)
                return
        self.standstill = None
        shaft = self.shaft
        h = self._h_s
        omega = shaft.omega_rad_s
        middle = shaft.theta_rad + 0.5 * h * omega
        motor = self.parameters
        p = motor.pole_pairs
        angle = p * middle + motor.electrical_offset_rad
        c = cos(angle)
        s = sin(angle)
        # Speed at mid-step, guessed from the last step's acceleration: second order without iterating.
        w_e = p * (omega + 0.5 * h * shaft.accel_rad_s2)
        old_d, old_q = self.i_d, self.i_q
        if not self.enabled or bus_v < self._driver.lockout_v:
            torque = self._step_off(bus_v, angle, c, s, w_e)
        elif self._pair is None:
            torque = self._step_on(bus_v, c, s, w_e)
        else:
            torque = self._step_pair(self._pair, bus_v, c, s, w_e)
        moving = shaft.step(torque + shaft.passive_torque_n_m(middle) + coupling_n_m)
        if not moving and abs(self.i_d - old_d) < STILL_A and abs(self.i_q - old_q) < STILL_A and not coupling_n_m:
            self.settle(bus_v)

    def _step_on(self, bus_v: float, c: float, s: float, w_e: float) -> float:
        """Three driven phases; gives the mean torque."""
        h = self._h_s
        i_d, i_q = self.i_d, self.i_q
        alpha = c * i_d - s * i_q
        beta = (s * i_d + c * i_q) * HALF_ROOT_3
        i_b = beta - 0.5 * alpha
        i_c = -beta - 0.5 * alpha
        duty_a, duty_b, duty_c = self.duty
        dead = self._dead
        soft = self._driver.zero_crossing_a**2
        drop = 2.0 * dead * self._driver.diode_drop_v
        loss_a = loss_b = loss_c = 0.0
        if 0.0 < duty_a < 1.0:
            sign = alpha / sqrt(alpha * alpha + soft)
            duty_a = min(1.0, max(0.0, duty_a - dead * sign))
            loss_a = drop * sign
        if 0.0 < duty_b < 1.0:
            sign = i_b / sqrt(i_b * i_b + soft)
            duty_b = min(1.0, max(0.0, duty_b - dead * sign))
            loss_b = drop * sign
        if 0.0 < duty_c < 1.0:
            sign = i_c / sqrt(i_c * i_c + soft)
            duty_c = min(1.0, max(0.0, duty_c - dead * sign))
            loss_c = drop * sign
        out_a = duty_a * bus_v - loss_a
        out_b = duty_b * bus_v - loss_b
        out_c = duty_c * bus_v - loss_c
        v_alpha = (2.0 * out_a - out_b - out_c) / 3.0
        v_beta = (out_b - out_c) * ROOT_THIRD
        r_aa, r_ab, r_bb = self._r_space
        cc, cs, ss = c * c, c * s, s * s
        new_d, new_q, mean_d, mean_q = step_dq(
            i_d, i_q, c * v_alpha + s * v_beta, c * v_beta - s * v_alpha,
            cc * r_aa + 2.0 * cs * r_ab + ss * r_bb,
            cs * (r_bb - r_aa) + (cc - ss) * r_ab,
            ss * r_aa - 2.0 * cs * r_ab + cc * r_bb,
            self._l_d, self._l_q, self._psi, w_e, h,
        )  # fmt: skip
        self.i_d = new_d
        self.i_q = new_q
        d_change = new_d - i_d
        q_change = new_q - i_q
        i_a = c * mean_d - s * mean_q
        beta = (s * mean_d + c * mean_q) * HALF_ROOT_3
        i_b = beta - 0.5 * i_a
        i_c = -beta - 0.5 * i_a
        # Mean square over the step: that of the mean, and of a straight change through it.
        a_change = c * d_change - s * q_change
        b_change = (s * d_change + c * q_change) * HALF_ROOT_3 - 0.5 * a_change
        c_change = -a_change - b_change
        a_square = i_a * i_a + a_change * a_change / 12.0
        b_square = i_b * i_b + b_change * b_change / 12.0
        c_square = i_c * i_c + c_change * c_change / 12.0
        r_a, r_b, r_c = self.r_abc
        copper = self.copper_j
        copper[0] += r_a * a_square * h
        copper[1] += r_b * b_square * h
        copper[2] += r_c * c_square * h
        r_on = self._r_on
        self.bridge_j += h * (
            r_on * (a_square + b_square + c_square) + loss_a * i_a + loss_b * i_b + loss_c * i_c
        )
        self.bus_a = duty_a * i_a + duty_b * i_b + duty_c * i_c
        line = self.line_v_s
        line[0] += (out_a - out_b - r_on * (i_a - i_b)) * h
        line[1] += (out_b - out_c - r_on * (i_b - i_c)) * h
        product = mean_d * mean_q + d_change * q_change / 12.0
        return 1.5 * self.parameters.pole_pairs * (self._psi * mean_q + (self._l_d - self._l_q) * product)

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
        currents = [0.0, 0.0, 0.0]
        currents[x], currents[y] = old, -old
        outputs = self._outputs(bus_v, *currents)
        inductance = 1.5 * (self._l_d * u_d * u_d + self._l_q * u_q * u_q)
        turning = 3.0 * w_e * u_d * u_q * (self._l_d - self._l_q)
        r = self.r_abc[x] + self.r_abc[y] + 2.0 * self._r_on
        emf = 1.5 * self._psi * w_e * u_q
        new, mean = step_line(old, outputs[x] - outputs[y] - emf, r + turning, inductance, h)
        self.i_line = new
        self.i_d, self.i_q = u_d * new, u_q * new
        square = mean * mean + (new - old) ** 2 / 12.0
        copper = self.copper_j
        copper[x] += self.r_abc[x] * square * h
        copper[y] += self.r_abc[y] * square * h
        share = mean / old if abs(old) > TINY_A else 0.0
        self.bridge_j += h * (2.0 * self._r_on * square + outputs[4] * share)
        effective = outputs[3] / old if abs(old) > TINY_A else self.duty[x] - self.duty[y]
        self.bus_a = effective * mean
        terminals = [outputs[0], outputs[1], outputs[2]]
        terminals[x] -= self._r_on * mean
        terminals[y] += self._r_on * mean
        free = 3 - x - y
        emf_alpha, emf_beta = -s * w_e * self._psi, c * w_e * self._psi
        emf_free = (emf_alpha, HALF_ROOT_3 * emf_beta - 0.5 * emf_alpha, -HALF_ROOT_3 * emf_beta - 0.5 * emf_alpha)[free]
        drop = (self.r_abc[x] - self.r_abc[y]) * mean
        terminals[free] = (terminals[x] + terminals[y] - drop) / 2.0 + 1.5 * emf_free
        self.line_v_s[0] += (terminals[0] - terminals[1]) * h
        self.line_v_s[1] += (terminals[1] - terminals[2]) * h
        return 1.5 * self.parameters.pole_pairs * (
            self._psi * u_q * mean + (self._l_d - self._l_q) * u_d * u_q * square
        )

    def _step_off(self, bus_v: float, angle: float, c: float, s: float, w_e: float) -> float:
        """Bridge disabled: no current, unless diodes carry some; gives the mean torque."""
        h = self._h_s
        emf = w_e * self._psi
        rails = Rails(high_v=bus_v, drop_v=self._driver.diode_drop_v)
        if self.i_d == 0.0 and self.i_q == 0.0 and sqrt(3.0) * abs(emf) < bus_v + 2.0 * rails.drop_v:
            self.i_line = 0.0
            self.bus_a = 0.0
            self.line_v_s[0] += emf * (-1.5 * s - HALF_ROOT_3 * c) * h
            self.line_v_s[1] += emf * 2.0 * HALF_ROOT_3 * c * h
            return 0.0
        motor = self.parameters
        result = freewheel(
            (self.i_d, self.i_q), rails, angle, w_e, h,
            r_abc=self.r_abc, l_dq=(self._l_d, self._l_q), psi=self._psi, open_winding=motor.open_winding,
        )  # fmt: skip
        self.i_d, self.i_q = result.i_dq
        self.i_line = 0.0
        if self._pair is not None:
            phases = _phases(self.i_d, self.i_q, cos(result.end_rad), sin(result.end_rad))
            self.i_line = phases[self._pair[0]]
        for x in range(3):
            self.copper_j[x] += result.copper_j[x]
        self.bridge_j += result.diode_j
        self.bus_a = result.bus_a_s / h
        self.line_v_s[0] += result.line_v_s[0]
        self.line_v_s[1] += result.line_v_s[1]
        return 1.5 * motor.pole_pairs * result.torque_per_pair_n_m_s / h

    # -- what can be asked --------------------------------------------------------------------------

    def electrical_rad(self) -> float:
        """Electrical angle now."""
        return self.parameters.pole_pairs * self.shaft.theta_rad + self.parameters.electrical_offset_rad

    def phase_currents_a(self) -> tuple[float, float, float]:
        """Currents into windings A, B, C now."""
        angle = self.electrical_rad()
        c, s = cos(angle), sin(angle)
        if self._pair is not None:
            x, y = self._pair
            currents = [0.0, 0.0, 0.0]
            currents[x], currents[y] = self.i_line, -self.i_line
            return currents[0], currents[1], currents[2]
        return _phases(self.i_d, self.i_q, c, s)

    def magnetic_j(self) -> float:
        """Energy of the currents' field: 0.75 (Ld id^2 + Lq iq^2)."""
        i_d, i_q = self.i_d, self.i_q
        if self._pair is not None:
            angle = self.electrical_rad()
            c, s = cos(angle), sin(angle)
            u_a, u_b = PAIR[self._pair]
            i_d, i_q = (u_a * c + u_b * s) * self.i_line, (u_b * c - u_a * s) * self.i_line
        return 0.75 * (self._l_d * i_d * i_d + self._l_q * i_q * i_q)


def _phases(i_d: float, i_q: float, c: float, s: float) -> tuple[float, float, float]:
    """Phase currents of dq currents at a rotor angle given by its cosine and sine."""
    i_a = c * i_d - s * i_q
    beta = (s * i_d + c * i_q) * HALF_ROOT_3
    return i_a, beta - 0.5 * i_a, -beta - 0.5 * i_a
