"""A motor at rest whose currents stand still: resistances and dead time alone, no inductance.

Solved by iteration, because the dead-time error depends on the sign of the currents; it changes the
voltage by less than a tenth of what the resistance does, so that the iteration contracts.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, sin

from rigs_demo.plant.bridge import Bridge, Outputs, outputs
from rigs_demo.plant.winding import PAIR, ROOT_THIRD, phase_currents, phase_resistance, steady_dq, turned_resistance

CLOSE_A = 1e-12
MOST_ROUNDS = 100
Three = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Standstill:
    """Currents that stand still, and what they do each second."""

    i_d: float
    i_q: float
    i_line: float
    """Current of the loop that is left where a lead is open, otherwise 0."""
    copper_w: Three
    bridge_w: float
    bus_a: float
    line_v: tuple[float, float]
    """Terminal voltages A-B and B-C."""


NOTHING = Standstill(0.0, 0.0, 0.0, (0.0, 0.0, 0.0), 0.0, 0.0, (0.0, 0.0))
"""A disabled bridge."""


def solve(
    bridge: Bridge, duty: list[float], bus_v: float, angle_rad: float, r_abc: Three, start: tuple[float, float],
    pair: tuple[int, int] | None,
) -> Standstill:  # fmt: skip
    """Currents that stand still at an electrical angle; `start` (d, q) is where the iteration begins."""
    c, s = cos(angle_rad), sin(angle_rad)
    r_on = bridge.resistance_ohm
    space = phase_resistance(r_abc[0] + r_on, r_abc[1] + r_on, r_abc[2] + r_on)
    r_dd, r_dq, r_qq = turned_resistance(space, c, s)
    i_d, i_q = start
    i_line = 0.0
    for _ in range(MOST_ROUNDS):
        volts = outputs(bridge, duty, bus_v, phase_currents(i_d, i_q, c, s)).volts
        old_d, old_q = i_d, i_q
        if pair is None:
            alpha = (2.0 * volts[0] - volts[1] - volts[2]) / 3.0
            beta = (volts[1] - volts[2]) * ROOT_THIRD
            i_d, i_q = steady_dq(c * alpha + s * beta, c * beta - s * alpha, r_dd, r_dq, r_qq)
        else:
            x, y = pair
            i_line = (volts[x] - volts[y]) / (r_abc[x] + r_abc[y] + 2.0 * r_on)
            u_a, u_b = PAIR[pair]
            i_d, i_q = (u_a * c + u_b * s) * i_line, (u_b * c - u_a * s) * i_line
        if abs(i_d - old_d) + abs(i_q - old_q) < CLOSE_A:
            break
    currents = phase_currents(i_d, i_q, c, s)
    stand = outputs(bridge, duty, bus_v, currents)
    i_a, i_b, i_c = currents
    line = _line_voltages(stand, currents, r_on, r_abc, pair)
    return Standstill(
        i_d, i_q, i_line,
        (r_abc[0] * i_a * i_a, r_abc[1] * i_b * i_b, r_abc[2] * i_c * i_c),
        r_on * (i_a * i_a + i_b * i_b + i_c * i_c) + stand.diode_w,
        stand.drawn_a,
        line,
    )  # fmt: skip


def _line_voltages(
    stand: Outputs, currents: Three, r_on: float, r_abc: Three, pair: tuple[int, int] | None
) -> tuple[float, float]:
    terminals = [volts - r_on * current for volts, current in zip(stand.volts, currents, strict=True)]
    if pair is not None:
        # The broken lead's terminal stands at the neutral.
        x, y = pair
        drop = (r_abc[x] - r_abc[y]) * currents[x]
        terminals[3 - x - y] = (terminals[x] + terminals[y] - drop) / 2.0
    return terminals[0] - terminals[1], terminals[1] - terminals[2]
