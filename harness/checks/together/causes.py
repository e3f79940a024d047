"""What causes do to two motors that hold at once: whatever moves the loop of one may move all of it."""

from __future__ import annotations

from collections.abc import Mapping

from harness.nouns.effects import FREE, HAPPENS, Cause, Effects

CAUSES: tuple[Cause, ...] = ()

MOVES_ALL = (
    "noisier path", "older reading", "late reading", "magnet flux", "arm torque", "supply voltage",
    "winding resistance", "driver resistance", "static amplitude", "loop gain", "loop delay", "loop period",
    "friction", "inertia",
)  # fmt: skip
EFFECTS: Mapping[str, Effects] = {
    **{cause: {"*": FREE} for cause in MOVES_ALL},
    "loop not stable": {"*": FREE, "limits": HAPPENS},
}
"""On quantities of this check, of causes that another one shows first."""
