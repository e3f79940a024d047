"""A made-up record that uses every part of the schema a page shows. Values are arbitrary."""

from __future__ import annotations

import math
from typing import Any

from tests.software.record.contents import BOARD, DECLARED, RIG, RISK


def part(source: str, u: float, remedy: str = "") -> dict[str, Any]:
    return {"source": source, "u": u, "shape": "rectangular", "dof": None, "remedy": remedy}


def number(name: str, value: float, unit: str, u: float) -> dict[str, Any]:
    return {
        "name": name,
        "value": value,
        "unit": unit,
        "u": u,
        "dof": 12.0,
        "interval95": [value - 2 * u, value + 2 * u],
        "budget": [part("motor.leaf.load.length_m", 0.8 * u, "measure the arm better"), part("fit", 0.6 * u)],
        "observations": ["leaf.stiffness.up"],
        "note": "",
    }


def verdict(name: str, outcome: str, unit: str, low: float | None, high: float | None, **more: Any) -> dict[str, Any]:
    return {
        "name": name,
        "outcome": outcome,
        "unit": unit,
        "limits": None if low is None and high is None else [low, high],
        "margin": 0.012,
        "e_n": 0.31,
        "detectable": 0.05,
        "must_detect": 0.1,
        "reason": "",
        "requirement": None,
        **more,
    }


SWING = [[0.001 * t, 0.06 * (1 - math.exp(-0.004 * t) * math.cos(0.05 * t))] for t in range(3000)]


def record(**changes: Any) -> dict[str, Any]:
    hold = [[0.01 * i - 0.1, 0.55 * math.sin(0.01 * i - 0.1)] for i in range(20)]
    made: dict[str, Any] = {
        "schema": 1,
        "rotorgate": "0.1.0",
        "versions": {"python": "3.11.7", "numpy": "2.0"},
        "started_utc": "2026-01-02T03:04:05Z",
        "ended_utc": "2026-01-02T03:05:05Z",
        "finished": True,
        "stop": None,
        "simulated": True,
        "seed": 7,
        "rig": RIG,
        "board": {**BOARD, "unique_id": "0011aabb", "system": "SIMULATED"},
        "declared": {"leaf": {**DECLARED, "name": "sluice_drive"}},
        "hashes": {"scripts": {"frames.py": "cd" * 32}, "firmware": "ef" * 32},
        "instruments": {"supply": {"class": "supply", "idn": "A,B,C,D", "address": "x"}},
        "risk": {**RISK, "planned": 5},
        "planned": ["leaf.stiffness.open_loop"],
        "observations": [],
        "measurements": [
            number("leaf.stiffness.open_loop", 0.652, "N m/rad", 0.006),
            number("leaf.stiffness.friction", 0.0021, "N m", 0.0002),
            number("leaf.step.overshoot", 0.61, "1", 0.02),
            number("leaf.step.delay", 0.00312, "s", 0.0001),
        ],
        "unmeasured": [],
        "expectations": [
            {
                **number("leaf.stiffness.open_loop", 0.66, "N m/rad", 0.02),
                "interval": None,
                "needs": "",
                "model": "pole pairs x peak torque",
                "inputs": {},
            },
            {
                **number("leaf.step.delay", 0.0011, "s", 0.0001),
                "interval": None,
                "needs": "",
                "model": "",
                "inputs": {},
            },
        ],
        "verdicts": [
            verdict("leaf.stiffness.open_loop", "agrees", "N m/rad", 0.58, 0.74),
            verdict("leaf.stiffness.friction", "not judged", "N m", None, None, reason="needs detect"),
            verdict("leaf.step.delay", "differs", "s", 0.0007, 0.0015, reason="beyond its limit by 1.6 ms"),
            verdict("leaf.step.overshoot", "conforming", "1", None, 0.9, requirement={"low": None, "high": 0.95}),
            verdict("leaf.thermal.rise", "not run", "K", None, None, reason="no multimeter on this rig"),
        ],
        "curves": [
            {
                "name": "leaf.step.small",
                "title": "Small step",
                "x_label": "time",
                "x_unit": "s",
                "y_label": "angle",
                "y_unit": "rad",
                "joined": True,
                "series": {"up": SWING, "down": [[x, -y] for x, y in SWING]},
                "models": {
                    word: [
                        [0.01 * i, way * 0.06 * (1 - math.exp(-0.04 * i) * math.cos(0.5 * i)), 0.004]
                        for i in range(300)
                    ]
                    for word, way in (("up", 1.0), ("down", -1.0))
                },
            },
            {
                "name": "leaf.stiffness.open",
                "title": "Open-loop hold",
                "x_label": "deflection",
                "x_unit": "rad",
                "y_label": "torque",
                "y_unit": "N m",
                "joined": False,
                "series": {"up": hold, "down": [[x, y - 0.004] for x, y in hold]},
                "model": [[x, y, 0.01] for x, y in hold],
            },
        ],
        "causes": [
            {
                "name": "delay",
                "words": "more delay in the loop than the firmware's author says",
                "motors": ["leaf"],
                "sizes": {},
                "explains": ["leaf.step.delay"],
                "confirmed_by": "",
                "parted_by": "",
            }
        ],
        "diagnosis": {
            "known": True,
            "words": "more delay in the loop than the firmware's author says",
            "parted_by": [],
        },
        "required": ["together"],
        "not_supervised": ["winding temperature"],
        "missing": [{"what": "oscilloscope", "adds": "the dead time"}],
        "exit_code": 1,
    }
    return {**made, **changes}
