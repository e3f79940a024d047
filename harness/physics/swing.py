"""A shaft on a position loop and a gravity arm, let go at rest: its motion in pieces, each in closed form.

J y'' + c y' + k (y - centre) = 0 between events (any textbook on vibrations), y the angle beyond the set point.
A piece ends where the shaft turns (Coulomb friction changes sides) or where the loop enters or leaves its dead
zone or its clip. A half cycle without dead zone and clip is S[k+1] = q S[k] - c as in L. S. Jacobsen,
R. S. Ayre, Engineering Vibrations (1958). Left out: cogging, saliency, noise, the table's steps.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from harness.base.errors import MeasurementError

MOST_PIECES = 400
NEAR_RAD = 1e-9
"""So far ahead of a shaft at an edge it is asked which zone it is in (arbitrary)."""
CREPT_RAD = 1e-6
"""So near to its end a shaft that creeps there is at rest (arbitrary: a hundredth of what a sensor tells apart)."""
NEAR, MOST_TRIES = 1e-10, 60
"""How near an event is found, of the time that it took, and in how many tries at most (arbitrary)."""
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


class Piece:
    """Motion under a spring, a damper and a constant torque `push` from angle `y` (rad) and speed `v` (rad/s)."""

    __slots__ = ("_a", "_b", "_bends", "_fast", "_rate", "_slow", "_turning", "_v", "_w", "_y", "centre", "settles")

    def __init__(self, inertia: float, stiffness: float, damping: float, push: float, y: float, v: float) -> None:
        square = max(stiffness, 1e-9) / inertia
        self.centre = push / inertia / square
        self._rate = damping / (2.0 * inertia)
        self._bends = square > self._rate**2
        self.settles = self._rate >= 0.0
        """Whether it comes to its centre in the end; otherwise it runs away from there."""
        self._w = math.sqrt(abs(square - self._rate**2)) or 1e-6
        self._y, self._v = y, v
        away = y - self.centre
        if self._bends:
            self._a, self._b = away, (v + self._rate * away) / self._w
            self._turning = away * self._w + self._rate * self._b
            return
        # Two rates of decay; one from the other, as their difference would lose its digits.
        if self._rate >= 0.0:
            self._fast = self._rate + self._w
            self._slow = square / self._fast
        else:
            self._slow = self._rate - self._w
            self._fast = square / self._slow
        self._a = (v + away * self._fast) / (2.0 * self._w)
        self._b = -(v + away * self._slow) / (2.0 * self._w)
        self._turning = (square * away + self._rate * v) / self._w

    # Both from where it starts, and not from the centre, which is far away where hardly anything pulls back.

    def angle(self, t: float) -> float:
        """Rad, at `t` (s) after its start."""
        if self._bends:
            x, lost = self._w * t, math.expm1(-self._rate * t)
            swung = lost * math.cos(x) - 2.0 * math.sin(0.5 * x) ** 2
            return self._y + self._a * swung + self._b * (1.0 + lost) * math.sin(x)
        return self._y + self._a * math.expm1(-self._slow * t) + self._b * math.expm1(-self._fast * t)

    def speed(self, t: float) -> float:
        """Rad/s, at `t` (s) after its start."""
        if self._bends:
            x = self._w * t
            return math.exp(-self._rate * t) * (self._v * math.cos(x) - self._turning * math.sin(x))
        return -self._a * self._slow * math.exp(-self._slow * t) - self._b * self._fast * math.exp(-self._fast * t)

    def turn_s(self) -> float:
        """When it first comes to rest after its start; infinite for one that creeps or runs away."""
        if self._bends:
            return (math.atan2(self._v, self._turning) % math.pi or math.pi) / self._w
        share = self._v / self._turning if self._turning else math.inf
        return math.atanh(share) / self._w if 0.0 < share < 1.0 else math.inf

    def reaches_s(self, level: float, way: float, end_s: float) -> float:
        """When it passes a level, going one way (+-1) until `end_s`; infinite if it does not by then."""
        if math.isinf(level):
            return math.inf
        before, after = 0.0, min(end_s, 0.5 / (self._w + abs(self._rate)))
        while way * (self.angle(after) - level) < 0.0:
            if after >= end_s:
                return math.inf
            before, after = after, min(2.0 * after, end_s)
        t = after
        for _ in range(MOST_TRIES):  # Newton's, within what is known
            left, speed = self.angle(t) - level, self.speed(t)
            before, after = (t, after) if way * left < 0.0 else (before, t)
            step = left / speed if speed else math.inf
            if abs(step) < NEAR * t:
                break
            t = t - step if before < t - step < after else 0.5 * (before + after)
        return t


@dataclass(slots=True, kw_only=True)
class SwingMotion:
    """Pieces and when each begins (s), turning points (instant_s, y), and where friction holds the shaft."""

    pieces: list[tuple[float, Piece]] = field(default_factory=list)
    turns: list[tuple[float, float]] = field(default_factory=list)
    rest: float = 0.0
    rest_s: float = 0.0
    held: bool = True

    def at(self, instant_s: float) -> float:
        """y at an instant after the start."""
        if instant_s >= self.rest_s:
            return self.rest
        for begin_s, piece in reversed(self.pieces):
            if instant_s >= begin_s:
                return piece.angle(instant_s - begin_s)
        return self.pieces[0][1].angle(0.0)

    def crossing(self, level: float, begin_s: float, end_s: float) -> float:
        """Instant of a level between two instants with a monotone stretch between them; the end, if it is beyond."""
        way = math.copysign(1.0, self.at(end_s) - self.at(begin_s))
        ends = [*(from_s for from_s, _ in self.pieces[1:]), self.rest_s]
        for (from_s, piece), to_s in zip(self.pieces, ends, strict=True):
            if to_s > begin_s and from_s < end_s:
                at_s = from_s + piece.reaches_s(level, way, min(to_s, end_s) - from_s)
                if at_s <= end_s:
                    return max(at_s, begin_s)
        return end_s


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
    most = shaft.loop * (shaft.clip_rad - shaft.dead_rad)

    def zone_of(angle: float) -> int:
        """0 dead, +-1 follows, +-2 clipped."""
        return sum([angle > edge for edge in edges]) - 2

    def torque(angle: float) -> float:
        zone = zone_of(angle)
        loop = 0.0
        if abs(zone) == 1:
            loop = -shaft.loop * (angle - math.copysign(shaft.dead_rad, angle))
        elif abs(zone) == 2:
            loop = -math.copysign(most, angle)
        return loop - shaft.arm * (angle - hang)

    def piece_in(zone: int) -> Piece:
        stiffness, damping, push = shaft.arm, shaft.damping, shaft.arm * hang - sense * shaft.friction
        if abs(zone) == 1:
            stiffness += shaft.loop
            push += math.copysign(shaft.loop * shaft.dead_rad, zone)
            damping -= shaft.loop * shaft.lag_s
        elif abs(zone) == 2:
            push -= math.copysign(most, zone)
        return Piece(shaft.inertia, stiffness, damping, push, y, v)

    for _ in range(MOST_PIECES):
        if sense == 0.0:  # at rest: does anything move it?
            pull = torque(y)
            if abs(pull) <= shaft.friction or now > MOST_S:
                motion.rest, motion.rest_s, motion.held = y, now, abs(pull) <= shaft.friction
                return motion
            sense = math.copysign(1.0, pull)
        zone = zone_of(y + sense * NEAR_RAD)
        piece = piece_in(zone)
        motion.pieces.append((now, piece))
        ahead = (*edges, math.inf)[zone + 2] if sense > 0.0 else (-math.inf, *edges)[zone + 2]
        turn_s = piece.turn_s()
        creeps = piece.settles and math.isinf(turn_s)
        if creeps:
            turn_s = piece.reaches_s(piece.centre - sense * CREPT_RAD, sense, MOST_S)
        lasts_s = min(piece.reaches_s(ahead, sense, min(turn_s, MOST_S)), turn_s)
        if lasts_s > MOST_S:
            y, now = piece.angle(MOST_S), now + MOST_S
            break
        y, v, now = piece.angle(lasts_s), piece.speed(lasts_s), now + lasts_s
        if lasts_s == turn_s:
            motion.turns.append((now, y))
            v = sense = 0.0
            if creeps:
                motion.rest, motion.rest_s = y, now
                return motion
    motion.rest, motion.rest_s, motion.held = y, now, False
    return motion
