"""What a bridge's dead time takes off the amplitude of a field, and off the duties of a steady current."""

from __future__ import annotations

import math

from harness.base.reference import DIODE_V
from harness.nouns.observation import Observation
from harness.nouns.quantity import Quantity, scaled
from harness.rigfile import RigSpec, unstated


def dead_share(spec: RigSpec, observation: Observation | None) -> Quantity:
    """Dead time x carrier, part of a period: as the rig file states them, else as the firmware declared them.

    What it declared stands in an observation's conditions `dead_time_s` and `carrier_hz`; where nobody asked, usual
    ones take their place.
    """

    def declared(name: str) -> float | None:
        return observation.number(name) if observation is not None and observation.states(name) else None

    carrier_hz = spec.firmware.carrier_hz or declared("carrier_hz") or unstated.CARRIER_HZ
    return scaled(unstated.dead_time(spec, declared("dead_time_s")), carrier_hz, "1")


def amplitude_lost(spec: RigSpec, observation: Observation | None) -> Quantity:
    """Amplitude (1: half the supply) that dead time takes; `observation` as for `dead_share`.

    Once a carrier period, while both switches of a phase are off, its current keeps to the diode that holds it back:
    the phase misses the supply and a drop at one edge and a drop at the other, dead time x carrier x (supply + 2 drops)
    on the mean, with the sign of the current. The fundamental of that square wave over a turn of the field is 4/pi
    of it, and amplitude counts in halves of the supply.
    """
    drops = 1.0 + 2.0 * DIODE_V / spec.supply.voltage_v.value
    return scaled(dead_share(spec, observation), 2.0 * 4.0 / math.pi * drops, "1")


def phase_current(supply_a: float, idle_a: float, difference: float, dead_share: float) -> float:
    """Phase current, A, from the difference of two duties. `dead_share` is dead time x carrier.

    >>> round(phase_current(0.075, 0.045, 0.256, 0.003), 6)
    0.12
    """
    return (supply_a - idle_a) / (difference - 2.0 * dead_share)
