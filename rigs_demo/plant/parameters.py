"""What the plant is made of: frozen parameters, in SI units unless the name says otherwise.

Temperatures are in degC because every law here is stated from 20 degC. How they are filled from a
plant file, a rig file's tolerances and a plant seed stands in drawing.py.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

CONDUCTOR_K = {"copper": 235.0, "aluminium": 225.0}
"""R(T) is proportional to (k + T): k in degC, IEC 60034-1 (from memory)."""
REFERENCE_C = 20.0
"""Temperature at which resistances and flux linkages are stated; IEC 60034-1 practice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ThermalParameters:
    """Three windings into one housing, housing into the room. Lumped values, as a data sheet gives them."""

    winding_to_housing_k_w: float
    housing_to_ambient_k_w: float
    winding_capacity_j_k: float
    housing_capacity_j_k: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorParameters:
    """One angle sensor: its bus word and its pulse-width output."""

    bits: int
    noise_rad: float
    latency_s: float
    eccentricity_rad: float
    """Amplitude of the once-a-turn error (magnet off the axis)."""
    eccentricity_phase_rad: float
    tilt_rad: float
    """Amplitude of the twice-a-turn error (magnet tilted)."""
    tilt_phase_rad: float
    pulse_bits: int
    pulse_noise_rad: float
    pulse_latency_s: float
    pulse_period_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ArmParameters:
    """Gravity arm with end stops; absent where a motor carries none."""

    mass_kg: float
    length_m: float
    own_inertia_kg_m2: float
    hang_reading_rad: float
    stop_rad: float
    """Travel from hanging to either stop."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MotorParameters:
    """One three-phase permanent-magnet motor with its sensor, load and wiring."""

    pole_pairs: int
    resistance_ohm: float
    inductance_h: float
    saliency: float
    """(Lq - Ld) / ((Ld + Lq) / 2)."""
    flux_linkage_v_s: float
    flux_per_k: float
    conductor: str
    rotor_inertia_kg_m2: float
    viscous_friction_n_m_s: float
    coulomb_friction_n_m: float
    cogging_n_m: float
    cogging_periods: int
    cogging_phase_rad: float
    electrical_offset_rad: float
    direction: int
    thermal: ThermalParameters
    sensor: SensorParameters
    arm: ArmParameters | None
    wiring: tuple[int, int, int] = (0, 1, 2)
    """Winding (0 A, 1 B, 2 C) that each of the board's three outputs feeds."""
    open_winding: int | None = None
    """Winding whose lead is broken, if any."""

    @property
    def inductance_d_h(self) -> float:
        """Inductance along the rotor flux."""
        return self.inductance_h * (1.0 - self.saliency / 2.0)

    @property
    def inductance_q_h(self) -> float:
        """Inductance across the rotor flux."""
        return self.inductance_h * (1.0 + self.saliency / 2.0)

    @property
    def inertia_kg_m2(self) -> float:
        """All that turns: rotor, and arm by the parallel-axis theorem."""
        arm = self.arm
        return self.rotor_inertia_kg_m2 + (arm.own_inertia_kg_m2 + arm.mass_kg * arm.length_m**2 if arm else 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class DriverParameters:
    """Half-bridges of all motors, on one board with one thermometer."""

    on_resistance_ohm: float
    dead_time_s: float
    carrier_hz: float
    diode_drop_v: float
    zero_crossing_a: float
    """Current below which ripple makes the dead-time error fade (about the ripple's amplitude)."""
    idle_current_a: float
    lockout_v: float
    """Bus voltage below which the gate drivers stay off."""
    bus_capacitance_f: float
    thermal_resistance_k_w: float
    capacity_j_k: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyParameters:
    """A bench supply (internal resistance 0) or a weak source such as a battery, always connected."""

    voltage_v: float
    internal_resistance_ohm: float = 0.0
    setting_gain: float = 1.0
    """True output over setting, of a bench supply."""

    @property
    def battery(self) -> bool:
        """True for a weak source that nobody can switch."""
        return self.internal_resistance_ohm > 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CouplingParameters:
    """Elastic coupling between the shafts of motors 0 and 1; relaxed where both arms hang."""

    stiffness_n_m_rad: float
    damping_n_m_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Parameters:
    """Everything true about one rig."""

    scenario: str
    gravity_m_s2: float
    room_c: float
    motors: Mapping[str, MotorParameters]
    driver: DriverParameters
    supply: SupplyParameters
    coupling: CouplingParameters | None = None
