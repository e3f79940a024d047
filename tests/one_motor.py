"""The demo's rig without its second motor, which would double the time and show the same."""

from __future__ import annotations

import re

from tests.results import ROOT

SLUICE = ROOT / "rigs_demo" / "rigs" / "sluice.toml"
WHEEL = re.compile(r'(?ms)^\[(motor|instrument)\.(meter_)?wheel.*?(?=^\[)|^"together[^\n]*\n')
SECTIONS_AND_LINES = 8


def rig_of_one() -> str:
    """The text of its rig file."""
    text, cut = WHEEL.subn("", SLUICE.read_text(encoding="utf-8"))
    assert cut == SECTIONS_AND_LINES
    return text
