"""What the rig file lets expect of a held motor: a field held open loop, and the firmware's loop.

Open loop the rotor hangs on the field like on a spring: T = Tmax sin(p deflection), stiffness p Tmax at zero load
(torque-angle relation, any machine textbook). Closed loop the field stands 90 electrical degrees ahead and its
amplitude is the gain times the position error: K = 1.5 p psi x gain x (supply / 2) / (R + Ron), outside the dead zone
that dead time makes. All at 20 degC. Left out: saliency (cancels to first order at 90 degrees), cogging (averages
out), the firmware's table steps.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from harness.checks.stiffness.stimulus import AMPLITUDE
from harness.checks.strength import FIELD_SHARE
from harness.nouns.quantity import Quantity, propagate, scaled
from harness.nouns.results import Expectation
from harness.physics.drive import circuit_ohm
from harness.physics.holding import LOOP, OPEN, loop_stiffness, misaligned
from harness.physics.motor import known, needs, peak_torque, torque_per_ampere
from harness.rigfile import unstated

if TYPE_CHECKING:
    from harness.nouns.contract import Declared
    from harness.rigfile import RigSpec


def expect(spec: RigSpec, declared: Declared, motor: str) -> list[Expectation]:
    """Expectations of the stiffness check for one motor; an absent input is named in `needs`."""
    pole_pairs = spec.motor[motor].pole_pairs or declared.pole_pairs

    def given(name: str, quantity: Quantity | None, lacking: tuple[str, ...], model: str) -> Expectation:
        full = f"{motor}.stiffness.{name}"
        return Expectation(name=full, quantity=None if lacking else quantity, needs=lacking, model=model)

    held = needs(spec, motor, OPEN)
    looped = needs(spec, motor, LOOP)
    clipped = needs(spec, motor, (*OPEN, "amplitude_limit"))
    peak = None if held else held_torque(spec, declared, motor, pole_pairs)
    loop = None if looped else loop_stiffness(spec, motor, pole_pairs)
    both, without = None, tuple(dict.fromkeys((*held, *looped)))
    if peak is not None and peak.value <= 0.0:
        without = ("a field that holds: dead time and resistance of the rig file leave none",)
    elif peak is not None and loop is not None:
        both = propagate(lambda k, t: k / t, "1", k=loop, t=scaled(peak, pole_pairs, "N m/rad"))
    inputs = known(spec, motor, "coulomb_n_m", "flux_v_s", "supply_v")
    return [
        given(
            "open_loop",
            None if peak is None else scaled(peak, pole_pairs, "N m/rad"),
            held,
            f"pole pairs x peak torque at amplitude {AMPLITUDE:g}, 20 degC",
        ),
        given("closed_loop", loop, looped, "1.5 p psi x gain x (supply/2) / (R + Ron), 20 degC"),
        given(
            "ratio",
            both,
            without,
            "closed-loop over open-loop stiffness: flux, resistance and supply cancel",
        ),
        given("friction", inputs.get("coulomb_n_m"), needs(spec, motor, ("coulomb_n_m",)), "as the rig file states it"),
        given("slip_torque", peak, held, f"peak torque at amplitude {AMPLITUDE:g}, 20 degC"),
        given(
            "clip_torque",
            None if clipped else clip_torque(spec, declared, motor, pole_pairs),
            clipped,
            "peak torque at the loop's amplitude limit, 20 degC",
        ),
        given(
            "torque_per_ampere",
            None
            if "flux_v_s" not in inputs
            else scaled(inputs["flux_v_s"], torque_per_ampere(pole_pairs, 1.0), "N m/A"),
            needs(spec, motor, ("flux_v_s",)),
            "1.5 p psi (amplitude-invariant two-axis model)",
        ),
        given("supply_voltage", inputs["supply_v"], (), "as the rig file states it"),
    ]


def _peak(spec: RigSpec, declared: Declared, motor: str, pole_pairs: int, amplitude: Quantity) -> Quantity:
    inputs = known(spec, motor, *OPEN)
    carrier_hz = spec.firmware.carrier_hz or declared.carrier_hz

    def torque(
        supply_v: float,
        winding_ohm: float,
        flux_v_s: float,
        on_ohm: float,
        dead_time_s: float,
        amplitude: float,
        source_ohm: float,
    ) -> float:
        # A source with resistance sags by its current, 0.75 a I for a static field.
        current = amplitude * supply_v / 2.0 / circuit_ohm(winding_ohm, on_ohm)
        sagged = supply_v - source_ohm * FIELD_SHARE * amplitude * current
        return peak_torque(pole_pairs, flux_v_s, amplitude, sagged, winding_ohm, on_ohm, dead_time_s, carrier_hz)

    return propagate(
        torque,
        "N m",
        amplitude=amplitude,
        source_ohm=unstated.source_resistance(spec),
        **inputs,
    )


def held_torque(spec: RigSpec, declared: Declared, motor: str, pole_pairs: int) -> Quantity:
    """Peak torque of a field at AMPLITUDE, N m."""
    return _peak(spec, declared, motor, pole_pairs, Quantity(value=AMPLITUDE, unit="1"))


def clip_torque(spec: RigSpec, declared: Declared, motor: str, pole_pairs: int) -> Quantity:
    """Peak torque at the loop's amplitude limit, with its misalignment, N m."""
    limit = known(spec, motor, "amplitude_limit")["amplitude_limit"]
    return misaligned(spec, motor, _peak(spec, declared, motor, pole_pairs, limit))
