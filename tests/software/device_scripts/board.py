"""A board in memory: the device scripts run on it as they are, with pins, timer, clock and firmware as a test wants."""

from __future__ import annotations

import importlib.util
import sys
import types
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[3]
PINS = ((0, 1, 2), (3, 4, 5))
ENABLES = (6, 7)
TICKS = 1 << 30


class Board:
    """Pins by number, time that passes when a script sleeps, lines that come from the host when they are due."""

    def __init__(self) -> None:
        self.us = 0
        self.level: dict[int, int] = {}
        self.orders: list[tuple[int, bytes]] = []
        """(time in us from which it is there, line)."""
        self.events: list[tuple[str, object]] = []
        self.rows: list[tuple[object, ...]] = []
        self.every_ms: Callable[[], None] | None = None
        """What the firmware's own timer does, if it has one."""
        self.silent: Callable[[object], None] | None = None
        self.deadman_ms = 0
        self.fed_us = 0
        self.feeds = True
        """Whether the host is there."""
        self.loaded: dict[str, types.ModuleType] = {}
        """Device scripts that others import."""
        self.imported: dict[str, object] = {}
        """What sys.modules holds."""
        self.files: set[str] = set()
        self.raised: list[BaseException] = []
        """What was printed as a traceback."""

    def open(self, file: str) -> Any:
        """A file of the board; its content is nobody's concern here."""
        if file not in self.files:
            raise OSError(2)
        return types.SimpleNamespace(close=lambda: None)

    def pass_us(self, us: int) -> None:
        for _ in range(max(us, 0) // 1000):
            self.us += 1000
            if self.every_ms is not None:
                self.every_ms()
            if self.silent is not None and self.us - self.fed_us >= self.deadman_ms * 1000:
                fire, self.silent = self.silent, None
                fire(None)
        self.us += max(us, 0) % 1000

    def line(self, wait_ms: int) -> bytes | None:
        self.pass_us(wait_ms * 1000)
        if self.orders and self.orders[0][0] <= self.us:
            return self.orders.pop(0)[1]
        return b"" if self.feeds else None

    def modules(self) -> dict[str, types.ModuleType]:
        board = self

        class Pin:
            OUT, IN = 1, 0

            def __init__(self, number: int, mode: int = -1, value: int | None = None) -> None:
                self.number = number
                self.init(mode, value)

            def init(self, mode: int, value: int | None = None) -> None:
                if value is not None:
                    board.level[self.number] = value

        class Timer:
            ONE_SHOT, PERIODIC = 0, 1

            def __init__(self, number: int) -> None: ...

            def init(self, mode: int, period: int, callback: Callable[[object], None]) -> None:
                board.silent, board.deadman_ms, board.fed_us = callback, period, board.us

            def deinit(self) -> None:
                board.silent = None

        def stream(*_: object) -> object:
            return types.SimpleNamespace(row=lambda *values: board.rows.append(values), flush=lambda: None)

        def module(name: str, **names: object) -> types.ModuleType:
            made = types.ModuleType(name)
            vars(made).update(names)
            return made

        half = TICKS // 2
        return {
            "sys": module("sys", modules=self.imported, print_exception=self.raised.append),
            "machine": module("machine", Pin=Pin, Timer=Timer),
            "micropython": module("micropython", const=lambda value: value),
            "frames": module(
                "frames",
                Stream=stream,
                event=lambda name, value: board.events.append((name, value)),
                Inbox=lambda _: types.SimpleNamespace(line=board.line),
            ),
            "time": module(
                "time",
                ticks_us=lambda: board.us % TICKS,
                ticks_ms=lambda: board.us // 1000 % TICKS,
                ticks_add=lambda ticks, more: (ticks + more) % TICKS,
                ticks_diff=lambda end, start: (end - start + half) % TICKS - half,
                sleep_us=board.pass_us,
                sleep_ms=lambda ms: board.pass_us(ms * 1000),
            ),
        }

    def load(self, name: str, **more: object) -> Any:
        """The device script of this name on this board."""
        spec = importlib.util.spec_from_file_location(f"on_board_{name}", ROOT / "device_scripts" / f"{name}.py")
        assert spec is not None and spec.loader is not None
        script = importlib.util.module_from_spec(spec)
        vars(script).update(more)
        with _in_place({**self.modules(), **self.loaded}):
            spec.loader.exec_module(script)
        return script

    def guard(self, drive: object, **changes: object) -> Any:
        """A Guard of safety.py over two motors; limits far away unless `changes` says otherwise."""
        for name in ("import_anew", "loop_passes", "travel_limits"):
            self.loaded[name] = self.load(name, open=self.open)
        safety = self.load("safety", __import__=lambda name: self.imported.setdefault(name, drive))
        parameters: dict[str, object] = {
            "drive": "drive under test", "pins": PINS, "enables": ENABLES, "deadman_ms": 300, "hang": (None, None),
            "travel": (None, None), "speed": (None, None), "enable_off": (0, 0), **changes,
        }  # fmt: skip
        return safety.Guard(**parameters)


class Drive:
    """Firmware of the drive contract for two motors: notes what is called, and its loop holds the pins on."""

    def __init__(self, board: Board, pace: str = "own", turn: int = 16384, enable_on: tuple[int, int] = (1, 1)) -> None:
        self.board, self.pace, self.turn, self.enable_on = board, pace, turn, enable_on
        self.calls: list[tuple[int, str, tuple[object, ...]]] = []
        self.count = [0, 0]
        self.valid = [True, True]
        self.age = 0
        self.running = [False, False]
        self.passes = True
        """Whether a pass of the loop calls the hook."""
        self.hooks: list[Callable[[int, int, int], None] | None] = [None, None]
        board.every_ms = self._own_loop
        if pace == "called":
            self.start = self.stop = None  # type: ignore[assignment,method-assign]

    def _own_loop(self) -> None:
        for motor in (0, 1):
            if self.running[motor]:
                self._pass(motor)

    def _pass(self, motor: int) -> None:
        self._energise(motor)
        hook = self.hooks[motor]
        if hook is not None and self.passes and (self.pace == "own" or self.valid[motor]):
            hook(self.board.us, self.count[motor], 0)

    def _energise(self, motor: int) -> None:
        self.board.level[ENABLES[motor]] = self.enable_on[motor]
        self.board.level[PINS[motor][0]] = 1

    def _note(self, name: str, *words: object) -> None:
        self.calls.append((self.board.us, name, words))

    def of(self, name: str) -> list[tuple[int, tuple[object, ...]]]:
        """(time, arguments) of every call of one function."""
        return [(at, words) for at, called, words in self.calls if called == name]

    def declare(self, motor: int) -> dict[str, object]:
        return {"counts_per_turn": self.turn, "field_steps": 240, "pace": self.pace, "loop_period_us": 1000}

    def angle(self, motor: int) -> tuple[int, bool, int]:
        self._note("angle", motor)
        return self.count[motor], self.valid[motor], self.age

    def field(self, motor: int, angle: int, amplitude: int) -> None:
        self._note("field", motor, angle, amplitude)
        self._energise(motor)

    def set_point(self, motor: int, count: int) -> None:
        self._note("set_point", motor, count)

    def trace(self, motor: int, hook: Callable[[int, int, int], None] | None) -> None:
        self.hooks[motor] = hook

    def control_step(self, motor: int) -> None:
        self._note("control_step", motor)
        self._pass(motor)

    def start(self, motor: int) -> None:
        self.running[motor] = True

    def stop(self, motor: int) -> None:
        self._note("stop", motor)
        self.running[motor] = False

    def off(self, motor: int) -> None:
        """As the contract has it: the bridge; of the loop it says nothing."""
        self._note("off", motor)
        self.board.level[ENABLES[motor]] = 1 - self.enable_on[motor]


@contextmanager
def _in_place(modules: dict[str, types.ModuleType]) -> Iterator[None]:
    before = {name: sys.modules.get(name) for name in modules}
    sys.modules.update(modules)
    try:
        yield
    finally:
        for name, module in before.items():
            if module is None:
                del sys.modules[name]
            else:
                sys.modules[name] = module
