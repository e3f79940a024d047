"""Both motors holding at once: each holds its arm aside alone, approached slowly from below, then all of them do."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from harness.acting.service import Service
from harness.base.errors import MissingCapability
from harness.checks.together.stimulus import HOLD, Stimulus
from harness.link.frames import Event
from harness.nouns.observation import Observation

if TYPE_CHECKING:
    from harness.bench.rig import Rig

READINGS = 6
"""Of the supply's voltage while a spell's motors hold (arbitrary)."""


def procedure(rig: Rig, motor: str, stimulus: Stimulus) -> list[Observation]:
    """Hold alone in turn, then together; the supply's voltage is read while they hold.

    Raises MissingCapability where a motor's arm hangs nobody knows where, if one hangs there at all.
    """
    targets = []
    for name in rig.motors:
        turn = rig.declared[name].counts_per_turn
        hang_rad = rig.hang_rad(name)
        if hang_rad is None:
            raise MissingCapability(
                f"because nobody knows where the arm of {name} hangs: state motor.{name}.load.hang_reading_rad"
            )
        targets.append(round((hang_rad + stimulus.reach_rad) / math.tau * turn) % turn)
    volts: dict[str, list[float]] = {}
    with Service(rig, "pair", "hold", targets=tuple(targets)) as service:
        while (frame := service.step()) is not None:
            if isinstance(frame, Event) and frame.name == "holding":
                spell = frame.whole()
                rig.progress(
                    "together" if spell == len(rig.motors) else f"{rig.motors[spell]} alone",
                    spell / (len(rig.motors) + 1),
                )
                if rig.supply is not None:
                    volts[str(spell)] = []
                    for _ in range(READINGS):
                        volts[str(spell)].append(rig.supply.measure_voltage().value)
                        service.send("")
                service.send("n")
        observation = service.observation(HOLD, "pair", {"volts": volts, "motors": list(rig.motors)})
    rig.keep(observation)
    return [observation]
