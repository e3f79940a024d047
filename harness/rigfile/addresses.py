"""Addresses of the simulated bench in a rig file: `simulated:SCENARIO` and `simulated:SCENARIO/INSTRUMENT`."""

from __future__ import annotations

from harness.base.words import OLDER_WORD

SCHEME = "simulated:"
OLDER_SCHEME = f"{OLDER_WORD}:"
"""What rig files of earlier versions say; they are still read."""


def simulated_place(address: str) -> str | None:
    """What follows the scheme of the simulated bench; None for any other address."""
    for scheme in (SCHEME, OLDER_SCHEME):
        if address.startswith(scheme):
            return address.removeprefix(scheme)
    return None
