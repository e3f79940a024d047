"""What a guard was given, said to the host before any order; the script goes on when the host has found it right.

No pins of its own. Counts, milliseconds, levels and numbers of pins, as the guard has them.
"""

import frames


def agree(guard):
    """Event `guard` (a dict, by the names that a Guard is given it by), then wait for `go`."""
    given = dict(guard.given)
    given.update(guard.limits.set_to())
    frames.event("guard", given)
    while guard.listen(20) != b"go":
        pass
