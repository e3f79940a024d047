"""Reads a motor's pins after whatever leaves it off: import, off, stop, a soft reset. The supply stays off."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from harness.acting.bridge import pins_of
from harness.acting.service import Service
from harness.checks.states.stimulus import RESET, Stimulus
from harness.nouns.observation import Column, Observation

if TYPE_CHECKING:
    from harness.bench.rig import Rig

LIVE = Column(name="live_pins", unit="1")


def procedure(rig: Rig, motor: str, stimulus: Stimulus) -> list[Observation]:
    """The live pins after each. Raises LeftLive for any, once that is recorded."""
    with Service(rig, "conduct", "rest", motor=rig.index(motor), **pins_of(rig.spec, motor)) as service:
        live = service.answers()
    rig.board.enter()  # lines that the script did not take any more would make the reset a script of its own
    rig.board.soft_reset()
    live[RESET] = rig.live_pins()[motor]
    observation = Observation(
        name=f"{motor}.states.pins",
        columns=(LIVE,),
        data=np.array([(len(pins),) for pins in live.values()], dtype=[(LIVE.name, "<u1")]),
        conditions={"after": list(live), "live": live, "contradictions": list(stimulus.contradictions)},
    )
    rig.keep(observation)
    for each, pins in live.items():
        rig.require_off(each, {motor: pins})
    return [observation]
