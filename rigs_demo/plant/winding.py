"""One exact step of the winding's currents while voltage, speed and resistances stand still.

    Ld d(id)/dt = vd - Rdd id - Rdq iq + we Lq iq
    Lq d(iq)/dt = vq - Rdq id - Rqq iq - we (Ld id + psi)

Amplitude-invariant dq form of the salient permanent-magnet machine (Krause, Analysis of Electric
Machinery; Fitzgerald, Electric Machinery). The resistance is a full symmetric matrix because each
phase has its own temperature. The 2 x 2 matrix exponential is closed form (Cayley-Hamilton).
"""

from __future__ import annotations

from math import cos, cosh, exp, sin, sinh, sqrt

HALF_ROOT_3 = sqrt(3.0) / 2.0
TWO_THIRDS = 2.0 / 3.0
ROOT_THIRD = 1.0 / sqrt(3.0)


def phase_resistance(r_a: float, r_b: float, r_c: float) -> tuple[float, float, float]:
    """(R_alpha-alpha, R_alpha-beta, R_beta-beta) of three unequal phases of a star with a floating neutral."""
    return (
        TWO_THIRDS * (r_a + (r_b + r_c) / 4.0),
        (r_c - r_b) * ROOT_THIRD / 2.0,
        (r_b + r_c) / 2.0,
    )


def turned_resistance(space: tuple[float, float, float], c: float, s: float) -> tuple[float, float, float]:
    """(R_dd, R_dq, R_qq) of a (R_alpha-alpha, R_alpha-beta, R_beta-beta) at a rotor angle's cosine and sine."""
    r_aa, r_ab, r_bb = space
    cc = c * c
    ss = s * s
    cross = 2.0 * c * s * r_ab
    return cc * r_aa + cross + ss * r_bb, c * s * (r_bb - r_aa) + (cc - ss) * r_ab, ss * r_aa - cross + cc * r_bb


def phase_currents(i_d: float, i_q: float, c: float, s: float) -> tuple[float, float, float]:
    """Phase quantities of dq quantities (currents, EMF) at a rotor angle's cosine and sine; their sum is zero."""
    a = c * i_d - s * i_q
    beta = (s * i_d + c * i_q) * HALF_ROOT_3
    return a, beta - 0.5 * a, -beta - 0.5 * a


def step_dq(
    i_d: float, i_q: float, v_d: float, v_q: float,
    r_dd: float, r_dq: float, r_qq: float,
    l_d: float, l_q: float, psi: float, w_e: float, h_s: float,
) -> tuple[float, float, float, float]:  # fmt: skip
    """Currents (d, q) at the end of a step and their exact means over it, in A."""
    a11 = -r_dd / l_d
    a12 = (w_e * l_q - r_dq) / l_d
    a21 = -(w_e * l_d + r_dq) / l_q
    a22 = -r_qq / l_q
    b1 = v_d / l_d
    b2 = (v_q - w_e * psi) / l_q
    det = a11 * a22 - a12 * a21
    end_d = (a12 * b2 - a22 * b1) / det
    end_q = (a21 * b1 - a11 * b2) / det
    mean = (a11 + a22) / 2.0
    square = mean * mean - det
    even = exp(mean * h_s)
    if square * h_s * h_s < -1e-12:
        root = sqrt(-square)
        odd = even * sin(root * h_s) / root
        even *= cos(root * h_s)
    elif square * h_s * h_s > 1e-12:
        root = sqrt(square)
        odd = even * sinh(root * h_s) / root
        even *= cosh(root * h_s)
    else:
        odd = even * h_s
    off_d = i_d - end_d
    off_q = i_q - end_q
    new_d = end_d + (even + odd * (a11 - mean)) * off_d + odd * a12 * off_q
    new_q = end_q + odd * a21 * off_d + (even + odd * (a22 - mean)) * off_q
    # d/dt (i - end) = A (i - end), so that the integral of it is the change through A inverse.
    change_d = (new_d - i_d) / (det * h_s)
    change_q = (new_q - i_q) / (det * h_s)
    return (
        new_d,
        new_q,
        end_d + a22 * change_d - a12 * change_q,
        end_q - a21 * change_d + a11 * change_q,
    )


def steady_dq(v_d: float, v_q: float, r_dd: float, r_dq: float, r_qq: float) -> tuple[float, float]:
    """Currents (d, q) that stand still at rest, in A."""
    det = r_dd * r_qq - r_dq * r_dq
    return (r_qq * v_d - r_dq * v_q) / det, (r_dd * v_q - r_dq * v_d) / det


def step_line(i: float, v: float, r: float, l: float, h_s: float) -> tuple[float, float]:  # noqa: E741
    """A single loop of resistance and inductance under constant voltage: end and mean current, in A."""
    end = v / r
    new = end + (i - end) * exp(-r * h_s / l)
    return new, end - (new - i) * l / (r * h_s)


PAIR = {
    # current i into the first winding and out of the second, as (alpha, beta) per ampere
    (0, 1): (1.0, -ROOT_THIRD),
    (0, 2): (1.0, ROOT_THIRD),
    (1, 2): (0.0, 2.0 * ROOT_THIRD),
}
"""Where one lead is open the other two windings are in series: the current space vector keeps one direction."""
