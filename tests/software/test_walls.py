"""Data goes one way, and imports point only backwards along it; read from the source, so that lazy ones count."""

from __future__ import annotations

import ast
import importlib.util
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]

ORDER = (
    # Each line may import from the lines above it; rooms of one line do not know each other. A room is a module or a
    # package directly under harness; two joined by + are one.
    ("errors", "words", "observation", "catalogue", "effects", "closing", "disk", "sink"),
    ("clock", "contract", "columns", "defects", "causes", "arguments"),
    ("quantity + coverage", "link", "progress"),
    ("results", "gravity"),
    ("rigfile",),
    ("bench",),
    ("measure", "model", "verdict", "preconditions"),
    ("expectation", "planning", "diagnosis", "tally", "report"),
    ("curves", "record", "table"),
    ("again", "qualification", "store", "compare", "terminal"),
    ("gauges", "named_runs", "study"),
    ("session", "against", "baseline_rows", "history", "pool"),
    ("gate",),
    ("checks", "plugin_pool"),
    ("plugin",),
    ("cli_inspect", "cli_report", "cli_keep", "cli_baseline", "cli_history", "cli_gauge"),
    ("running", "boards"),
    ("repeats", "lot"),
    ("trial",),
    ("account",),
    ("cli_qualify", "cli_gate", "cli_capability"),
    ("cli_study",),
    ("cli",),
)
FORBIDDEN = {
    # What the order above would let pass, and the walls that matter most whatever the order: room, what it must not
    # import, and why it would be a shortcut.
    "harness": ("rigs_demo", "tests"),  # true values are learned by measuring
    "harness/measure": ("harness.model", "harness.run.expectation", "harness.judge.verdict", "harness.judge.diagnosis"),
    "harness/model": ("harness.measure", "harness.link", "harness.bench", "harness.judge.verdict", "harness.record"),
    "harness/link": ("harness.measure", "harness.model", "harness.judge.verdict", "harness.bench", "harness.record"),
    "harness/bench": ("harness.measure", "harness.model", "harness.judge.verdict", "harness.report", "harness.record"),
    "harness/report": (
        "harness.link",
        "harness.bench",
        "harness.measure",
        "harness.model",
        "harness.run.qualification",
    ),
    "harness/record": ("harness.report", "harness.measure", "harness.model", "harness.bench", "harness.store"),
    # What is kept must read without the code that made it.
    "harness/store": (
        *("harness.link", "harness.bench", "harness.measure", "harness.model", "harness.judge.verdict"),
        *("harness.report", "harness.rigfile", "harness.run.qualification", "harness.run.session"),
    ),
    # From what is kept alone: a page shows nothing that a bench would have to be asked for.
    "harness/history": (
        *("harness.link", "harness.bench", "harness.measure", "harness.model", "harness.run.expectation"),
        *("harness.run.qualification", "harness.run.session"),
    ),
    "harness/compare": (
        *("harness.link", "harness.bench", "harness.measure", "harness.model", "harness.run.expectation"),
        *(
            "harness.judge.verdict",
            "harness.report",
            "harness.store",
            "harness.run.qualification",
            "harness.run.session",
        ),
    ),
    # A decision is made from records and a written policy: nobody can let a release through by driving a bench.
    "harness/gate": ("harness.link", "harness.bench", "harness.measure", "harness.model", "harness.run.qualification"),
    "harness/study": ("harness.link", "harness.bench", "harness.measure", "harness.model", "harness.store"),
    "harness/rigfile": ("harness.measure", "harness.model", "harness.bench", "harness.judge.verdict"),
    "harness/judge/verdict.py": (
        "harness.measure",
        "harness.model",
        "harness.record",
        "harness.bench",
        "harness.judge.diagnosis",
    ),
    "harness/judge/diagnosis.py": ("harness.measure", "harness.model", "harness.record", "harness.bench"),
    "harness/nouns/quantity.py": ("harness.measure", "harness.model", "harness.judge.verdict"),
    "rigs_demo/plant": ("harness",),  # plant and model share no code
    "rigs_demo/truth": ("harness",),
    "rigs_demo/instruments": ("harness",),
    "rigs_demo": ("harness",),
    "device_scripts": ("harness", "rigs_demo", "numpy"),
}


def modules(room: str) -> list[Path]:
    path = ROOT / room
    return [path] if path.suffix else sorted(path.rglob("*.py"))


def imported(path: Path, source: str | None = None) -> set[str]:
    """What the module at `path` imports, relative imports by their full names; `source` instead of what is there."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(source if source is not None else path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            above = path.relative_to(ROOT).parts[: -node.level] if node.level else ()
            module = ".".join((*above, node.module) if node.module else above)
            names.add(module)
            names.update(f"{module}.{alias.name}" for alias in node.names)
    return names


def called_for(path: Path) -> set[str]:
    """What a module imports, and what it names in words to be imported when wanted."""
    rooms = {room for line in ORDER for each in line for room in each.split(" + ")}
    words = {
        node.value.rstrip(".")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant)
        and isinstance(node.value, str)
        and re.fullmatch(r"harness\.[a-z_.]+", node.value)
        and node.value.split(".")[1] in rooms
    }
    return imported(path) | words


def room_of(module: str) -> str:
    """The room that a module's dotted name lies in, in the words of ORDER."""
    part = module.split(".")[1]
    return next((room for line in ORDER for room in line if part in room.split(" + ")), part)


def forward(path: Path, wanted: set[str]) -> list[str]:
    """Imports of a module of harness that do not come from a line above its own."""
    places = {room: place for place, line in enumerate(ORDER) for room in line}
    own = room_of(".".join(path.relative_to(ROOT).with_suffix("").parts))
    others = {room_of(name) for name in wanted if name.startswith("harness.")} - {own}
    last = len(ORDER)  # a room without a place: another test asks for it
    return [f"{own} -> {other}" for other in sorted(others) if places.get(other, last) >= places.get(own, last)]


def reads_time(path: Path) -> bool:
    """Whether a module sleeps or asks what time it is: the time module, asyncio, `now` and its like of any date."""
    asked = {
        node.attr for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(node, ast.Attribute)
    }
    return bool(imported(path) & {"time", "asyncio"} or asked & {"now", "utcnow", "today"})


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


def test_the_wall_sees_a_crossing() -> None:
    trespasser = ROOT / "harness" / "measure" / "step.py"
    assert "harness.checks.step.model" in imported(trespasser, "def f():\n    from harness.model import loop\n")
    assert "harness.checks.step.model" in imported(trespasser, "from ..model import loop\n")
    assert "harness.checks.step.model" in imported(trespasser, "import harness.checks.step.model as hoop\n")


def test_every_room_has_its_place_in_the_order() -> None:
    rooms = {path.stem for path in (ROOT / "harness").glob("*.py")} - {"__init__"}
    rooms |= {path.parent.name for path in (ROOT / "harness").glob("*/__init__.py")}
    listed = [part for line in ORDER for room in line for part in room.split(" + ")]
    assert sorted(listed) == sorted(rooms)


def test_every_room_is_told_of_to_who_works_on_it() -> None:
    told = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").partition("## Rooms")[2].partition("\n## ")[0]
    named = set(re.findall(r"`(?:harness/)?(\w+)(?:\.py|/)`", told))
    listed = {part for line in ORDER for room in line for part in room.split(" + ")}
    assert {room for room in listed if not room.startswith("cli")} - named == set()


def test_imports_point_backwards_along_the_order() -> None:
    paths = [path for path in modules("harness") if path != ROOT / "harness" / "__init__.py"]
    assert {str(path.relative_to(ROOT)): steps for path in paths if (steps := forward(path, called_for(path)))} == {}


def test_the_order_sees_a_step_forward() -> None:
    exchange = ROOT / "harness" / "bench" / "exchange.py"
    assert forward(exchange, {"harness.record.read", "harness.base.disk", "os"}) == ["bench -> record"]
    assert forward(ROOT / "harness" / "measure" / "step.py", {"harness.model"}) == ["measure -> model"]
    assert "harness.measure" in called_for(ROOT / "harness" / "planning.py"), "what is imported by name counts, too"


def test_only_the_clock_touches_time() -> None:
    sleepers = [
        str(path.relative_to(ROOT)) for path in modules("harness") if path.name != "clock.py" and reads_time(path)
    ]
    assert sleepers == []


@pytest.mark.parametrize(
    "source",
    [
        "import time",
        "from time import monotonic",
        "from asyncio import sleep",
        "import datetime\nx = datetime.datetime.now()",
        "from datetime import UTC, datetime\nx = datetime.now(UTC)",
        "from datetime import date as day\nx = day.today()",
    ],
)
def test_the_wall_round_the_clock_sees_every_way_to_it(tmp_path: Path, source: str) -> None:
    trespasser = tmp_path / "trespasser.py"
    trespasser.write_text(source + "\n", encoding="utf-8")
    assert reads_time(trespasser)


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
