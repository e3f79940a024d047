"""Which limits of the rig file nothing on this rig sees, motor by motor. Pure."""

from __future__ import annotations

from collections.abc import Collection, Iterator

from harness.rigfile import RigSpec

HEATING = ("supply", "multimeter", "thermometer")
"""Instruments of the one check, thermal, that compares current and temperatures with their limits."""
NOT_HEATED = "not read, because only thermal reads it, which is not run"
INSTEAD = "the largest amplitude is kept low by the rig file's resistance and voltage instead"


def not_supervised(spec: RigSpec, firmware_names: Collection[str], heated: Collection[str]) -> list[str]:
    """Lines for a person: the motors, the limit, where or why it is not seen. Speed is seen wherever the angle is.

    `heated`: the motors on which that one check is to be run.
    """
    blind: dict[str, list[str]] = {}
    for motor in spec.motors:
        for words in _blind(spec, motor, firmware_names, heated=motor in heated):
            blind.setdefault(words, []).append(motor)
    return [f"{', '.join(motors)}: {words}" for words, motors in blind.items()]


def _blind(spec: RigSpec, motor: str, firmware_names: Collection[str], *, heated: bool) -> Iterator[str]:
    load = spec.motor[motor].load
    if load is None:
        yield "travel: the rig file has no arm that hangs (load), unless commutation finds one"
    elif load.hang_reading_rad is None:
        yield "travel, until commutation has measured where the arm hangs (load.hang_reading_rad is not stated)"
    missing = [class_ for class_ in HEATING if not _has(spec, class_, motor)]
    if missing:
        lacking = f"no {' and no '.join(missing)}"
        yield f"phase current: {lacking}; {INSTEAD}"
        yield f"winding temperature: {lacking}; the time of a hold is kept short instead"
    elif not heated:
        yield f"phase current: {NOT_HEATED}; {INSTEAD}"
        yield f"winding temperature: {NOT_HEATED}; the time of a hold is kept short instead"
    else:
        yield f"phase current: read in thermal only; elsewhere {INSTEAD}"
        yield "winding temperature: read in thermal only; elsewhere the time of a hold is kept short instead"
    if spec.limits.driver_temperature_c is not None:
        if "driver_temperature" not in firmware_names:
            yield "driver temperature: the firmware has no driver_temperature()"
        elif missing:
            yield f"driver temperature: read in thermal only, which needs more: {lacking}"
        elif not heated:
            yield f"driver temperature: {NOT_HEATED}"
        else:
            yield "driver temperature: read before and after the heating of thermal only"


def _has(spec: RigSpec, class_: str, motor: str) -> bool:
    entries = [spec.instrument[name] for name in spec.instruments_of(class_)]
    return any(entry.across is None or entry.is_at(motor) for entry in entries)
