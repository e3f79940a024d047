"""Where a shaft was: angles at the last grid points, for sensors that look back."""

from __future__ import annotations

from rigs_demo.plant.shaft import Shaft

HISTORY = 64
"""Grid steps kept (6.4 ms; the oldest reading is about 2 ms old)."""


class History:
    """Angles of one shaft by grid point; `index` is the last one that is known."""

    __slots__ = ("_angles", "_grid_ns", "_index", "_shaft")

    def __init__(self, shaft: Shaft, grid_ns: int) -> None:
        self._shaft = shaft
        self._grid_ns = grid_ns
        self._index = 0
        self._angles = [shaft.theta_rad] * HISTORY

    def stepped(self, index: int) -> None:
        """Take down the angle at the next grid point."""
        self._index = index
        self._angles[index % HISTORY] = self._shaft.theta_rad

    def stood(self, index: int) -> None:
        """The shaft has not moved for long; the angle is that of all points up to `index`."""
        self._index = index
        self._angles = [self._shaft.theta_rad] * HISTORY

    def at(self, t_ns: int) -> float:
        """Shaft angle at a time: between grid points straight, beyond the last one by its speed."""
        shaft = self._shaft
        steps = t_ns / self._grid_ns
        behind = self._index - steps
        if behind <= 0.0:
            if shaft.omega_rad_s == 0.0:
                return shaft.theta_rad
            return shaft.theta_rad - behind * self._grid_ns * 1e-9 * shaft.omega_rad_s
        if behind >= HISTORY - 1 or steps <= 0.0:
            return self._angles[(self._index + 1) % HISTORY if steps > 0.0 else 0]
        low = int(steps)
        start = self._angles[low % HISTORY]
        return start + (self._angles[(low + 1) % HISTORY] - start) * (steps - low)
