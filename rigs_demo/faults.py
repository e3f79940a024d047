"""Rig faults: named defects that the simulated bench can be given, alone or together.

Each has a default severity whose reason was written down before anything was tuned to it. Severity 0 is
the healthy rig, to the last bit. A fault changes the plant's parameters, its wiring, or the firmware:
then the board gets a copy with the defect in, and nothing says so. Motor faults sit in the leaf motor.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace

from rigs_demo.plant import drawing
from rigs_demo.plant.parameters import MotorParameters, Parameters

FAULTY_MOTOR = "leaf"


class FaultError(Exception):
    """A fault that is not known, a severity out of its range, or firmware that it does not fit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One row of the table. `whole` severities count something; `plant` and `firmware` say what it changes."""

    name: str
    severity: float
    words: str
    reason: str
    """Why this default severity."""
    high: float
    """Largest severity that makes sense; the smallest is 0 unless `low` says otherwise."""
    low: float = 0.0
    whole: bool = False
    plant: Callable[[Parameters, float], Parameters] | None = None
    firmware: Callable[[str, float], str] | None = None


def _on_motor(change: Callable[[MotorParameters, float], MotorParameters]) -> Callable[[Parameters, float], Parameters]:
    def plant(parameters: Parameters, severity: float) -> Parameters:
        motors = dict(parameters.motors)
        motors[FAULTY_MOTOR] = change(motors[FAULTY_MOTOR], severity)
        return replace(parameters, motors=motors)

    return plant


def _cross(motor: MotorParameters, _: float) -> MotorParameters:
    return replace(motor, wiring=(0, 2, 1))


def _break(motor: MotorParameters, severity: float) -> MotorParameters:
    return replace(motor, open_winding=int(severity) - 1)


def _more_poles(motor: MotorParameters, severity: float) -> MotorParameters:
    return replace(motor, pole_pairs=motor.pole_pairs + int(severity))


def _fade(motor: MotorParameters, severity: float) -> MotorParameters:
    return replace(motor, flux_linkage_v_s=motor.flux_linkage_v_s * (1.0 - severity))


def _loosen(motor: MotorParameters, severity: float) -> MotorParameters:
    thermal = motor.thermal
    return replace(
        motor, thermal=replace(thermal, winding_to_housing_k_w=thermal.winding_to_housing_k_w * (1.0 + severity))
    )


def _droop(parameters: Parameters, severity: float) -> Parameters:
    supply = parameters.supply
    return replace(
        parameters,
        supply=replace(
            supply, voltage_v=supply.voltage_v * (1.0 - severity), setting_gain=supply.setting_gain * (1.0 - severity)
        ),
    )


def edit(source: str, pattern: str, replacement: Callable[[re.Match[str]], str], what: str) -> str:
    """`source` with the one place that matches changed. Raises FaultError where the pattern fits none, or several."""
    edited, count = re.subn(pattern, replacement, source, flags=re.MULTILINE)
    if count != 1:
        raise FaultError(f"firmware: expected exactly one line for {what} ({pattern}), found {count}")
    return edited


def _halve_gain(source: str, severity: float) -> str:
    return edit(
        source,
        r"^GAIN = (const\()?(\d+)(\)?)",
        lambda m: f"GAIN = {m[1] or ''}{round(int(m[2]) * (1.0 - severity))}{m[3]}",
        "the loop's gain",
    )


LATE = """
_late = {{}}


def _held(m, error):
    line = _late.get(id(m))
    now = time.ticks_us()
    if line is None or time.ticks_diff(now, line[0]) > {forget_us}:
        line = _late[id(m)] = [now] + [error] * {passes}
    line[0] = now
    line.append(error)
    time.sleep_us({rest_us})
    return line.pop(1)


"""
LOOP_PERIOD_US = 1000
"""Period of both demo firmwares; a lateness of whole periods is a queue, the rest a wait."""


def _be_late(source: str, severity: float) -> str:
    passes, rest_us = divmod(round(severity * 1e6), LOOP_PERIOD_US)
    source = edit(
        source,
        r"^( +)(error = \(m.*)$",
        lambda m: f"{m[1]}{m[2]}\n{m[1]}error = _held(m, error)",
        "the loop's error",
    )
    helper = LATE.format(passes=passes, rest_us=rest_us, forget_us=10 * LOOP_PERIOD_US)
    return edit(source, r"^\n\n(?=def declare\(motor\):)", lambda _: helper, "the place before declare()")


def _misread(source: str, _: float) -> str:
    return edit(
        source, r'^( +)if SENSOR_PATH == "bus":', lambda m: f'{m[1]}if SENSOR_PATH != "bus":', "the choice of path"
    )


FAULTS: Mapping[str, Fault] = {
    fault.name: fault
    for fault in (
        Fault(
            name="crossed-leads", severity=1.0, high=1.0, whole=True, plant=_on_motor(_cross),
            words="phases B and C of the leaf motor swapped",
            reason="there is only swapped and not swapped",
        ),
        Fault(
            name="broken-lead", severity=3.0, high=3.0, whole=True, plant=_on_motor(_break),
            words="one phase of the leaf motor open (1 A, 2 B, 3 C)",
            reason="any of the three would do; with C open two of six fields carry nothing",
        ),
        Fault(
            name="extra-pole-pair", severity=1.0, low=-2.0, high=3.0, whole=True, plant=_on_motor(_more_poles),
            words="leaf motor with 11 pole pairs where file and firmware say 10",
            reason="one more is the nearest wrong motor, and the hardest to tell by its steps",
        ),
        Fault(
            name="faded-magnet", severity=0.15, high=0.9, plant=_on_motor(_fade),
            words="magnet flux of the leaf motor 15 % low",
            reason="five times the tolerance of a person who has measured it; a magnet once too hot loses as much",
        ),
        Fault(
            name="slack-gain", severity=0.5, high=0.95, firmware=_halve_gain,
            words="loop gain of the firmware half of what the rig file says",
            reason="a factor of two is one wrong shift in integer code",
        ),
        Fault(
            name="late-loop", severity=2.0e-3, high=20.0e-3, firmware=_be_late,
            words="2 ms more delay in the firmware's loop",
            reason="two loop periods: a queue or a filter that somebody added",
        ),
        Fault(
            name="loose-winding", severity=0.5, high=10.0, plant=_on_motor(_loosen),
            words="winding-to-housing thermal resistance of the leaf motor up 50 %",
            reason="five times the tolerance: resin that has come off over a third of the slot",
        ),
        Fault(
            name="pulse-reading", severity=1.0, high=1.0, whole=True, firmware=_misread,
            words="sensor read by pulse width where the bus was meant",
            reason="there is only one path or the other",
        ),
        Fault(
            name="drooping-supply", severity=0.1, high=0.5, plant=_droop,
            words="supply 10 % low",
            reason="twenty times its tolerance: a bad lead, or a regulator at its end",
        ),
    )
}  # fmt: skip


def lines() -> list[str]:
    """The table as text, one fault a line, tab-separated: name, default severity, words."""
    return [f"{fault.name}\t{fault.severity:g}\t{fault.words}" for fault in FAULTS.values()]


def parse(text: str) -> tuple[str, float]:
    """(name, severity) of `name` or `name=severity`. Raises FaultError with what was expected."""
    name, equals, number = text.partition("=")
    fault = check_fault(name)
    if not equals:
        return name, fault.severity
    try:
        severity = float(number)
    except ValueError as problem:
        raise FaultError(f"fault {name}: severity: expected a number, found {number!r}") from problem
    if not fault.low <= severity <= fault.high:
        raise FaultError(f"fault {name}: severity: expected {fault.low:g} to {fault.high:g}, found {number}")
    if fault.whole and severity != int(severity):
        raise FaultError(f"fault {name}: severity: expected a whole number, found {number}")
    return name, severity


def check_fault(name: str) -> Fault:
    """The fault of that name. Raises FaultError naming those there are."""
    if name not in FAULTS:
        raise FaultError(f"fault: expected one of {', '.join(FAULTS)}, found {name!r}")
    return FAULTS[name]


def severities(faults: Iterable[str] | Mapping[str, float]) -> dict[str, float]:
    """Severity by name, checked, of `name[=severity]` texts or of a mapping. Raises FaultError."""
    texts = [f"{name}={severity!r}" for name, severity in faults.items()] if isinstance(faults, Mapping) else faults
    chosen: dict[str, float] = {}
    for text in texts:
        name, severity = parse(text)
        if name in chosen:
            raise FaultError(f"fault {name}: given twice")
        chosen[name] = severity
    return chosen


def plant_of(
    scenario: str,
    plant_seed: int | None = None,
    faults: Iterable[str] | Mapping[str, float] = (),
    board_seed: int | None = None,
) -> Parameters:
    """The plant of a shipped scenario, drawn by `plant_seed`, its board by `board_seed`, and given `faults`.

    `faults` are texts `name` or `name=severity`, or severity by name.

    Raises PlantFileError for an unknown scenario, FaultError for a fault that is not known or cannot be given.
    """
    return apply(drawing.load(scenario, plant_seed, board_seed), faults)


def apply(parameters: Parameters, faults: Iterable[str] | Mapping[str, float]) -> Parameters:
    """Parameters with the plant's share of the faults. Raises FaultError."""
    for name, severity in severities(faults).items():
        change = FAULTS[name].plant
        if change is not None and severity:
            parameters = change(parameters, severity)
    return parameters


def firmware_copy(source: str, faults: Iterable[str] | Mapping[str, float]) -> str:
    """The firmware's source with the firmware's share of the faults; the same text if there is none.

    Raises FaultError where a fault does not fit this firmware.
    """
    for name, severity in severities(faults).items():
        change = FAULTS[name].firmware
        if change is not None and severity:
            source = change(source, severity)
    return source
