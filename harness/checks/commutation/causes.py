"""What causes do to the quantities of commutation, and the causes that it shows first: wiring and sensor."""

from __future__ import annotations

import math
from collections.abc import Mapping

from harness.nouns.effects import (
    ANY_SHIFT,
    FREE,
    LATER,
    NO_SIZE,
    Becomes,
    Cause,
    Effects,
    Expected,
    Near,
    Shift,
    Size,
)

THIRD = 2.0 * math.pi / 3.0

STRAY: Effects = dict.fromkeys(
    ("step_spread", "step_angle", "offset", "hang_reading", "weakest_vector", "reading_lag"), FREE
)
"""What a motor does whose field is not where it should be; of the other checks it says nothing more (`elsewhere`)."""
TURNED: Effects = STRAY | {"step_angle": 0.0, "weakest_vector": 0.0, "reading_lag": 0.0}
"""The same where the six vectors still draw the shaft to places as strong and as far apart as they should be."""
STILL: Effects = {"direction": Becomes(lambda _, __: 0.0, "0"), "phase_order": FREE, "pole_pairs": FREE}
ONE = Becomes(lambda _, __: 1.0, "1")
REVERSED = Becomes(lambda e, _: -e.get("commutation.direction", 1.0), "reversed")


def _wrapped(angle: float) -> float:
    return math.remainder(angle, 2.0 * math.pi)


def _order(order: int) -> Becomes:
    return Becomes(lambda _, __: float(order), str(order))


def _exchanged(first: str, second: str, order: int) -> Cause:
    """Two phases exchanged: the field turns the other way, about c = 0, 120 or 240 degrees."""
    about = (order - 3) * THIRD
    offset = Becomes(lambda e, _: _wrapped(about - e["commutation.offset"]), f"{120 * (order - 3)} deg - offset")
    return Cause(
        name=f"phases {first} and {second} exchanged",
        words=f"phases {first} and {second} are exchanged: the field turns the other way",
        sizes=NO_SIZE,
        elsewhere=FREE,
        effects=TURNED | {"direction": REVERSED, "phase_order": _order(order), "hang_reading": 0.0, "offset": offset},
        confirmed_by="follow the leads from the bridge to the motor",
    )


def _rotated(name: str, leads: str, order: int) -> Cause:
    """Phases in rotated order: the field turns the right way, 120 or 240 degrees off."""
    return Cause(
        name=f"phases rotated by {name}",
        words=f"the phases are connected in rotated order ({leads} for A, B, C)",
        sizes=NO_SIZE,
        elsewhere=FREE,
        effects=TURNED | {"hang_reading": 0.0, "phase_order": _order(order)},
        confirmed_by="follow the leads from the bridge to the motor",
    )


def _turned_offset(e: Expected, turned: float) -> float:
    """theta_e = direction p s + offset: a magnet turned by d moves hang by d and offset by -direction p d."""
    direction, pole_pairs = e.get("commutation.direction", 1.0), e["commutation.pole_pairs"]
    return _wrapped(e["commutation.offset"] - direction * pole_pairs * turned)


AGED = Shift(1.0, by="age", stray=0.5e-3)
"""Half a frame of 1 ms: where in its frame an output is read is each motor's own affair (usual; from memory)."""


def _like_pulse_width(sizes: Mapping[str, float]) -> str:
    """A pulse-width output is read a frame of it late, 0.5 to 5 ms, to some 1/4096 of a turn (usual; from memory)."""
    read_so = sizes["size"] >= 2.0 and 0.5e-3 <= sizes["age"] <= 5e-3
    return ", as by the sensor's pulse-width output in place of its bus" if read_so else ""


CAUSES: tuple[Cause, ...] = (
    # --- wiring and sensor: seen before the loop is energised -------------------------------------
    _exchanged("B", "C", 3),
    _exchanged("A", "B", 4),
    _exchanged("A", "C", 5),
    Cause(
        # Reading counts the other way: s' = -s, so theta_e = -p s' + offset and the arm hangs at -hang.
        name="sensor reversed",
        words="the angle sensor counts the other way (its magnet or its sense is turned round)",
        sizes=NO_SIZE,
        elsewhere=FREE,
        effects=TURNED
        | {"direction": REVERSED, "phase_order": FREE, "offset": 0.0}
        | {"hang_reading": Becomes(lambda e, _: _wrapped(-e["commutation.hang_reading"]), "- hang")},
        confirmed_by="see which way the reading goes when the shaft is turned by hand",
    ),
    _rotated("one", "B, C, A", 1),
    _rotated("two", "C, A, B", 2),
    Cause(
        name="offset",
        words="electrical offset {shift:+.2f} rad from the rig file's: rotor and magnet have moved",
        sizes=ANY_SHIFT,
        elsewhere=FREE,
        effects=TURNED | {"hang_reading": 0.0, "phase_order": 0.0, "offset": Shift(1.0)},
        confirmed_by="hold a field on phase A and read the sensor",
    ),
    Cause(
        name="sensor magnet turned",
        words="the sensor's magnet has turned on the shaft by {shift:.2g} rad",
        sizes=ANY_SHIFT,
        elsewhere=FREE,
        effects=TURNED
        | {"hang_reading": Shift(1.0), "phase_order": FREE}
        | {"offset": Becomes(_turned_offset, "offset - p shift")},
        confirmed_by="mark the magnet against the shaft",
    ),
    Cause(
        name="arm turned",
        words="the arm sits turned on the shaft by {shift:.2g} rad",
        sizes=ANY_SHIFT,
        effects={"hang_reading": Shift(1.0)},
        confirmed_by="let the arm hang and compare its mark",
    ),
    Cause(
        name="phase open",
        words="one phase is open: lead, winding or its half-bridge ({note})",
        sizes=NO_SIZE,
        shown="commutation.weakest_vector",
        elsewhere=FREE,
        effects=STRAY
        | {"direction": FREE, "phase_order": FREE, "pole_pairs": FREE, "sensor_noise": FREE, "distinct_codes": FREE}
        | {"weakest_vector": Becomes(lambda _, __: 0.0, "0")},
        confirmed_by="measure the resistance between the motor's three terminals, off",
    ),
    Cause(
        # Reading goes once round while the field goes p times: step angle 2 pi / (6 p).
        name="pole pairs",
        words="the motor has {measured:.0f} pole pairs where the rig file says {expected:.0f}",
        shown="commutation.pole_pairs",
        elsewhere=FREE,
        effects=TURNED
        | {"pole_pairs": 1.0, "step_angle": -1.0, "phase_order": FREE, "direction": FREE, "hang_reading": 0.0},
        confirmed_by="count the periods of a line voltage over one turn of the shaft",
    ),
    Cause(
        name="no supply at the bridge",
        words="no motion: no supply reaches the bridge",
        sizes=NO_SIZE,
        where="any",
        elsewhere=FREE,
        effects=STRAY | STILL,
        confirmed_by="measure the voltage at the bridge",
    ),
    Cause(
        name="shaft blocked",
        words="no motion: the shaft is blocked",
        sizes=NO_SIZE,
        elsewhere=FREE,
        effects=STRAY | STILL | {"weakest_vector": 0.0},
        confirmed_by="turn the shaft by hand, phases off",
    ),
    Cause(
        name="bridge dead",
        words="no motion: bridge not enabled, or two phases open",
        sizes=NO_SIZE,
        elsewhere=FREE,
        effects=STRAY | STILL,
        confirmed_by="measure the enable pin and the motor's three terminals",
    ),
    # --- sensor reading ----------------------------------------------------------------------------
    Cause(
        name="reading frozen",
        where="any",
        words="the reading is frozen: it stands still, without even its noise, whatever the shaft does",
        sizes=NO_SIZE,
        elsewhere=FREE,
        effects=STRAY
        | STILL
        | {"weakest_vector": 0.0, "sensor_noise": Becomes(lambda _, __: 0.0, "0"), "distinct_codes": ONE}
        | {"sensor_age": FREE},
        confirmed_by="turn the shaft by hand and watch its reading",
    ),
    Cause(
        # The codes met at rest are as many fewer as a step is coarser, down to a single one. Steps of several degrees
        # bend a sweep of few of them as they like: the count of pole pairs too.
        name="coarse reading",
        where="any",
        words="the reading comes in coarser steps than the sensor's: low bits are lost on the way",
        sizes={"size": Size(low=1.5, high=1000.0)},
        elsewhere=FREE,
        effects=dict.fromkeys(
            ("step_spread", "step_angle", "offset", "hang_reading", "phase_order", "pole_pairs"), FREE
        )
        | {"sensor_noise": FREE, "distinct_codes": -1.0},
        confirmed_by="turn the shaft slowly by hand and watch the lowest bits of its reading",
    ),
    Cause(
        name="noisier path",
        where="any",
        words="the angle is read by a noisier path than stated: {ratio:.1f} times the noise, {age_ms:.1f} ms older"
        "{like}",
        like=_like_pulse_width,
        sizes={"size": Size(low=1.5, high=1000.0), "age": Size(kind="shift", low=0.0, high=1.0)},
        shown="commutation.sensor_noise",
        effects={
            "sensor_noise": 1.0,
            "distinct_codes": FREE,
            "sensor_age": AGED,
            "reading_lag": AGED,
            "step_spread": FREE,
            "pole_pairs": Near(0.45),  # bent by less than half a pole pair
            "step_angle": FREE,
        },
        confirmed_by="see which of the sensor's outputs the firmware reads",
    ),
    Cause(
        name="impossible age",
        where="any",
        words="the firmware tells of an age that no reading can have, nothing at all or one to come: its unit or its "
        "sense is wrong",
        sizes={"size": Size(kind="shift", low=1.0, high=math.inf)},
        shown="commutation.impossible_ages",
        effects={"impossible_ages": Shift(1.0), "sensor_age": FREE},
        confirmed_by="print both instants from which the firmware makes the age",
    ),
    Cause(
        name="older reading",
        where="any",
        words="the reading is {shift_ms:.1f} ms older than stated, no noisier",
        sizes=LATER,
        effects={"sensor_age": Shift(1.0), "reading_lag": Shift(1.0)},
        confirmed_by="see when the firmware latches the reading",
    ),
    Cause(
        name="late reading",
        where="any",
        words="the reading lags {shift_ms:.1f} ms more behind the shaft than stated, which its age does not tell",
        sizes=LATER,
        shown="commutation.reading_lag",
        effects={"reading_lag": Shift(1.0)} | dict.fromkeys(("step_spread", "step_angle"), FREE),
        confirmed_by="see what stands between the sensor and angle(): a queue, a filter, a frame",
    ),
    Cause(
        name="age told",
        where="any",
        words="the firmware tells an age that its readings have not: {shift_ms:+.1f} ms, and they lag as stated",
        sizes=ANY_SHIFT,
        shown="commutation.sensor_age",
        effects={"sensor_age": Shift(1.0)},
        confirmed_by="print both instants from which the firmware makes the age",
    ),
)

EFFECTS: Mapping[str, Effects] = {
    "magnet flux": {"step_spread": FREE},
    "static amplitude": {"step_spread": FREE},
}
"""On quantities of this check, of causes that another one shows first."""
