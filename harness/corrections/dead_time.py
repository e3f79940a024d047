"""What a bridge's dead time takes off the amplitude of a field, and off the duties of a steady current."""

from __future__ import annotations

import math

from harness.base.reference import DIODE_V
from harness.nouns.quantity import Quantity, exact, scaled
from harness.rigfile import RigSpec


def amplitude_lost(spec: RigSpec) -> Quantity:
    """Amplitude (1: half the supply) that dead time takes, exactly 0 where the rig file does not state it.

    Once a carrier period, while both switches of a phase are off, its current keeps to the diode that holds it back:
    the phase misses the supply and a drop at one edge and a drop at the other, dead time x carrier x (supply + 2 drops)
    on the mean, with the sign of the current. The fundamental of that square wave over a turn of the field is 4/pi
    of it, and amplitude counts in halves of the supply.
    """
    dead, carrier_hz = spec.firmware.dead_time_s, spec.firmware.carrier_hz
    if dead is None or carrier_hz is None:
        return exact(0.0, "1")
    drops = 1.0 + 2.0 * DIODE_V / spec.supply.voltage_v.value
    return scaled(dead.quantity("s"), 2.0 * 4.0 / math.pi * carrier_hz * drops, "1")


def phase_current(supply_a: float, idle_a: float, difference: float, dead_share: float) -> float:
    """Phase current, A, from the difference of two duties. `dead_share` is dead time x carrier.

    >>> round(phase_current(0.075, 0.045, 0.256, 0.003), 6)
    0.12
    """
    return (supply_a - idle_a) / (difference - 2.0 * dead_share)
