"""A MicroPython board: its console, the files on it, the scripts it runs, and what it says of itself."""

from __future__ import annotations

import ast
from collections.abc import Mapping
from dataclasses import dataclass

from harness.link import files, snippets
from harness.link.console import Console
from harness.link.run import ScriptRun


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardIdentity:
    """What the board says of itself."""

    unique_id: str
    system: str
    implementation: str
    version: str
    machine: str

    @property
    def simulated(self) -> bool:
        """Whether it calls itself SIMULATED."""
        return "SIMULATED" in f"{self.machine} {self.version} {self.system}".upper()


class Board(Console):
    """One board. Open it with `Board.open`; a context manager that leaves it at its friendly prompt."""

    def identity(self) -> BoardIdentity:
        """What the board says of itself."""
        return BoardIdentity(**ast.literal_eval(self.execute(snippets.IDENTITY)))

    def run(self, source: str, timeout_s: float = 5.0, *, heartbeat_s: float | None = None) -> ScriptRun:
        """Start a script that sends frames. `timeout_s`: until it is started.

        `heartbeat_s`: while the host waits for frames it sends an empty line this often (the script reads
        them with `frames.Inbox`, and feeds its deadman).
        """
        if "frames.py" not in self.deployed:
            names = ("frames.py", "inbox.py") if "select" in self.abilities else ("frames.py",)
            self.deploy({name: snippets.device_script(name) for name in names})
        self.port.listen()
        run = ScriptRun(self, heartbeat_s=heartbeat_s)
        self.start(snippets.framed(source), framed=True)
        run.wait_started(timeout_s)
        return run

    def deploy(self, scripts: Mapping[str, bytes]) -> list[str]:
        """Put device scripts where the board imports them; write only those that differ; return their names."""
        return files.deploy(self, scripts)

    def read_file(self, name: str, timeout_s: float = 60.0) -> bytes:
        """The content of a file, which a script on the board sends. Raises DeviceError if there is none."""
        pieces = []
        with self.run(snippets.READ % {"name": name}) as run:
            while (piece := run.next_piece(timeout_s)) is not None:
                pieces.append(piece)
        return b"".join(pieces)

    def write_file(self, name: str, data: bytes, timeout_s: float = 60.0) -> None:
        """Write a file on the board and check it there."""
        files.write_file(self, name, data, timeout_s)

    def rename(self, old: str, new: str) -> None:
        """Rename a file on the board, over one that may be there."""
        files.rename(self, old, new)

    def remove(self, name: str) -> None:
        """Remove a file from the board. Raises DeviceError if there is none."""
        self.execute(f"import os\nos.remove({name!r})")
