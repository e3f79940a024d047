"""The cause that states show first: a declaration that is not of this rig."""

from __future__ import annotations

import math
from collections.abc import Mapping

from harness.nouns.effects import FREE, HAPPENS, NO_SIZE, Cause, Effects, Shift, Size

CAUSES: tuple[Cause, ...] = (
    Cause(
        name="declaration",
        words="the firmware declares something else than the rig file says ({note})",
        sizes={"size": Size(kind="shift", low=1.0, high=math.inf)},
        where="any",
        shown="states.contradictions",
        elsewhere=FREE,  # what is declared is measured by: whatever rests on it may be off
        effects={"contradictions": Shift(1.0)},
        confirmed_by="read the firmware's declare() beside the rig file",
    ),
    Cause(
        # Met before anything is driven: nothing but the reading can have taken the shaft there.
        name="reading elsewhere",
        words="with nothing driven the reading is not where the rig file has the shaft rest: it wraps before a whole "
        "turn, its counts are not those declared, or magnet or arm sit elsewhere",
        sizes=NO_SIZE,
        where="any",
        elsewhere=FREE,
        effects={"limits": HAPPENS},
        confirmed_by="turn the shaft by hand, once round, and watch its reading",
    ),
)
EFFECTS: Mapping[str, Effects] = {}
"""On quantities of this check, of causes that another one shows first."""
