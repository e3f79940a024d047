"""Step response of the firmware's own position loop, taken by the firmware's trace hook.

A staircase of small steps (inside the clip) up and down about hanging, then large ones. Each step lasts until
friction holds the shaft. The places of the steps and their sizes are spread, because cogging and the place
where friction stopped the shaft before bend a single response: their scatter is part of the uncertainty.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from harness.acting.service import Service
from harness.base.errors import LinkError, MissingCapability
from harness.checks.step.stimulus import Stimulus
from harness.nouns.contract import FULL_AMPLITUDE
from harness.nouns.observation import Column, Observation

if TYPE_CHECKING:
    from harness.bench.rig import Rig

MOST_S = 1.5
"""A step is over by then, at rest or not. Arbitrary: ten half cycles of a loop of 20 rad/s."""


def procedure(rig: Rig, motor: str, stimulus: Stimulus) -> list[Observation]:
    """Small steps in an order that the seed draws, then large ones; the board sees itself whether the loop hunts.

    Raises MissingCapability for firmware without a trace hook.
    """
    if rig.firmware_names and "trace" not in rig.firmware_names:
        raise MissingCapability("the firmware has no trace(motor, hook): add it, as the drive contract says")
    places = [0.0]
    small = stimulus.small_rad
    for way, place in zip(stimulus.ways, rig.random.permutation(len(small)), strict=True):
        places.append(places[-1] + way * small[int(place)])
    for way in stimulus.large_ways:
        places.append(places[-1] + way * stimulus.large_rad)
    declared = rig.declared[motor]
    turn = declared.counts_per_turn
    offsets = tuple(round(place / math.tau * turn) for place in places[1:])
    reading_c = rig.thermometer.measure_temperature().value if rig.thermometer is not None else None
    rig.progress("steps", 0.05)
    with Service(
        rig, "loop", "steps", motor=rig.index(motor), offsets=offsets, small=len(small),
        most_ms=round(1000 * MOST_S),
    ) as service:  # fmt: skip
        started = service.until("start")
        if not isinstance(started, tuple) or len(started) != 3:
            raise LinkError(f"loop.steps: expected (count, hook cost, noise) at the start, found {started!r}")
        first, hook_ns, noise = (int(number) for number in started)
        service.until("done", timeout_s=3.0)
        while service.step() is not None:
            pass
        rows = service.rows("trace")
    observation = Observation(
        name=f"{motor}.step.trace",
        columns=(
            Column(name="t", unit="s", scale=1e-6),
            Column(name="count", unit="rad", scale=math.tau / turn),
            Column(name="demand", unit="1", scale=1.0 / FULL_AMPLITUDE),
            Column(name="step", unit="1"),
        ),
        data=rows,
        conditions={
            "offsets_count": list(offsets), "small_steps": len(small), "start_count": first,
            "counts_per_turn": turn, "hook_cost_s": hook_ns * 1e-9, "noise_count": noise, "most_s": MOST_S,
            "pace": declared.pace, "clip": declared.amplitude_limit, "room_c": reading_c,
        },
    )  # fmt: skip
    rig.keep(observation)
    return [observation]
