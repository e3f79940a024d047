"""Tells the drive what the contract lets it be told, at the lowest demand, and reads pins and angle beside it.

Raises LeftLive as soon as something is live that was switched off, once that is recorded.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from harness.acting.bridge import pins_of
from harness.acting.service import Service
from harness.base.errors import DeviceError
from harness.checks.conduct.movement import movement
from harness.checks.conduct.stimulus import BLOCKS, DUTIES, FAR, HOLD_S, READS, SLOW_S, Stimulus
from harness.nouns.contract import FULL_AMPLITUDE, FULL_DUTY
from harness.nouns.observation import Column, Observation

if TYPE_CHECKING:
    from harness.bench.rig import Rig

RAMP_MS = 120
SETTLING_S = 0.1
"""For whatever a firmware's own timer would switch on again."""
ASKED = "RuntimeError: as asked"
"""Last words of the exception that a script of ours raises amid a loop."""
LATE = 1.25
"""Periods from one pass to the next, on the mean, from which they queue up (arbitrary: jitter leaves the mean)."""
CURRENT_READINGS = 4
"""Of the supply at rest, for their own scatter (arbitrary)."""
ROW_S = 1e-3
BUSY_DEADMEN = 4.0
"""Deadman times after which one that has not acted is not waited for any longer (arbitrary)."""


def procedure(rig: Rig, motor: str, stimulus: Stimulus) -> list[Observation]:
    """Fields, the loop, and what ends it, about 6 s. Raises what board, link and instruments raise."""
    bridge = _bridge(rig, motor)
    current = _current(rig, "before")
    observations = [_pattern(rig, motor, stimulus, bridge)]
    if observations[0].number("off_us") * 1e-6 > SLOW_S:
        return observations
    rig.progress("the loop told to start, move and end", 0.3)
    looped, *again = _loop(rig, motor, stimulus, bridge)
    observations += [looped, *again]
    if looped.rows("ran") or looped.numbers("ran_again"):
        return observations  # a loop that runs away is not closed again
    moves = movement(looped)
    if stimulus.far and moves.follows and looped.whole("traced"):
        rig.progress("the loop told to go far, for a moment", 0.6)
        observations += _far(rig, motor, stimulus, bridge)
        if observations[-1].numbers("ran_again"):
            return observations
    rig.progress("a busy loop, and nobody there", 0.7)
    most_ms = round(BUSY_DEADMEN * rig.spec.board.deadman_s * 1e3)
    stopped: list[int] = []
    if moves.follows:  # else it never comes to its limit
        limit = _events(rig, "limited", step=stimulus.move, most_ms=round(HOLD_S * 1e3), **bridge)["limit"]
        rig.require_off("a limit amid the loop", {motor: limit[2:]})
        stopped = limit[:1]
    events = _events(rig, "silence", most_ms=most_ms, **bridge)
    taken_ms, live = events["silence"]
    _raise_amid(rig, motor)
    rig.require_off("an exception amid the loop")
    _interrupt_amid(rig, motor)
    rig.require_off("an interrupt amid the loop")
    current |= _current(rig, "after")
    observations.append(
        _keep(
            rig,
            f"{motor}.conduct.ended",
            {"limited": stopped, "taken_s": taken_ms * 1e-3, "live": live, "current_a": current},
        )
    )
    rig.require_off("the host's silence amid the loop", {motor: live})
    return observations


def without_loop(rig: Rig, motor: str, stimulus: Stimulus, why: str) -> list[Observation]:
    """Fields by the pins alone, weaker than those that commutation turned: `why` no loop may be closed.

    A shaft that does not follow its field says nothing of whose fault that is; the pins do.
    """
    return [_pattern(rig, motor, stimulus, _bridge(rig, motor), [why])]


def _bridge(rig: Rig, motor: str) -> dict[str, Any]:
    return {"motor": rig.index(motor), **pins_of(rig.spec, motor)}


def _pattern(
    rig: Rig, motor: str, stimulus: Stimulus, bridge: Mapping[str, Any], no_loop: Sequence[str] = ()
) -> Observation:
    """Shares of time of the pins under fields all round and one set of duties, and what off took."""
    rig.progress("fields and duties by the pins", 0.0)
    asked: dict[str, Any] = {
        "first": stimulus.first,
        "fields": stimulus.fields,
        "ramp_ms": RAMP_MS,
        "fall": stimulus.fall,
        "duties": tuple(round(duty * FULL_DUTY) for duty in DUTIES),
        "blocks": BLOCKS,
        "reads": READS,
    }
    with Service(rig, "conduct", "pattern", **bridge, **asked) as service:
        found = service.answers()
        rows: dict[str, list[Any]] = {"field": [], "duties": [], "off": []}
        for event in service.events:
            if event.name in rows:
                rows[event.name].append(event.value)
    live = [pin for _, pins in rows["off"] for pin in pins]
    observation = _keep(
        rig,
        f"{motor}.conduct.pattern",
        {
            "carrier_hz": rig.declared[motor].carrier_hz,
            "fields": rows["field"],
            "duties": rows["duties"],
            "off_us": max(took_us for took_us, _ in rows["off"]),
            "live": live,
            "turn": rig.declared[motor].counts_per_turn,
            "fell": found.get("fell", []),
            "no_loop": list(no_loop),
        },
    )
    rig.require_off("off of a field", {motor: live})
    return observation


def _loop(rig: Rig, motor: str, stimulus: Stimulus, bridge: Mapping[str, Any]) -> list[Observation]:
    """The loop's rows, and how it ended each time; then those of a loop of its own pace that was started again."""
    return _moves(rig, motor, "loop", stimulus.move, stimulus.hold_s, stimulus.aside, stimulus, bridge)


def _far(rig: Rig, motor: str, stimulus: Stimulus, bridge: Mapping[str, Any]) -> list[Observation]:
    """The same, its set point nearly half a turn away either way for a moment: on one side count 0 lies between."""
    return _moves(rig, motor, "far", stimulus.far, stimulus.far_s, 0, stimulus, bridge)


def _moves(
    rig: Rig,
    motor: str,
    name: str,
    step: int,
    hold_s: float,
    aside: int,
    stimulus: Stimulus,
    bridge: Mapping[str, Any],
) -> list[Observation]:
    declared, sensor = rig.declared[motor], rig.spec.motor[motor].sensor
    # A row a millisecond; a loop that is called makes one with each pass.
    row_s = ROW_S if declared.pace == "own" else max(ROW_S, declared.loop_period_s)
    noise_rad = sensor.noise_rad.value if sensor.noise_rad is not None else 0.0
    with Service(
        rig,
        "conduct_loop",
        "loop",
        **bridge,
        step=step,
        far=round(FAR * stimulus.move),
        rows=round(hold_s / row_s),
        aside=aside,
        amplitude=stimulus.amplitude,
    ) as service:
        found = service.answers()
        ended = {name: found[name] for name in ("stop", "off") if name in found}
        again = []
        if aside and "again" in service.streams:
            again.append(service.observation(f"{motor}.conduct.again", "again", {"move": step}))
        observation = service.observation(
            f"{motor}.conduct.{name}",
            "loop",
            {
                "move": step,
                "turn": declared.counts_per_turn,
                "noise": max(0.5, noise_rad * declared.counts_per_turn / math.tau),
                "limit": declared.amplitude_limit * FULL_AMPLITUDE,
                "period_s": declared.loop_period_s,
                "own_pace": int(declared.pace == "own"),
                "traced": int(bool(found["hook"])),
                "ran": [found["ran"]] if "ran" in found else [],
                "ran_again": [found["ran_again"]] if "ran_again" in found else [],
                "took_us": {name: [value[0]] for name, value in ended.items()},
                "live": {name: [*value[1], *value[2]] for name, value in ended.items()},
                "passes_after": {name: [value[3]] for name, value in ended.items()},
                "brake": found.get("brake", []),
            },
        )
    observations = [observation, *again]
    for kept in observations:
        rig.keep(kept)
    for act, value in ended.items():
        rig.require_off(f"{act} of the loop{_slow(observation)}", {motor: [*value[1], *value[2]]})
    return observations


def _slow(rows: Observation) -> str:
    """That passes take longer than their period, in words: those that wait then come after the loop was ended."""
    period_s, running = rows.number("period_s"), rows.si("leg") > 0
    if not rows.whole("traced") or not np.any(running):
        return ""
    passes, t_s = rows.si("passes")[running], rows.si("t")[running]
    if passes[-1] <= passes[0]:
        return ""
    took_s = (t_s[-1] - t_s[0]) / (passes[-1] - passes[0])
    if took_s < LATE * period_s:
        return ""
    return (
        f", whose passes take longer than its period (one every {took_s * 1e6:.0f} us, period {period_s * 1e6:.0f} us),"
    )


def _current(rig: Rig, when: str) -> dict[str, list[float]]:
    """Readings of the supply's current, A; empty without a supply."""
    return {} if rig.supply is None else {when: [rig.supply.measure_current().value for _ in range(CURRENT_READINGS)]}


def _events(rig: Rig, call: str, **parameters: Any) -> dict[str, Any]:
    with Service(rig, "conduct_ends", call, **parameters) as service:
        return service.answers()


def _raise_amid(rig: Rig, motor: str) -> None:
    """A script of ours that raises while the loop runs."""
    try:
        _events(rig, "fail", motor=rig.index(motor))
    except DeviceError as error:
        if ASKED not in error.last_words:
            raise
    rig.clock.sleep_s(SETTLING_S)


def _interrupt_amid(rig: Rig, motor: str) -> None:
    """A script that is interrupted while the loop runs, as a host does that gives up."""
    with Service(rig, "conduct_ends", "busy", motor=rig.index(motor)) as service:
        service.until("busy")
    rig.clock.sleep_s(SETTLING_S)


def _keep(rig: Rig, name: str, conditions: Mapping[str, Any]) -> Observation:
    """What was told in events, as an observation; its one sample says how many of them there were."""
    observation = Observation(
        name=name,
        columns=(Column(name="events", unit="1"),),
        data=np.array([(len(conditions),)], dtype=[("events", "<u2")]),
        conditions=conditions,
    )
    rig.keep(observation)
    return observation
