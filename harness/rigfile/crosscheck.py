"""Checks between keys of a rig file. They work on whatever was parsed, valid or not, so that all problems come at once.

Each check takes the parsed file and yields (place, text); it must survive any value at any place.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any

from harness.checks.catalogue import CHECK_NAMES, CHECKS, quantities_of
from harness.nouns.names import Name, PhaseTerminal
from harness.rigfile.addresses import SCHEME, simulated_place
from harness.rigfile.fields import NAME
from harness.rigfile.problems import KeyPath, Problem, dotted, found_at, nearest, shown

SPEED_SPAN_S = 0.1
"""Time for which the board counts a speed limit: whole counts of a slow one still tell it to a few per cent."""
RESERVED = (*(row.name for row in CHECKS if not row.per_motor), "all", "bench", "supply")
"""No motor is called so: quantities of checks that drive all motors begin with the check's name."""


def table(raw: Mapping[str, Any], *place: str) -> Mapping[str, Any]:
    """The table at a place, empty if there is none."""
    value = found_at(raw, place)
    return value if isinstance(value, Mapping) else {}


def _number(value: object) -> float | None:
    if isinstance(value, Mapping):
        value = value.get("value")
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        return float(value)
    except OverflowError:
        return None


def names(raw: Mapping[str, Any]) -> Iterator[Problem]:
    """Names of motors and instruments become parts of other names, so they are plain."""
    for section in ("motor", "instrument"):
        for name in table(raw, section):
            if not NAME.fullmatch(name):
                yield (section, name), "expected a name of at most 32 small letters, digits and _, first a letter"
            elif section == "motor" and name in RESERVED:
                yield (section, name), f"{name} means something else in results; give the motor another name"
    if "motor" in raw and isinstance(raw["motor"], Mapping) and not raw["motor"]:
        yield ("motor",), "expected at least one motor, as [motor.NAME], found none"


def pins(raw: Mapping[str, Any]) -> Iterator[Problem]:
    """Two things on one pin."""
    users: dict[int | str, KeyPath] = {}
    for name, motor in table(raw, "motor").items():
        if not isinstance(motor, Mapping):
            continue
        phases = motor.get("phase_pins")
        entries: list[tuple[KeyPath, Any]] = []
        if isinstance(phases, list):
            entries += [(("motor", name, "phase_pins", place), pin) for place, pin in enumerate(phases)]
        entries.append((("motor", name, "enable_pin"), motor.get("enable_pin")))
        for place, pin in entries:
            if isinstance(pin, bool) or not isinstance(pin, int | str):
                continue
            if pin in users:
                yield place, f"pin {shown(pin)} is already used by {dotted(users[pin])}; two things on one pin"
            else:
                users[pin] = place


def instruments(raw: Mapping[str, Any]) -> Iterator[Problem]:
    """Each instrument says what its class needs, and no address stands twice."""
    needs = {
        "supply": ("voltage_accuracy", "current_accuracy"),
        "multimeter": ("voltage_accuracy", "across"),
        "thermometer": ("temperature_accuracy",),
    }
    allowed = {"supply": ("channel",), "multimeter": (), "thermometer": ()}
    every = {"voltage_accuracy", "current_accuracy", "temperature_accuracy", "across", "channel"}
    addresses: dict[str, KeyPath] = {}
    single: dict[str, KeyPath] = {}
    port = table(raw, "board").get("port")
    if isinstance(port, str):
        addresses[port] = ("board", "port")
    for name, entry in table(raw, "instrument").items():
        if not isinstance(entry, Mapping):
            continue
        class_, address = entry.get("class"), entry.get("address")
        if isinstance(class_, str) and class_ in needs:
            for key in needs[class_]:
                if key not in entry:
                    yield ("instrument", name, key), f"missing key; a {class_} needs it"
            for key in sorted(every.intersection(entry) - set(needs[class_]) - set(allowed[class_])):
                yield ("instrument", name, key), f"means nothing for a {class_}; remove it"
            if class_ in ("supply", "thermometer"):
                if class_ in single:
                    yield ("instrument", name), f"a second {class_}; {dotted(single[class_])} is one already"
                single.setdefault(class_, ("instrument", name))
        if isinstance(address, str):
            if address in addresses:
                yield ("instrument", name, "address"), f"the same address as {dotted(addresses[address])}"
            addresses.setdefault(address, ("instrument", name, "address"))
        yield from _across(raw, name, entry.get("across"))


def _across(raw: Mapping[str, Any], name: str, across: Any) -> Iterator[Problem]:
    if not isinstance(across, list):
        return
    motors = table(raw, "motor")
    ends = [PhaseTerminal(end) for end in across if isinstance(end, str)]
    for position, end in enumerate(across):
        if isinstance(end, str) and "." in end and (motor := PhaseTerminal(end).motor) not in motors:
            yield ("instrument", name, "across", position), f"no motor {shown(motor)} in this file"
    if len(ends) == 2 and (ends[0] == ends[1] or ends[0].motor != ends[1].motor):
        yield ("instrument", name, "across"), "expected two terminals of one motor"


def supply(raw: Mapping[str, Any]) -> Iterator[Problem]:
    """A programmable supply is only switched on with a current limit and a protection that are above what is wanted."""
    section = table(raw, "supply")
    for name, entry in table(raw, "instrument").items():
        if isinstance(entry, Mapping) and entry.get("class") == "supply":
            for key in ("current_limit_a", "protection_v"):
                if key not in section and isinstance(raw.get("supply"), Mapping):
                    yield ("supply", key), f"missing key; it is set in instrument.{name} before its output goes on"
    voltage, protection = _number(section.get("voltage_v")), _number(section.get("protection_v"))
    if voltage is not None and protection is not None and protection <= voltage:
        yield ("supply", "protection_v"), f"expected more than voltage_v ({voltage:g}), found {protection:g}"


def simulated(raw: Mapping[str, Any]) -> Iterator[Problem]:
    """Addresses on the simulated bench carry the name of one scenario and nothing else."""
    scenario: str | None = None
    places: list[tuple[KeyPath, Any]] = [(("board", "port"), table(raw, "board").get("port"))]
    for name in table(raw, "instrument"):
        places.append((("instrument", name, "address"), found_at(raw, ("instrument", name, "address"))))
    kinds = {simulated_place(address) is None for _, address in places if isinstance(address, str)}
    for place, address in places:
        if not isinstance(address, str):
            continue
        simulated_as = simulated_place(address)
        if simulated_as is None:
            if len(kinds) == 2:
                yield place, f"a rig is either wholly simulated or not at all; the other addresses begin with {SCHEME}"
            continue
        name, slash, instrument = simulated_as.partition("/")
        expected_slash = "/" if place[0] == "instrument" else ""
        if not NAME.fullmatch(name) or slash != expected_slash or (slash and not NAME.fullmatch(instrument)):
            form = "SCENARIO/INSTRUMENT" if place[0] == "instrument" else "SCENARIO"
            yield place, f"expected {SCHEME}{form} in small letters, found {shown(address)}"
        elif scenario is not None and name != scenario:
            yield place, f"another scenario than {scenario}; one rig is one simulated bench"
        else:
            scenario = name


def quantities(raw: Mapping[str, Any]) -> Iterator[Problem]:
    """Names in required, requirements and detect are names of checks and quantities there are."""
    motors = table(raw, "motor")
    for section in ("requirements", "detect"):
        for name in table(raw, section):
            yield from named((section, name), name, motors)
    required = table(raw, "rig").get("required")
    if isinstance(required, list):
        for position, name in enumerate(required):
            if isinstance(name, str):
                yield from named(("rig", "required", position), name, motors, checks=True)


def named(place: KeyPath, name: str, motors: Iterable[str], *, checks: bool = False) -> Iterator[Problem]:
    """Whether a name is of a quantity that there is, for every motor or for one; with `checks`, or of a check."""
    suffixes = [f"{check.name}.{quantity}" for check in CHECKS for quantity in quantities_of(check, motors)]
    known = [*CHECK_NAMES, *suffixes] if checks else suffixes
    if name in known or any(name == f"{motor}.{each}" for motor in motors for each in known):
        return
    hint = nearest(Name(name).suffix, known)
    yield place, f"no such quantity; {hint or 'see harness/checks/QUANTITIES.md'}"


def limits(raw: Mapping[str, Any]) -> Iterator[Problem]:
    """Limits that would never let the bench run, or that a sensor could not tell from rest."""
    conductor_limit = _number(table(raw, "limits").get("winding_temperature_c"))
    room = _number(table(raw, "room").get("temperature_c"))
    if conductor_limit is not None and room is not None and room >= conductor_limit:
        yield ("limits", "winding_temperature_c"), f"expected more than the room's {room:g}, found {conductor_limit:g}"
    speed = _number(table(raw, "limits").get("speed_rad_s"))
    for name in table(raw, "motor"):
        bits = found_at(raw, ("motor", name, "sensor", "bits"))
        if speed is None or isinstance(bits, bool) or not isinstance(bits, int) or not 4 <= bits <= 24:
            continue
        least = math.tau / (1 << bits) / SPEED_SPAN_S
        if 0.0 < speed < least:
            yield (
                ("limits", "speed_rad_s"),
                f"expected at least {least:.3g}, a count of motor.{name}.sensor in {SPEED_SPAN_S:g} s, found {speed:g}",
            )


ALL: tuple[Callable[[Mapping[str, Any]], Iterator[Problem]], ...] = (
    names, pins, instruments, supply, simulated, quantities, limits,
)  # fmt: skip


def problems(raw: Mapping[str, Any]) -> Iterator[Problem]:
    """Every problem between keys."""
    for check in ALL:
        yield from check(raw)
