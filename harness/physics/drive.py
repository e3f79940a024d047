"""What a bridge puts on a winding: phase volts of an amplitude, and the resistance they meet.

Plain numbers in, plain numbers out; a model puts quantities through `harness.nouns.quantity.propagate`.
"""

from __future__ import annotations

import math

from harness.base.reference import DIODE_V


def dead_time_volts(supply_v: float, dead_time_s: float, carrier_hz: float) -> float:
    """Phase volts (peak of the fundamental) that dead time takes, once each carrier period and against the current.

    The mean error of a phase is dead time x carrier x (supply + two diode drops), a square wave over the turn;
    its fundamental is 4/pi of that. Ripple of the sixth order is left out. Source: handbooks on bridges.

    >>> round(dead_time_volts(12.0, 150e-9, 20e3), 4)
    0.0512
    """
    return 4.0 / math.pi * dead_time_s * carrier_hz * (supply_v + 2.0 * DIODE_V)


def phase_volts(amplitude: float, supply_v: float, dead_time_s: float = 0.0, carrier_hz: float = 0.0) -> float:
    """Peak phase volts at an amplitude (1: half the supply), dead time taken off; never below zero.

    >>> round(phase_volts(0.6, 12.0), 9)
    3.6
    """
    return max(0.0, amplitude * supply_v / 2.0 - dead_time_volts(supply_v, dead_time_s, carrier_hz))


def circuit_ohm(winding_ohm: float, on_ohm: float) -> float:
    """A phase of the star and the one switch in its way, ohm.

    >>> circuit_ohm(5.5, 0.25)
    5.75
    """
    return winding_ohm + on_ohm
