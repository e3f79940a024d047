"""What causes do to the quantities of stiffness, and the causes that it shows first: drive, gain, clip, friction."""

from __future__ import annotations

from collections.abc import Mapping

from harness.nouns.effects import FREE, HAPPENS, Cause, Effects, Size

STOPS: Effects = {"limits": FREE}
"""What changes the loop may set it shaking, and the board's own guard may stop it."""


def torques(exponent: float) -> Effects:
    """All that goes with the torque of a given amplitude."""
    return dict.fromkeys(("open_loop", "closed_loop", "slip_torque", "clip_torque"), exponent)


CAUSES: tuple[Cause, ...] = (
    # --- drive: torque = 1.5 p flux x gain x (supply / 2) / (winding + driver resistance) ------------
    Cause(
        name="magnet flux",
        words="magnet flux about {percent:.0f} % {more} than the rig file says",
        effects=STOPS | torques(1.0) | {"torque_per_ampere": 1.0},
        confirmed_by="measure the voltage of the turned motor on open terminals (back-EMF)",
    ),
    Cause(
        # The arm is the torque standard: all torques measured by it come out as if it were as stated.
        name="arm torque",
        words="the arm's torque about {percent:.0f} % {more} than the rig file says",
        effects=STOPS | torques(-1.0) | {"torque_per_ampere": -1.0, "friction": -1.0},
        confirmed_by="weigh the arm and find its centre of mass",
    ),
    Cause(
        name="supply voltage",
        where="rig",
        words="supply about {percent:.0f} % {more} than the rig file says",
        effects=STOPS | torques(1.0) | {"supply_voltage": 1.0},
        confirmed_by="measure the supply's voltage while a motor holds",
    ),
    Cause(
        name="winding resistance",
        words="winding resistance about {percent:.0f} % {more} than the rig file says",
        effects=STOPS | torques(-1.0),
        confirmed_by="measure the winding cold, with four wires",
    ),
    Cause(
        name="driver resistance",
        where="any",
        words="resistance of bridge, leads or connectors too high: the whole circuit's is {percent:.0f} % {more}",
        sizes={"size": Size(low=1.0, high=20.0)},
        effects=STOPS | torques(-1.0),
        confirmed_by="measure the drop across the bridge and the leads while a motor holds",
    ),
    Cause(
        name="static amplitude",
        where="any",
        words="a static field is about {percent:.0f} % {more} than asked for, the loop's is not",
        effects={"open_loop": 1.0, "slip_torque": 1.0, "ratio": -1.0},
        confirmed_by="look at the three duties of a static field",
    ),
    # --- the loop and the shaft as a held arm shows them ----------------------------------------------
    Cause(
        name="loop gain",
        where="any",
        words="the firmware's loop gain is {ratio:.2g} times what the rig file says",
        effects=STOPS | {"closed_loop": 1.0, "ratio": 1.0},
        confirmed_by="read the gain out of the firmware",
    ),
    Cause(
        name="loop clip",
        where="any",
        words="the loop's largest demand is {ratio:.2g} times what the rig file says",
        effects={"clip_torque": 1.0},
        confirmed_by="read the limit out of the firmware",
    ),
    Cause(
        name="friction",
        words="Coulomb friction {ratio:.2g} times what the rig file says",
        effects=STOPS | {"friction": 1.0},
        confirmed_by="let the arm swing out, phases off",
    ),
)

EFFECTS: Mapping[str, Effects] = {
    "noisier path": STOPS | {"friction": FREE},
    "older reading": STOPS,
    "late reading": STOPS,
    "loop delay": STOPS,
    "loop not stable": {"limits": HAPPENS},
    "loop period": STOPS,
    "inertia": STOPS,
}
"""On quantities of this check, of causes that another one shows first."""
