"""A MicroPython board: its console, the files on it, the scripts it runs, and what it says of itself."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields

from harness.base.errors import LinkError
from harness.link import files, snippets
from harness.link.answers import answers
from harness.link.console import Console
from harness.link.literals import literal
from harness.link.run import ScriptRun

UNIQUE_ID = re.compile(r"(?:[0-9a-f]{2}){0,32}")
"""It becomes a part of names of files and locks; those of microcontrollers have 4 to 16 bytes (common practice)."""
LONGEST_WORD = 200
"""Characters of a word that a board says of itself (arbitrary)."""


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
        """What the board says of itself. Raises LinkError where that is no identity."""
        said = answers(self.execute_checked(snippets.IDENTITY))
        words = tuple(field.name for field in fields(BoardIdentity))
        try:
            identity = literal(said[0] if said else "")
            if not isinstance(identity, dict) or set(identity) != set(words):
                raise ValueError(f"expected {', '.join(words)}, found {said[:1]!r:.40}")
            if wrong := [
                word for word in words if not isinstance(identity[word], str) or len(identity[word]) > LONGEST_WORD
            ]:
                raise ValueError(f"expected a text of at most {LONGEST_WORD} characters as {wrong[0]}")
            if not UNIQUE_ID.fullmatch(identity["unique_id"]):
                raise ValueError(f"expected a unique id of hexadecimal digits, found {identity['unique_id'][:40]!r}")
        except (ValueError, TypeError) as error:
            raise LinkError(f"{self.port.url}: what the board says of itself makes no sense: {error}") from error
        return BoardIdentity(**identity)

    def run(
        self,
        source: str,
        timeout_s: float = 5.0,
        *,
        heartbeat_s: float | None = None,
        before_beat: Callable[[], None] | None = None,
    ) -> ScriptRun:
        """Start a script that sends frames. `timeout_s`: until it is started.

        `heartbeat_s`: while the host waits for frames it sends an empty line this often (the script reads
        them with `frames.Inbox`, and feeds its deadman). `before_beat` is called before each and before any other
        line: what it raises ends the script, and the deadman is fed no more.
        """
        if "frames.py" not in self.deployed:
            names = ("frames.py", "inbox.py") if "select" in self.abilities else ("frames.py",)
            self.deploy({name: snippets.device_script(name) for name in names})

        def started() -> ScriptRun:
            self.port.listen()
            run = ScriptRun(self, heartbeat_s=heartbeat_s, before_beat=before_beat)
            self.start(self.with_checksum(snippets.framed(source)), framed=True)
            run.wait_started(timeout_s)
            return run

        return self.until_taken(started)

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
        self.execute_checked(f"import os\nos.remove({name!r})")
