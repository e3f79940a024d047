"""The rig file: one TOML file that describes one bench. `load(path)` gives a frozen, typed RigSpec."""

from harness.rigfile.known import Accuracy, Detect, RequirementLimits, StatedValue
from harness.rigfile.load import load, loads
from harness.rigfile.spec import Instrument, Load, Motor, RigSpec, Sensor

__all__ = [
    "Accuracy",
    "Detect",
    "Instrument",
    "Load",
    "Motor",
    "RequirementLimits",
    "RigSpec",
    "Sensor",
    "StatedValue",
    "load",
    "loads",
]
