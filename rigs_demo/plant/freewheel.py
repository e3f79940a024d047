"""A disabled bridge whose diodes carry current: after switching off, or with the back-EMF above the bus.

A phase whose current flows into the motor hangs one diode drop below ground, one whose current flows
out hangs one drop above the bus; a phase without current floats until its terminal would pass a rail.
Rare and short, so that it is done in small parts of a step, each solved like any other (winding.py);
a current that would pass zero within a part ends there, and what field it had left is diode heat.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, sin

from rigs_demo.plant.winding import (
    PAIR,
    ROOT_THIRD,
    phase_currents,
    phase_resistance,
    step_dq,
    step_line,
    turned_resistance,
)

PARTS = 20
"""Parts of a step: 5 us at a step of 100 us, a fiftieth of L/R."""
NONE_A = 1e-9
"""Below this a phase carries nothing (arbitrary)."""
Three = tuple[float, float, float]
Signs = tuple[int, int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rails:
    """What the diodes clamp to."""

    high_v: float
    drop_v: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Freewheeled:
    """Result of one step: end state, and integrals over the step."""

    i_dq: tuple[float, float]
    end_rad: float
    copper_j: Three
    diode_j: float
    bus_a_s: float
    line_v_s: tuple[float, float]
    torque_per_pair_n_m_s: float
    """Integral of psi iq + (Ld - Lq) id iq; 1.5 pole pairs of it is the torque's impulse."""


def freewheel(
    i_dq: tuple[float, float], rails: Rails, angle: float, w_e: float, h_s: float, *,
    r_abc: Three, l_dq: tuple[float, float], psi: float, open_winding: int | None,
) -> Freewheeled:  # fmt: skip
    """One step of `h_s` round the mid-step electrical `angle`; currents are those at its start, in A."""
    part_s = h_s / PARTS
    l_d, l_q = l_dq
    i_d, i_q = i_dq
    copper = [0.0, 0.0, 0.0]
    diode = bus = line_ab = line_bc = impulse = 0.0
    at = angle - 0.5 * w_e * h_s
    for _ in range(PARTS):
        at += 0.5 * w_e * part_s
        c, s = cos(at), sin(at)
        emf = phase_currents(0.0, w_e * psi, c, s)
        signs = _conducting(phase_currents(i_d, i_q, c, s), emf, rails, open_winding)
        if not any(signs):
            i_d = i_q = 0.0
            volts = emf
        else:
            volts = _terminals(signs, emf, rails)
            new_d, new_q, mean_d, mean_q = _part(
                signs, volts, (i_d, i_q), (c, s), w_e, part_s, r_abc=r_abc, l_dq=l_dq, psi=psi
            )
            kept = _without_crossed(signs, phase_currents(new_d, new_q, c, s))
            end_d, end_q = _to_dq(kept, c, s)
            # A current that ends within the part takes its field's last energy into the diode.
            diode += 0.75 * (l_d * (new_d**2 - end_d**2) + l_q * (new_q**2 - end_q**2))
            currents = phase_currents(mean_d, mean_q, c, s)
            for x in range(3):
                copper[x] += r_abc[x] * currents[x] ** 2 * part_s
                diode += rails.drop_v * currents[x] * signs[x] * part_s
                if signs[x] < 0:
                    bus += currents[x] * part_s
            impulse += (psi * mean_q + (l_d - l_q) * mean_d * mean_q) * part_s
            i_d, i_q = end_d, end_q
        line_ab += (volts[0] - volts[1]) * part_s
        line_bc += (volts[1] - volts[2]) * part_s
        at += 0.5 * w_e * part_s
    return Freewheeled(
        i_dq=(i_d, i_q), end_rad=at, copper_j=(copper[0], copper[1], copper[2]), diode_j=diode, bus_a_s=bus,
        line_v_s=(line_ab, line_bc), torque_per_pair_n_m_s=impulse,
    )  # fmt: skip


def _to_dq(phases: Three, c: float, s: float) -> tuple[float, float]:
    alpha = phases[0]
    beta = (phases[1] - phases[2]) * ROOT_THIRD
    return c * alpha + s * beta, c * beta - s * alpha


def _conducting(currents: Three, emf: Three, rails: Rails, open_winding: int | None) -> Signs:
    """+1: current into the motor, lower diode; -1: out of it, upper diode; 0: floating."""
    signs = [0 if abs(i) < NONE_A else 1 if i > 0.0 else -1 for i in currents]
    connected = [x for x in range(3) if x != open_winding]
    if not any(signs):
        top = max(connected, key=lambda x: emf[x])
        bottom = min(connected, key=lambda x: emf[x])
        if emf[top] - emf[bottom] > rails.high_v + 2.0 * rails.drop_v:
            signs[top], signs[bottom] = -1, 1
    if signs.count(0) == 1:
        free = signs.index(0)
        if free in connected:
            volts = _terminals((signs[0], signs[1], signs[2]), emf, rails)
            if volts[free] > rails.high_v + rails.drop_v:
                signs[free] = -1
            elif volts[free] < -rails.drop_v:
                signs[free] = 1
    return signs[0], signs[1], signs[2]


def _terminals(signs: Signs, emf: Three, rails: Rails) -> Three:
    """Terminal voltages; the floating one follows the neutral (unequal resistances left out)."""
    volts = [-rails.drop_v if sign > 0 else rails.high_v + rails.drop_v for sign in signs]
    if signs.count(0) == 1:
        free = signs.index(0)
        x, y = (k for k in range(3) if k != free)
        volts[free] = (volts[x] + volts[y]) / 2.0 + 1.5 * emf[free]
    return volts[0], volts[1], volts[2]


def _part(
    signs: Signs, volts: Three, i_dq: tuple[float, float], turn: tuple[float, float], w_e: float, h_s: float, *,
    r_abc: Three, l_dq: tuple[float, float], psi: float,
) -> tuple[float, float, float, float]:  # fmt: skip
    """End and mean currents (d, q) of one part with two or three phases conducting."""
    c, s = turn
    l_d, l_q = l_dq
    if signs.count(0) == 0:
        alpha = (2.0 * volts[0] - volts[1] - volts[2]) / 3.0
        beta = (volts[1] - volts[2]) * ROOT_THIRD
        return step_dq(
            i_dq[0], i_dq[1], c * alpha + s * beta, c * beta - s * alpha,
            *turned_resistance(phase_resistance(*r_abc), c, s),
            l_d, l_q, psi, w_e, h_s,
        )  # fmt: skip
    x, y = (k for k in range(3) if signs[k])
    u_a, u_b = PAIR[x, y]
    u_d, u_q = u_a * c + u_b * s, u_b * c - u_a * s
    now = phase_currents(i_dq[0], i_dq[1], c, s)[x]
    new, mean = step_line(
        now,
        volts[x] - volts[y] - 1.5 * psi * w_e * u_q,
        r_abc[x] + r_abc[y] + 3.0 * w_e * u_d * u_q * (l_d - l_q),
        1.5 * (l_d * u_d * u_d + l_q * u_q * u_q),
        h_s,
    )
    return u_d * new, u_q * new, u_d * mean, u_q * mean


def _without_crossed(signs: Signs, currents: Three) -> Three:
    """Currents with those that passed zero taken out, so that the rest still sums to zero."""
    crossed = [x for x in range(3) if currents[x] * signs[x] <= 0.0]
    if not crossed:
        return currents
    if len(crossed) > 1 or signs.count(0) == 1:
        return 0.0, 0.0, 0.0
    x, y = (k for k in range(3) if k != crossed[0])
    if signs[x] == signs[y]:
        return 0.0, 0.0, 0.0
    through = (currents[x] - currents[y]) / 2.0
    kept = [0.0, 0.0, 0.0]
    kept[x], kept[y] = through, -through
    return kept[0], kept[1], kept[2]
