"""The deadman's callback allocates nothing: on some boards it runs where the heap is locked."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.patience import PATIENCE_S
from tests.software.device_scripts.board import ROOT

pytest.importorskip("micropython_unix", reason="no MicroPython interpreter for this machine")
pytestmark = pytest.mark.board

STUBS = {
    "machine.py": """
class Pin:
    OUT = 1
    level = [None] * 8
    def __init__(self, number, mode, value=None):
        self.number = number
        self.level[number] = value
    def init(self, mode, value=None):
        self.level[self.number] = value
class Timer:
    ONE_SHOT = 0
    def __init__(self, number): pass
    def init(self, mode, period, callback): self.callback = callback
    def deinit(self): pass
""",
    "drive.py": """
calls = bytearray(4)
def declare(motor): return {"counts_per_turn": 4096}
def stop(motor):
    calls[motor] += 1
    {allocates}
def off(motor):
    calls[2 + motor] += 1
""",
    "frames.py": "def Inbox(size): pass\n",
    "trial.py": """
import micropython
import safety
from machine import Pin
guard = safety.Guard("drive", ((0, 1, 2), (3, 4, 5)), (6, 7), 300, (None, 0), (None, 9), (50, None), (1, 0))
for pin in range(8): Pin.level[pin] = 5
silent = guard._silent
micropython.heap_lock()
silent(None)
micropython.heap_unlock()
print(Pin.level, bytes(guard.drive.calls), guard.reason)
""",
}


@pytest.mark.parametrize("allocates", ["pass", "bytearray(1000)"])
def test_the_deadman_runs_with_the_heap_locked(allocates: str, tmp_path: Path) -> None:
    for name, text in STUBS.items():
        (tmp_path / name).write_text(text.replace("{allocates}", allocates), encoding="utf-8")
    for name in ("safety.py", "import_anew.py", "loop_passes.py", "travel_limits.py"):
        (tmp_path / name).write_bytes((ROOT / "device_scripts" / name).read_bytes())
    done = subprocess.run(
        [sys.executable, "-P", "-m", "micropython_unix", "trial.py"],
        cwd=tmp_path, capture_output=True, text=True, timeout=PATIENCE_S, check=False,
    )  # fmt: skip
    assert done.stdout.split("\n")[0] == ("[0, 0, 0, 0, 0, 0, 1, 0] b'\\x01\\x01\\x01\\x01' ('deadman',)"), (
        done.stdout + done.stderr
    )
