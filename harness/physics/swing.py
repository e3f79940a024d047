"""A shaft on a position loop and a gravity arm, let go at rest: its motion in pieces, each in closed form.

J y'' + c y' + k (y - centre) = 0 between events (any textbook on vibrations), y the angle beyond the set point.
A piece ends where the shaft turns (Coulomb friction changes sides) or where the loop enters or leaves its dead
zone or its clip. A half cycle without dead zone and clip is S[k+1] = q S[k] - c as in L. S. Jacobsen,
R. S. Ayre, Engineering Vibrations (1958). Left out: cogging, saliency, noise, the table's steps.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

from harness.base.errors import MeasurementError

MOST_PIECES = 400
HALVINGS = 26
"""Of an interval of some ms that holds an event: to 0.1 ns."""
MOST_S = 3.0
"""A swing that lasts longer is cut: a loop that hunts never rests. Arbitrary."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shaft:
    """What moves. Torques in N m, angles in rad, damping in N m s."""

    loop: float
    """Stiffness of the loop inside its clip, N m/rad."""
    arm: float
    """m g l, N m/rad about hanging."""
    inertia: float
    damping: float
    """Viscous friction and back-EMF."""
    lag_s: float
    """Delay and half period of the loop: takes loop x lag from the damping while the loop follows the angle."""
    friction: float
    dead_rad: float
    """Error below which dead time lets no current flow."""
    clip_rad: float
    """Error at which the loop's demand is at its limit."""


@dataclass(slots=True, kw_only=True)
class SwingMotion:
    """Pieces (begin_s, y(t)), turning points (instant_s, y), and where friction holds the shaft."""

    pieces: list[tuple[float, Callable[[float], float]]] = field(default_factory=list)
    turns: list[tuple[float, float]] = field(default_factory=list)
    rest: float = 0.0
    rest_s: float = 0.0
    held: bool = True

    def at(self, instant_s: float) -> float:
        """y at an instant after the start."""
        if instant_s >= self.rest_s:
            return self.rest
        for begin_s, y in reversed(self.pieces):
            if instant_s >= begin_s:
                return y(instant_s - begin_s)
        return self.pieces[0][1](0.0)

    def crossing(self, level: float, begin_s: float, end_s: float) -> float:
        """Instant of a level between two instants with a monotone stretch between them."""
        rising = self.at(end_s) > self.at(begin_s)
        low, high = begin_s, end_s
        for _ in range(HALVINGS):
            middle = 0.5 * (low + high)
            if (self.at(middle) < level) == rising:
                low = middle
            else:
                high = middle
        return 0.5 * (low + high)


def _piece(
    shaft: Shaft, zone: int, sense: float, hang: float, y: float, v: float
) -> tuple[Callable[[float], float], Callable[[float], float], float]:
    """y(t), v(t) of one piece from its start, and its natural frequency. `zone`: 0 dead, +-1 follows, +-2 clipped."""
    stiffness, push, damping = shaft.arm, shaft.arm * hang - sense * shaft.friction, shaft.damping
    if abs(zone) == 1:
        stiffness += shaft.loop
        push += math.copysign(shaft.loop * shaft.dead_rad, zone)
        damping -= shaft.loop * shaft.lag_s
    elif abs(zone) == 2:
        push -= math.copysign(shaft.loop * (shaft.clip_rad - shaft.dead_rad), zone)
    stiffness = max(stiffness, 1e-9)
    centre, rate = push / stiffness, damping / (2.0 * shaft.inertia)
    square = stiffness / shaft.inertia - rate**2
    w = math.sqrt(abs(square)) or 1e-9
    cosine, sine = (math.cos, math.sin) if square > 0.0 else (math.cosh, math.sinh)
    bend = -1.0 if square > 0.0 else 1.0
    a, b = y - centre, (v + rate * (y - centre)) / w

    def angle(t: float) -> float:
        return centre + math.exp(-rate * t) * (a * cosine(w * t) + b * sine(w * t))

    def speed(t: float) -> float:
        return math.exp(-rate * t) * ((b * w - rate * a) * cosine(w * t) + (bend * a * w - rate * b) * sine(w * t))

    return angle, speed, math.sqrt(stiffness / shaft.inertia)


def let_go(shaft: Shaft, start: float, hang: float) -> SwingMotion:
    """Motion from rest at `start` (rad beyond the set point); the arm hangs at `hang` beyond it.

    Raises MeasurementError for a shaft without inertia.

    >>> shaft = Shaft(loop=0.5, arm=0.05, inertia=2e-4, damping=1.2e-3, lag_s=0.0, friction=2e-3,
    ...               dead_rad=0.0, clip_rad=9.0)
    >>> motion = let_go(shaft, -0.06, 0.0)
    >>> [round(y, 4) for _, y in motion.turns], motion.held
    ([0.0434, -0.0296, 0.0181, -0.0084, 0.0004], True)
    """
    if not shaft.inertia > 0.0:
        raise MeasurementError("the rig file's tolerances reach a shaft without inertia")
    edges = (-shaft.clip_rad, -shaft.dead_rad, shaft.dead_rad, shaft.clip_rad)
    motion = SwingMotion()
    y, v, now, sense = start, 0.0, 0.0, 0.0

    def zone_of(angle: float, way: float) -> int:
        probe = angle + way * 1e-9
        return sum(probe > edge for edge in edges) - 2

    def torque(angle: float) -> float:
        zone = zone_of(angle, 0.0)
        loop = 0.0
        if abs(zone) == 1:
            loop = -shaft.loop * (angle - math.copysign(shaft.dead_rad, angle))
        elif abs(zone) == 2:
            loop = -math.copysign(shaft.loop * (shaft.clip_rad - shaft.dead_rad), angle)
        return loop - shaft.arm * (angle - hang)

    for _ in range(MOST_PIECES):
        if sense == 0.0:  # at rest: does anything move it?
            pull = torque(y)
            if abs(pull) <= shaft.friction or now > MOST_S:
                motion.rest, motion.rest_s, motion.held = y, now, abs(pull) <= shaft.friction
                break
            sense = math.copysign(1.0, pull)
        zone = zone_of(y, sense)
        angle, speed, w = _piece(shaft, zone, sense, hang, y, v)
        motion.pieces.append((now, angle))
        low, high = (-math.inf, *edges)[zone + 2], (*edges, math.inf)[zone + 2]
        step, t = 0.12 / w, 0.0
        while sense * speed(t + step) > 0.0 and low <= angle(t + step) <= high:
            t += step
            if t > MOST_S:
                break

        def over(
            at: float,
            angle: Callable[[float], float] = angle,
            speed: Callable[[float], float] = speed,
            low: float = low,
            high: float = high,
            way: float = sense,
        ) -> bool:
            return way * speed(at) <= 0.0 or not low <= angle(at) <= high

        before, after = t, t + step
        for _ in range(HALVINGS):
            middle = 0.5 * (before + after)
            before, after = (before, middle) if over(middle) else (middle, after)
        y, v, now = angle(after), speed(after), now + after
        if sense * v <= 0.0:
            motion.turns.append((now, y))
            v = sense = 0.0
    else:
        motion.rest, motion.rest_s, motion.held = y, now, False
    return motion
