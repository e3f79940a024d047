"""A board that is none: the raw REPL as MicroPython documents it, on a pseudo-terminal, with CPython behind it.

It shares no code with harness/link, nothing of MicroPython runs in it, and it can be told to misbehave in
ways that a real board does only now and then. Prints the terminal's name, serves it until its input closes.
"""

from __future__ import annotations

import argparse
import contextlib
import gc
import os
import pty
import queue
import random
import re
import select
import signal
import sys
import tempfile
import threading
import time
import traceback
import tty
import types
from collections.abc import Callable

BANNER = b"raw REPL; CTRL-B to exit\r\n>"
HELLO = b'MicroPython 0.0 (stand-in, SIMULATED)\r\nType "help()" for more information.\r\n>>> '
sys.dont_write_bytecode = True  # a board keeps none: an old one would stand for a new file of the same second


class Traits:
    """How this one behaves."""

    def __init__(self, words: list[str]) -> None:
        parser = argparse.ArgumentParser()
        parser.add_argument("--no-paste", action="store_true", help="firmware from before raw-paste")
        parser.add_argument("--window", type=int, default=128, help="raw-paste window")
        parser.add_argument("--noise", action="store_true", help="a main.py that prints and never ends")
        parser.add_argument("--stuck", choices=["raw", "paste", "typed", "script"], help="as another program left it")
        parser.add_argument("--chop", type=int, help="seed: write in random pieces")
        parser.add_argument("--damage", type=int, help="flip a bit of this output byte, counted from the last 'go'")
        parser.add_argument("--drop", type=int, help="drop this output byte, counted from the last 'go'")
        parser.add_argument("--vanish", type=int, help="close after this output byte, counted from the last 'go'")
        parser.add_argument("--mishear", type=int, help="change this input byte, counted from the first 'heed', once")
        parser.add_argument("--deaf", action="store_true", help="code that no interrupt reaches")
        self.given = parser.parse_args(words)


class Wire:
    """The terminal's board end: a thread reads it, and turns 03 into an interrupt while a script runs."""

    def __init__(self, traits: argparse.Namespace) -> None:
        self.master, slave = pty.openpty()
        tty.setraw(slave)
        self.name = os.ttyname(slave)
        self.running = False
        self._traits = traits
        self._random = random.Random(traits.chop)
        self._counting = False
        self._put_out = 0
        self._lately = b""
        self._heeding: int | None = None
        self._misheard = False
        self._turn = threading.Lock()
        self._bytes: queue.SimpleQueue[int] = queue.SimpleQueue()
        self._script_out, self.script_in = os.pipe()
        self.script_input = self._script_out
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        while True:
            try:
                data = os.read(self.master, 4096)
            except OSError:
                os._exit(0)
            with self._turn:
                for byte in self._heard(data):
                    if byte == 3 and self.running:
                        signal.pthread_kill(threading.main_thread().ident, signal.SIGINT)  # type: ignore[arg-type]
                    elif self.running:
                        os.write(self.script_in, bytes([byte]))
                    else:
                        self._bytes.put(byte)

    def _heard(self, data: bytes) -> bytes:
        """With the one byte that is misheard: another digit where it is one."""
        if self._traits.mishear is None or self._misheard:
            return data
        heard = bytearray()
        for byte in data:
            if self._heeding is None:
                self._lately = (self._lately + bytes([byte]))[-4:]
                self._heeding = 0 if self._lately == b"heed" else None
            elif not self._misheard:
                self._misheard = self._heeding == self._traits.mishear
                self._heeding += 1
                heard.append(byte ^ self._misheard)
                continue
            heard.append(byte)
        return bytes(heard)

    def get(self) -> int:
        return self._bytes.get()

    def script_begins(self) -> None:
        """From now on input is the script's, also what has come early."""
        with self._turn:
            while not self._bytes.empty():
                os.write(self.script_in, bytes([self._bytes.get()]))
            self.running = True

    def script_ends(self) -> None:
        """What the script has not read is the prompt's."""
        with self._turn:
            self.running = False
            while select.select([self.script_input], [], [], 0)[0]:
                for byte in os.read(self.script_input, 4096):
                    self._bytes.put(byte)

    def count_from_here(self) -> None:
        self._counting, self._put_out = True, 0

    def put(self, data: bytes) -> None:
        if self._counting:
            data = self._misbehave(data)
        while data:
            size = len(data) if self._traits.chop is None else self._random.randint(1, 7)
            done = os.write(self.master, data[:size])
            data = data[done:]

    def _misbehave(self, data: bytes) -> bytes:
        begin, self._put_out = self._put_out, self._put_out + len(data)
        out = bytearray(data)
        for what in ("damage", "drop", "vanish"):
            at = getattr(self._traits, what)
            if at is not None and begin <= at < begin + len(data):
                if what == "damage":
                    out[at - begin] ^= 0x10
                elif what == "drop":
                    del out[at - begin]
                else:
                    os.write(self.master, out[: at - begin])
                    os._exit(0)
        return bytes(out)


class Input:
    """sys.stdin of a script: exact reads, nothing kept back, so that poll tells the truth."""

    def __init__(self, fileno: int) -> None:
        self._fileno = fileno
        self.buffer = self

    def fileno(self) -> int:
        return self._fileno

    def read(self, count: int) -> bytes:
        data = b""
        while len(data) < count:
            data += os.read(self._fileno, count - len(data))
        return data

    def readinto(self, target: bytearray) -> int:
        target[:] = self.read(len(target))
        return len(target)


class Output:
    """sys.stdout of a script: text is cooked to CR LF, bytes are not."""

    def __init__(self, put: Callable[[bytes], None]) -> None:
        self.buffer = self
        self._put = put

    def write(self, data: str | bytes | bytearray | memoryview) -> int:
        self._put(data.replace("\n", "\r\n").encode() if isinstance(data, str) else bytes(data))
        return len(data)

    def flush(self) -> None:
        pass


class Board:
    """Friendly prompt, raw prompt, raw-paste, soft reset."""

    def __init__(self, traits: argparse.Namespace) -> None:
        self.traits = traits
        self.wire = Wire(traits)
        self.scope: dict[str, object] = {}
        sys.stdin = Input(self.wire.script_input)  # type: ignore[assignment]
        sys.stdout = Output(self.wire.put)  # type: ignore[assignment]
        sys.modules["machine"] = types.SimpleNamespace(unique_id=lambda: b"\x01\x02\x03")  # type: ignore[assignment]
        os.uname = lambda: ("", "", "", "", "stand-in SIMULATED")  # type: ignore[assignment,return-value]
        gc.mem_free = lambda: 100_000  # type: ignore[attr-defined]

    def serve(self) -> None:
        mode = self._boot(self.traits.stuck)
        while True:
            mode = self._raw(mode) if mode else self._friendly()

    def _boot(self, stuck: str | None) -> bytes:
        """Returns the source typed so far at a raw prompt, or nothing for the friendly one."""
        if self.traits.noise:
            self._script("import time\nwhile True:\n    print('main.py OK\\r\\n>>> noise')\n    time.sleep(0.005)\n")
        if stuck == "script":
            self._script("import time\nwhile True: time.sleep(1)")
        if stuck == "typed":
            return b"\nimport os; os.abo"
        if stuck == "paste":
            self._paste()
        return b"\n" if stuck else b""

    def _friendly(self) -> bytes:
        self.wire.put(HELLO)
        while True:
            byte = self.wire.get()
            if byte == 1:
                self.wire.put(BANNER)
                return b"\n"
            if byte == 2:
                return b""
            if byte == 4:
                self._reset()
                self._boot(None)
                return b""
            if byte in (3, 13):
                self.wire.put(b"\r\n>>> ")

    def _raw(self, typed: bytes) -> bytes:
        while True:
            byte = self.wire.get()
            if byte == 1 and typed == b"\n\x05A":
                if self.traits.no_paste:
                    self.wire.put(BANNER)
                else:
                    self._paste()
                typed = b"\n"
            elif byte == 1:
                self.wire.put(BANNER)
                typed = b"\n"
            elif byte == 2:
                self.wire.put(b"\r\n")
                return b""
            elif byte == 3:
                typed = b"\n"
            elif byte == 4:
                self.wire.put(b"OK")
                if typed == b"\n":
                    self.wire.put(b"\r\n")
                    self._reset()
                    self.wire.put(BANNER)
                else:
                    self._answer(typed.decode())
                typed = b"\n"
            else:
                typed += bytes([byte])

    def _paste(self) -> None:
        window = self.traits.window
        self.wire.put(b"R\x01" + window.to_bytes(2, "little") + b"\x01")
        source = b""
        while (byte := self.wire.get()) not in (3, 4):
            source += bytes([byte])
            if len(source) % window == 0:
                self.wire.put(b"\x01")
            if b"\n)\n" in source:  # a syntax error seen early: stop, and swallow what is on its way
                self.wire.put(b"\x04")
                while self.wire.get() not in (3, 4):
                    pass
                self.wire.put(b"\x04SyntaxError: invalid syntax\r\n\x04>")
                return
        self.wire.put(b"\x04")
        if byte == 3:
            self.wire.put(b"\x04KeyboardInterrupt: \r\n\x04>")
        else:
            self._answer(source.decode())

    def _answer(self, source: str) -> None:
        reset, error = self._script(source)
        self.wire.put(b"\x04" + error.replace("\n", "\r\n").encode() + b"\x04")
        if reset:
            self._reset()
            self.wire.put(BANNER)
        else:
            self.wire.put(b">")

    def _script(self, source: str) -> tuple[bool, str]:
        self.wire.script_begins()
        if "# go" in source:
            self.wire.count_from_here()
        try:
            while True:
                try:
                    exec(compile(source, "<stdin>", "exec"), self.scope)
                    return False, ""
                except KeyboardInterrupt:
                    if not self.traits.deaf:
                        return False, "Traceback (most recent call last):\nKeyboardInterrupt: \n"
        except SystemExit:
            return True, ""
        except BaseException as error:
            self._at_its_end()  # to make its traceback takes a while
            return False, "".join(traceback.format_exception(error))
        finally:
            self._at_its_end()
            self.wire.script_ends()

    def _at_its_end(self) -> None:
        """From here on an interrupt is nobody's."""
        with contextlib.suppress(KeyboardInterrupt):
            self.wire.running = False
        self.wire.running = False

    def _reset(self) -> None:
        self.scope = {}
        for name in [
            name
            for name, module in sys.modules.items()
            if re.search(r"rotorgate", str(getattr(module, "__file__", "")))
        ]:
            del sys.modules[name]
        time.sleep(0.01)
        self.wire.put(b"MPY: soft reboot\r\n")


def main() -> None:
    traits = Traits(sys.argv[1:]).given
    inherited = sys.stdin.fileno()
    board = Board(traits)

    def interrupt(_number: int, _frame: object) -> None:
        if board.wire.running:  # else it has come as the script ended
            raise KeyboardInterrupt

    signal.signal(signal.SIGINT, interrupt)  # what is run in the background may inherit it ignored
    os.write(1, board.wire.name.encode() + b"\n")

    def end_with_parent() -> None:
        os.read(inherited, 1)
        os._exit(0)

    threading.Thread(target=end_with_parent, daemon=True).start()
    with tempfile.TemporaryDirectory() as place, contextlib.chdir(place):
        sys.path.insert(0, "")
        board.serve()


if __name__ == "__main__":
    main()
