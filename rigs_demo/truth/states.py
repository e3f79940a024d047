"""States of the demo's firmwares: nothing is live that was switched off, and what they declare is of this bench."""

from __future__ import annotations

from rigs_demo.truth.bench import KnownBench, Truth, Values


def of_motor(_bench: KnownBench, _name: str) -> Values:
    """None live, none contradicted."""
    return {"live_pins": (0.0, "1"), "contradictions": (0.0, "1")}


TRUTH = Truth(of_motor=of_motor)
