"""Data goes one way, and imports point only backwards along it; read from the source, so that lazy ones count."""

from __future__ import annotations

import ast
import importlib.util
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]

FORBIDDEN = {
    # room: what it must not import, and why it would be a shortcut
    "harness": ("rigs_demo", "tests"),  # true values are learned by measuring
    "harness/measure": ("harness.model", "harness.expectation", "harness.verdict", "harness.diagnosis"),
    "harness/model": ("harness.measure", "harness.link", "harness.bench", "harness.verdict", "harness.record"),
    "harness/link": ("harness.measure", "harness.model", "harness.verdict", "harness.bench", "harness.record"),
    "harness/bench": ("harness.measure", "harness.model", "harness.verdict", "harness.report"),
    "harness/report": ("harness.link", "harness.bench", "harness.measure", "harness.model", "harness.qualification"),
    "harness/record": ("harness.report", "harness.measure", "harness.model", "harness.bench", "harness.store"),
    # What is kept must read without the code that made it.
    "harness/store": (
        *("harness.link", "harness.bench", "harness.measure", "harness.model", "harness.verdict"),
        *("harness.report", "harness.rigfile", "harness.qualification", "harness.session"),
    ),
    "harness/compare": (
        *("harness.link", "harness.bench", "harness.measure", "harness.model", "harness.expectation"),
        *("harness.verdict", "harness.report", "harness.store", "harness.qualification", "harness.session"),
    ),
    "harness/rigfile": ("harness.measure", "harness.model", "harness.bench", "harness.verdict"),
    "harness/verdict.py": ("harness.measure", "harness.model", "harness.record", "harness.bench", "harness.diagnosis"),
    "harness/diagnosis.py": ("harness.measure", "harness.model", "harness.record", "harness.bench"),
    "harness/quantity.py": ("harness.measure", "harness.model", "harness.verdict"),
    "rigs_demo/plant": ("harness",),  # plant and model share no code
    "rigs_demo/truth": ("harness",),
    "rigs_demo/instruments": ("harness",),
    "rigs_demo": ("harness",),
    "device_scripts": ("harness", "rigs_demo", "numpy"),
}


def modules(room: str) -> list[Path]:
    path = ROOT / room
    return [path] if path.suffix else sorted(path.rglob("*.py"))


def imported(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            names.add(node.module)
            names.update(f"{node.module}.{alias.name}" for alias in node.names)
    return names


def crossings(room: str, forbidden: tuple[str, ...]) -> list[str]:
    return [
        f"{path.relative_to(ROOT)} imports {name}"
        for path in modules(room)
        for name in sorted(imported(path))
        if any(name == wall or name.startswith(wall + ".") for wall in forbidden)
    ]


@pytest.mark.parametrize("room", sorted(FORBIDDEN))
def test_no_import_points_forward(room: str) -> None:
    assert modules(room), f"{room} is empty: the wall would guard nothing"
    assert crossings(room, FORBIDDEN[room]) == []


def test_the_wall_sees_a_crossing(tmp_path: Path) -> None:
    trespasser = tmp_path / "trespasser.py"
    trespasser.write_text("def f():\n    from harness.model import loop\n", encoding="utf-8")
    assert "harness.model.loop" in imported(trespasser)


def test_only_the_clock_touches_time() -> None:
    sleepers = [
        str(path.relative_to(ROOT))
        for path in modules("harness")
        if path.name != "clock.py" and imported(path) & {"time", "asyncio", "datetime.datetime.now"}
    ]
    assert sleepers == []


def test_harness_never_opens_what_the_plant_keeps() -> None:
    for path in modules("harness"):
        text = path.read_text(encoding="utf-8")
        assert "rigs_demo/plants" not in text, path
        assert "plants/" not in text, path


@pytest.mark.skipif(importlib.util.find_spec("rigs_demo.faults") is None, reason="no rig faults in this tree")
def test_no_rig_fault_is_known_by_name() -> None:
    listed = subprocess.run(
        [sys.executable, "-m", "rigs_demo", "faults"], capture_output=True, text=True, check=True, cwd=ROOT
    ).stdout
    names = [line.split("\t")[0] for line in listed.splitlines()]
    assert len(names) >= 9
    for path in [*modules("harness"), *modules("device_scripts")]:
        text = path.read_text(encoding="utf-8")
        for name in names:
            assert name not in text, f"{path.relative_to(ROOT)} knows the rig fault {name}"
            assert name.replace("-", "_") not in text, f"{path.relative_to(ROOT)} knows the rig fault {name}"


@pytest.mark.parametrize("absent", ["fcntl", "termios", "pty", "resource"])
def test_harness_imports_where_posix_modules_are_absent(absent: str) -> None:
    names = [
        ".".join(path.relative_to(ROOT).with_suffix("").parts)
        for path in modules("harness")
        if path.name != "__init__.py" and "checks" not in path.parts
    ]
    # pyserial's own POSIX back end needs them; only our modules must do without.
    program = (
        "import sys, importlib, serial\n"
        f"sys.modules[{absent!r}] = None\n"
        f"[importlib.import_module(name) for name in {names!r}]\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False, cwd=ROOT)
    assert done.returncode == 0, done.stderr
