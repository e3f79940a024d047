"""Starting the simulated bench for a rig file whose addresses name one of its scenarios.

It is a child in a session of its own, started without a shell from a shipped module; from then on it is reached as
a real bench is, by the addresses in the rig file it writes.
"""

from __future__ import annotations

import contextlib
import json
import queue
import subprocess
import sys
import tempfile
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from harness.base.closable import Closable
from harness.base.errors import BenchError, UsageError
from harness.base.words import visible
from harness.rigfile import RigSpec, load
from harness.rigfile.addresses import simulated_place

READY_S = 30.0
"""Wall time for the bench to be ready (arbitrary; it takes about one second)."""
END_S = 5.0
"""Wall time for it to end by itself when its host has left (arbitrary), before it is ended."""


def scenario_of(spec: RigSpec) -> str | None:
    """Name of the scenario in a rig file's addresses; None for a real rig."""
    return simulated_place(spec.board.port)


class SimulatedBench(Closable):
    """A running simulated bench. A context manager that ends it."""

    def __init__(
        self,
        scenario: str,
        *,
        seed: int,
        plant_seed: int | None = None,
        board_seed: int | None = None,
        faults: Sequence[str] = (),
        bench: str = "rigs_demo",
    ) -> None:
        """Start it and wait until it is ready.

        Raises UsageError for a scenario or rig fault it does not know, BenchError if it cannot run here.
        """
        # -P: without it a folder of that name in the working directory would be run instead.
        command = [sys.executable, "-P", "-m", bench, scenario, "--seed", str(seed)]
        if plant_seed is not None:
            command += ["--plant-seed", str(plant_seed)]
        if board_seed is not None:
            command += ["--board-seed", str(board_seed)]
        for fault in faults:
            command.append(f"--with-fault={fault}")
        self._folder = tempfile.TemporaryDirectory(prefix="rotorgate-bench-")
        command += ["--rig-file", str(Path(self._folder.name) / f"{scenario}.toml")]
        command += ["--scratch", self._folder.name]  # whichever of both ends last takes it away
        self._errors = tempfile.TemporaryFile()  # noqa: SIM115  (closed in close)
        try:
            self._process = subprocess.Popen(
                command,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=self._errors,
                start_new_session=True,
                cwd=self._folder.name,
            )
            ready = self._wait_ready()
            self.rig_file = Path(str(ready.get("rig_file", "")))
            self.pid = self._process.pid
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        """Wait a little for it to end by itself (its host has left), then end it; never raises."""
        process = getattr(self, "_process", None)
        if process is not None:
            if process.stdout is not None:
                process.stdout.close()
            for end in (None, process.terminate, process.kill):
                if end is not None:
                    with contextlib.suppress(OSError):
                        end()
                try:
                    process.wait(END_S if end is not None else 0.5)
                    break
                except subprocess.TimeoutExpired:
                    continue
        self._errors.close()
        with contextlib.suppress(OSError):
            self._folder.cleanup()

    def ended(self) -> str:
        """How it broke down while it was needed, with its last words; "" while it runs, or if it just ended with us."""
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(0.2)
        code = self._process.poll()
        return "" if not code else f"the simulated bench has ended by itself with code {code}: {self._last_words()}"

    def addressed(self, spec: RigSpec) -> RigSpec:
        """The person's rig file with the addresses where this bench is really reached.

        Raises UsageError where it names an instrument that the scenario does not have.
        """
        written = load(self.rig_file)
        scenario = scenario_of(spec)
        instruments = {}
        for name, entry in spec.instrument.items():
            wanted = (simulated_place(entry.address) or "").removeprefix(f"{scenario}/")
            if wanted not in written.instrument:
                raise UsageError(
                    f"{spec.file}: instrument.{name}.address: the scenario {scenario} has no {visible(wanted)}; "
                    f"it has {', '.join(written.instrument) or 'no instruments'}"
                )
            instruments[name] = entry.model_copy(update={"address": written.instrument[wanted].address})
        board = spec.board.model_copy(update={"port": written.board.port})
        clock = written.clock if spec.clock is None else spec.clock
        return spec.model_copy(update={"board": board, "instrument": instruments, "clock": clock})

    def _wait_ready(self) -> dict[str, Any]:
        lines: queue.Queue[bytes] = queue.Queue()
        stream = self._process.stdout
        if stream is None:
            raise BenchError("simulated bench: cannot read from it")
        threading.Thread(target=lambda: lines.put(stream.readline()), daemon=True).start()
        try:
            line = lines.get(timeout=READY_S)
        except queue.Empty:
            raise BenchError(f"simulated bench: not ready within {READY_S:g} s; {self._last_words()}") from None
        if not line:
            with contextlib.suppress(subprocess.TimeoutExpired):
                self._process.wait(END_S)
            words = self._last_words()
            if self._process.returncode == 4:
                raise UsageError(f"simulated bench: {words}")
            if "No module named" in words:
                words = "rigs_demo is not installed here: python -m pip install 'rotorgate[demo]'"
            raise BenchError(f"simulated bench: {words}")
        try:
            ready = json.loads(line)
        except ValueError:
            ready = None
        if not isinstance(ready, dict) or not isinstance(ready.get("rig_file"), str):
            raise BenchError(f"simulated bench: expected a line with rig_file, found {visible(repr(line[:80]))}")
        return ready

    def _last_words(self) -> str:
        self._errors.seek(0)
        printed = self._errors.read()[-4000:].decode("utf-8", "backslashreplace").strip()
        return visible(printed.splitlines()[-1]) if printed else "it ended without a word"
