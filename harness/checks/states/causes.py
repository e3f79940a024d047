"""The cause that states show first: a declaration that is not of this rig."""

from __future__ import annotations

import math
from collections.abc import Mapping

from harness.nouns.effects import Cause, Effects, Shift, Size

CAUSES: tuple[Cause, ...] = (
    Cause(
        name="declaration",
        words="the firmware declares something else than the rig file says ({note})",
        sizes={"size": Size(kind="shift", low=1.0, high=math.inf)},
        where="any",
        shown="states.contradictions",
        effects={"contradictions": Shift(1.0)},
        settled_by="read the firmware's declare() beside the rig file",
    ),
)
EFFECTS: Mapping[str, Effects] = {}
"""On quantities of this check, of causes that another one shows first."""
