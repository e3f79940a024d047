"""What the contract says that a check needs, against what the check's device script really calls.

The scripts run here as they are, with a stand-in for the firmware that notes its calls, and with the orders that the
check's own source can send.
"""

from __future__ import annotations

import ast
import contextlib
import importlib.util
import re
import sys
import types
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from harness.checks.catalogue import CHECK_NAMES, needed_by
from harness.checks.registry import check_named
from harness.nouns.contract import PARTS, missing_parts
from harness.plan.order import lacking
from tests.software.run.fakes import FakeRig

ROOT = Path(__file__).resolve().parents[3]
PACES = ("own", "called")
ORDERS = {
    "s": b"s 8", "f": b"f 900 700 16 4 0", "l": b"l", "p": b"p 30 16 4", "w": b"w 8",
    "d": b"d 32768 33000 32500 20", "t": b"t", "n": b"n", "o": b"o", "q": b"q",
}  # fmt: skip
"""An example of every order of the services, in an order in which all can be carried out."""

SENDING = ("send", "finish", "_order")
"""Methods that send an order."""


class Ended(Exception):
    """No order is left."""


class Board(types.ModuleType):
    """A drive, a clock and a guard in one: as much of a board as the scripts touch."""

    def __init__(self, pace: str, orders: list[bytes]) -> None:
        super().__init__("board")
        self.pace = pace
        self.orders = orders
        self.idle = 0
        self.called: set[str] = set()
        self.hook: Callable[[int, int, int], None] | None = None
        self.us = 0
        self.turn = [4096, 4096]
        self.drive = Drive(self)
        self.loop = False
        self.limits = types.SimpleNamespace(narrow=lambda *_: (None, None))
        self.passes = types.SimpleNamespace(step=self.drive.control_step, judge=lambda *_: None)

    # --- clock
    def pass_us(self, us: int) -> None:
        before = self.us // 1000
        self.us += max(us, 1)
        if self.hook is not None and self.pace == "own":
            for at in range(before, self.us // 1000):
                self.hook(at * 1000, 7, 0)

    # --- guard
    def listen(self, wait_ms: int = 0) -> bytes | None:
        self.pass_us(wait_ms * 1000)
        self.idle += 1
        if self.orders and self.idle > 20:
            self.idle = 0
            return self.orders[0] if self.orders == [b"n"] else self.orders.pop(0)  # n: to be said in every spell
        if self.idle > 5000:
            raise Ended
        return None

    def angle(self, motor: int) -> tuple[int, int]:
        count, _, age = self.drive.angle(motor)
        return count, age

    def check(self, *_: object) -> None: ...
    def allow_silence(self, _ms: int) -> None: ...

    reason = ""

    def feed(self) -> None: ...

    def start(self, motor: int, _watch: bool = True) -> None:
        self.drive.start(motor)
        self.loop = True

    def release(self, motor: int, loop: bool = False) -> None:
        if loop and self.pace == "own":
            self.drive.stop(motor)
        self.drive.off(motor)

    def off(self) -> None:
        self.release(0, self.loop)

    def close(self) -> None:
        self.off()


class Drive:
    """Firmware of the smallest kind: every function is there, but the optional ones; what is called is noted."""

    def __init__(self, board: Board) -> None:
        self._board = board

    def __getattr__(self, name: str) -> Callable[..., object]:
        if name not in {part.name for part in PARTS} - {"driver_temperature", "currents"}:
            raise AttributeError(name)
        board = self._board

        def call(*words: object) -> object:
            board.called.add(name)
            if name == "trace":
                board.hook = words[1]  # type: ignore[assignment]
            if name == "control_step" and board.hook is not None:
                board.hook(board.us, 7, 0)
            if name == "declare":
                numbers = {"field_steps": 120, "loop_period_us": 1000, "counts_per_turn": 4096, "carrier_hz": 20000}
                places = {"pole_pairs": 7, "direction": 1, "offset_count": 30}
                return {"pace": board.pace, **numbers, **places}
            return (7, True, 0) if name == "angle" else None

        return call


@pytest.fixture
def script(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[str, Board], types.ModuleType]]:
    def load(name: str, board: Board) -> types.ModuleType:
        clock = types.ModuleType("time")
        clock.ticks_us = lambda: board.us  # type: ignore[attr-defined]
        clock.ticks_ms = lambda: board.us // 1000  # type: ignore[attr-defined]
        clock.ticks_diff = lambda a, b: a - b  # type: ignore[attr-defined]
        clock.ticks_add = lambda a, b: a + b  # type: ignore[attr-defined]
        clock.sleep_us = board.pass_us  # type: ignore[attr-defined]
        clock.sleep_ms = lambda ms: board.pass_us(ms * 1000)  # type: ignore[attr-defined]
        frames = types.ModuleType("frames")
        nothing = types.SimpleNamespace(row=lambda *_: None, flush=lambda: None)
        frames.Stream = lambda *_: nothing  # type: ignore[attr-defined]
        frames.event = lambda *_: None  # type: ignore[attr-defined]
        pins = types.ModuleType("pins")
        pins.live = lambda *_: []  # type: ignore[attr-defined]
        pins.shares = lambda *_: [5000, 5000, 5000]  # type: ignore[attr-defined]
        pins.READS = 10  # type: ignore[attr-defined]
        machine = types.ModuleType("machine")
        machine.Pin = lambda _: types.SimpleNamespace(value=lambda: 1)  # type: ignore[attr-defined]
        micropython = types.ModuleType("micropython")
        micropython.const = lambda value: value  # type: ignore[attr-defined]
        spec = importlib.util.spec_from_file_location(f"under_test_{name}", ROOT / "device_scripts" / f"{name}.py")
        assert spec is not None and spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        with monkeypatch.context() as patch:
            for stub in (clock, frames, pins, machine, micropython):
                patch.setitem(sys.modules, stub.__name__, stub)
            for beside in BESIDE.get(name, ()):
                patch.setitem(sys.modules, beside, load(beside, board))
            spec.loader.exec_module(module)
        return module

    yield load


HOMES = {"hold": "acting.hold", "heating": "checks.thermal.heating"}
"""Where what several calls share starts its device script; a check starts its own in its procedure."""
ENTRIES = {
    "states": (("conduct", "rest"),),
    "conduct": (
        ("conduct", "pattern"),
        ("conduct_loop", "loop"),
        *(("conduct_ends", name) for name in ("limited", "silence", "fail", "busy")),
    ),
}
"""Device scripts and functions that a check starts one after the other; others serve orders."""
BESIDE = {"conduct_loop": ("conduct", "traced_loop"), "conduct_ends": ("traced_loop",)}
"""Device scripts that one imports."""
WHERE_OFFERED = {"states": {"stop"}, "conduct": {"trace", "duties", "brake"}}
"""Parts that a check calls where the firmware has them, and does without."""
PLACES = {
    "phases": (0, 1, 2), "enable": 6, "off": 0, "first": 0, "fields": ((0, 900), (9000, 900)), "ramp_ms": 20,
    "duties": (1, 2, 3), "blocks": 1, "reads": 10, "step": 20, "far": 60, "rows": 20, "aside": -40,
    "amplitude": 900, "fall": 9000, "most_ms": 40,
}  # fmt: skip
STARTS = r"(?:Service|super\(\).__init__)\(\s*"


def home(name: str) -> str:
    return "harness." + HOMES.get(name, f"checks.{name}.procedure")


def source_of(name: str) -> str:
    return (ROOT / f"{home(name).replace('.', '/')}.py").read_text(encoding="utf-8")


def entries_of(check: str) -> list[tuple[str, str, set[str]]]:
    """Device scripts and functions that a check starts, and the letters of the orders that it can send there."""
    return [(*entry, set()) for entry in ENTRIES[check]] if check in ENTRIES else [started_by(check)]


def started_by(check: str) -> tuple[str, str, set[str]]:
    """Device script and function that a check starts, and the letters of the orders that it can send there."""
    for room in (check, "hold", "heating"):
        text = source_of(room)
        found = re.search(STARTS + r'rig, "(\w+)", "(\w+)"', text)
        if found and (room == check or f"from {home(room)} import" in source_of(check)):
            break
    else:
        raise AssertionError(f"{check} starts no device script")
    used = {node.attr for node in ast.walk(ast.parse(source_of(check))) if isinstance(node, ast.Attribute)}
    used.add("__exit__")
    orders = {
        letter
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.FunctionDef) and (room == check or node.name in used)
        for call in ast.walk(node)
        if isinstance(call, ast.Call) and isinstance(call.func, ast.Attribute) and call.func.attr in SENDING
        for word in ast.walk(call)
        if isinstance(word, ast.Constant) and isinstance(word.value, str)
        for letter in re.findall(r"^([a-z])(?: |$)", word.value)
    }
    last = re.search(STARTS + r'[^)]*last="(\w)"', text)
    return found.group(1), found.group(2), orders | ({last.group(1)} if last else set())


def called(load: Callable[[str, Board], types.ModuleType], check: str, pace: str) -> set[str]:
    """Parts of the contract that a check's script calls; declare, off and angle are the guard's, whatever runs."""
    parts = {"declare", "off"}
    for name, entry, letters in entries_of(check):
        lines = [ORDERS[letter] for letter in ORDERS if letter in letters]
        board = Board(pace, lines)
        function = getattr(load(name, board), entry)
        choices = {"motor": 0, "offsets": (5, 0), "small": 1, "targets": (9, 9), **PLACES}
        wanted = function.__code__.co_varnames[1 : function.__code__.co_argcount]
        with contextlib.suppress(Ended, RuntimeError):  # a loop that the host interrupts, an exception as asked
            function(board, **{key: value for key, value in choices.items() if key in wanted})
        assert board.orders in ([], [b"n"]), f"{check}: {board.orders} were not taken"
        parts |= board.called
    return parts


@pytest.mark.parametrize("check", CHECK_NAMES)
@pytest.mark.parametrize("pace", PACES)
def test_a_check_needs_what_its_script_calls(script, check: str, pace: str) -> None:
    other = {"own": {"control_step"}, "called": {"start", "stop"}}[pace]
    needed = {part.name for part in PARTS if check in needed_by(part.name)} - other
    offered = WHERE_OFFERED.get(check, set())
    assert needed <= called(script, check, pace) <= needed | offered


def test_orders_are_found_in_the_checks() -> None:
    assert started_by("commutation") == ("fields", "serve", {"f", "w", "s", "o", "q"})
    assert started_by("stiffness")[2] >= {"f", "l", "p", "q"}
    assert started_by("thermal") == ("static", "hold", {"d", "t", "q"})


@pytest.mark.parametrize(("pace", "absent"), [("own", "start"), ("own", "stop"), ("called", "control_step")])
def test_firmware_without_its_loop_costs_the_checks_that_close_it(pace: str, absent: str) -> None:
    lacks = missing_parts({part.name for part in PARTS} - {absent}, pace)
    assert [part.name for part in lacks] == [absent]
    reasons = {check: lacking(FakeRig().spec, check_named(check), "leaf", lacks) for check in CHECK_NAMES}
    assert {check for check, reason in reasons.items() if absent in reason} == {
        "conduct",
        "stiffness",
        "step",
        "together",
    }
    assert reasons["thermal"] == reasons["commutation"] == ""
