"""What causes do to the quantities of heating at constant current, and the causes that it shows first: heat paths."""

from __future__ import annotations

from collections.abc import Mapping

from harness.nouns.effects import FREE, Becomes, Cause, Effects, Expected


def _rise_with_housing(e: Expected, size: float) -> float:
    """Final rise when only the housing's part of it grows."""
    return e["thermal.fast_rise"] + (e["thermal.rise"] - e["thermal.fast_rise"]) * size


def _rise_with_winding(e: Expected, size: float) -> float:
    """Final rise when only the winding's part of it grows."""
    return e["thermal.rise"] + e["thermal.fast_rise"] * (size - 1.0)


CAUSES: tuple[Cause, ...] = (
    Cause(
        name="winding to housing",
        words="thermal resistance from winding to housing {ratio:.2g} times what the rig file says",
        effects={
            "fast_rise": 1.0,
            "fast_time": 1.0,
            "rise": Becomes(_rise_with_winding, "+ change of fast rise"),
        },
        confirmed_by="see the slot filling and the fit of the stator in its housing",
    ),
    Cause(
        name="housing to ambient",
        words="thermal resistance from housing to air {ratio:.2g} times what the rig file says",
        effects={"slow_time": 1.0, "rise": Becomes(_rise_with_housing, "its slow part x size")},
        confirmed_by="see the mounting and the air round the motor",
    ),
    Cause(
        name="driver heat",
        where="any",
        words="driver runs {ratio:.2g} times as hot as the rig file lets expect",
        effects={"driver_rise": 1.0},
        confirmed_by="see the driver's cooling, and measure the drop across a closed switch",
    ),
)

EFFECTS: Mapping[str, Effects] = {
    # Copper loss at constant current goes with the resistance, and so do all rises of the winding.
    "winding resistance": {"resistance": 1.0, "rise": 1.0, "fast_rise": 1.0, "slow_time": FREE},
    "driver resistance": {"driver_rise": FREE},
}
"""On quantities of this check, of causes that another one shows first."""
