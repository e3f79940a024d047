"""Data goes one way: imports point only backwards along it, by any path, and the walls hold whatever the order says."""

from __future__ import annotations

import ast
import importlib.util
import subprocess
import sys
from dataclasses import dataclass
from functools import cache

import pytest

from tests.software.imports import ROOT, Tree, lies_in, parsed

ROWS = "checks.catalogue + checks.*.quantities + checks.*.causes"
STIMULI = "checks.strength + checks.*.stimulus"
PROCEDURES = "checks.*.procedure + checks.thermal.heating"
ANALYSES = "checks.*.*"
MODELS = "checks.*.model + checks.*.overlay + checks.step.staircase"
CHECKS = "checks.definition + checks.registry + checks.effort + checks.*.check + checks.*.beforehand"
CASES = "checks.judged + checks.test_*"
PLUGIN = "plugin + plugin_pool"
WHOLE_RUN = "run.repeats + run.whole_run"
"""Hands its session to the plugin, in pytest in this process."""
ORDER = (
    # Each line may import from the lines above it; rooms of one line do not know each other. A room is a place under
    # harness, or several joined by +; a module is in the room that names it most closely.
    ("base",),
    ("nouns", "link"),
    (ROWS,),
    ("rigfile",),
    (STIMULI,),
    ("bench", "record", "judge"),
    ("corrections", "fits", "physics"),
    ("acting",),
    (ANALYSES, MODELS, CASES, "report"),
    (PROCEDURES,),
    (CHECKS,),
    ("show",),
    ("compare",),
    ("gate", "lot", "store", "study"),
    ("baseline", "history", "pool"),
    ("plan",),
    ("run",),
    (PLUGIN,),
    (WHOLE_RUN,),
    ("release",),
    ("command",),
)
ROOMS = tuple(room for line in ORDER for room in line)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wall:
    """Rooms from which no path of imports leads into certain others, and why one would be a shortcut."""

    inside: tuple[str, ...]
    outside: tuple[str, ...]
    why: str
    on_demand: tuple[str, ...] = ()
    """Rooms behind a door in it: a call may lead there, but nothing inside loads them."""

    def modules(self, tree: Tree) -> list[str]:
        """Those that it keeps in."""
        return [module for module in sorted(tree.sources) if room_of(module) in self.inside]

    def crossings(self, tree: Tree) -> list[str]:
        """The paths through it."""
        return tree.ways(self.modules(tree), lambda name: room_of(name) in self.outside)


DECIDING = ("compare", "baseline", "gate", "lot", "study", "history")
RUNNING = ("plan", "run", PLUGIN, WHOLE_RUN, "pool", "release")
BENCH = ("bench", "link", "acting")
MEASURING = (*BENCH, "fits", "corrections", PROCEDURES, ANALYSES)
WALLS = {
    "truth": Wall(
        inside=ROOMS,
        outside=("rigs_demo", "tests"),
        why="true values are learned by measuring",
    ),
    "hope": Wall(
        inside=("acting", "corrections", "fits", PROCEDURES, ANALYSES),
        outside=("physics", MODELS, CHECKS, "judge", "record", "report", *RUNNING),
        why="a measurement is made without knowing what is hoped for",
    ),
    "observation": Wall(
        inside=("corrections", "fits", ANALYSES),
        outside=(*BENCH, PROCEDURES),
        why="what was observed can be analysed again without a bench",
    ),
    "prediction": Wall(
        inside=("physics", MODELS),
        outside=(*MEASURING, CHECKS, "judge", "record", "report", *RUNNING),
        why="what was measured comes to a model as data, never as a bench",
    ),
    "simulation": Wall(
        inside=("rigs_demo",),
        outside=(*ROOMS, "harness", "tests"),
        why="models and the simulated bench share no mistake",
    ),
    "records": Wall(
        inside=DECIDING,
        outside=(*MEASURING, STIMULI, "physics", MODELS, CHECKS, CASES, *RUNNING),
        why="what decides from records lets nothing pass by driving a bench",
    ),
    "plan": Wall(
        inside=("plan",),
        outside=(*MEASURING, "store", "run", PLUGIN, WHOLE_RUN, "pool", "release"),
        why="a plan opens nothing; checks are handed to it",
    ),
    "judge": Wall(
        inside=("judge",),
        outside=(*MEASURING, "record", "rigfile", "physics", MODELS),
        why="verdicts and causes are of results alone",
    ),
    "policy": Wall(
        inside=("gate",),
        outside=("store", "show", "report"),
        why="a decision is of records and a written policy: it opens no store and shows nothing",
    ),
    "comparison": Wall(
        inside=("compare", "lot", "study"),
        outside=("store",),
        why="records are compared wherever they come from",
    ),
    "store": Wall(
        inside=("store",),
        outside=(*MEASURING, "physics", MODELS, "judge", "report", "show"),
        on_demand=("rigfile",),
        why="what is kept must read without the code that made it",
    ),
    "report": Wall(
        inside=("report",),
        outside=(*MEASURING, STIMULI, "physics", MODELS, CHECKS, "store"),
        on_demand=("rigfile",),
        why="what a page shows can be shown again from the record alone",
    ),
    "library": Wall(
        inside=tuple(room for room in ROOMS if room != "command"),
        outside=("command",),
        why="a command is for a person; what others use lies in a room of its own",
    ),
    "board": Wall(
        inside=("device_scripts",),
        outside=(*ROOMS, "harness", "rigs_demo", "tests", "numpy"),
        why="a board has MicroPython and nothing else",
    ),
}


@cache
def tree() -> Tree:
    """This tree, read once."""
    return Tree()


@cache
def room_of(module: str) -> str:
    """The room of a module of harness as ORDER calls it, "" if it has none; of any other module its top package."""
    package, _, name = module.partition(".")
    if package != "harness" or not name:
        return package
    places = [
        (place.count("."), "*" not in place, room)
        for room in ROOMS
        for place in room.split(" + ")
        if lies_in(name, place)
    ]
    return max(places, default=(0, False, ""))[2]


def forward(tree: Tree) -> list[str]:
    """Imports in harness, for types only or not, that do not come from a line above their own."""
    lines = {room: number for number, line in enumerate(ORDER) for room in line}
    found = []
    for module in tree.inside("harness"):
        imports = tree.imports[module]
        own = room_of(module)
        others = [
            name for name in sorted(imports.run_time | imports.types_only) if room_of(name) in lines.keys() - {own}
        ]
        found += [f"{module} > {name}" for name in others if own in lines and lines[room_of(name)] >= lines[own]]
    return found


def reads_time(source: str) -> bool:
    """Whether a module sleeps or asks what time it is.

    By the time module, asyncio, sched; `now` and its like of any date; the processor's times of `os`; what of threading
    waits for no thread; `select` of the system, which for no file is a sleep (selectors wait for files that they hold).
    """
    nodes = list(ast.walk(parsed(source)))
    modules = {alias.name for node in nodes if isinstance(node, ast.Import) for alias in node.names}
    modules |= {str(node.module) for node in nodes if isinstance(node, ast.ImportFrom)}
    taken = {
        f"{node.module}.{alias.name}" for node in nodes if isinstance(node, ast.ImportFrom) for alias in node.names
    }
    taken |= {
        f"{node.value.id}.{node.attr}"
        for node in nodes
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name)
    }
    asked = {node.attr for node in nodes if isinstance(node, ast.Attribute)}
    waits = {"os.times", "threading.Event", "threading.Condition", "threading.Timer", "threading.Barrier"}
    return bool(modules & {"time", "asyncio", "sched", "select"} or asked & {"now", "utcnow", "today"} or taken & waits)


# --- what stands --------------------------------------------------------------------------------------


def test_every_module_has_a_room_and_every_place_a_module() -> None:
    modules = [module for module in tree().inside("harness") if tree().sources[module]]
    assert [module for module in modules if not room_of(module)] == []
    assert {room_of(module) for module in modules} == {"harness", *ROOMS}
    places = {place for room in ROOMS for place in room.split(" + ")}
    assert {place for place in places if not any(lies_in(module, f"harness.{place}") for module in modules)} == set()


def test_at_most_six_files_lie_loose() -> None:
    loose = [path.name for path in (ROOT / "harness").iterdir() if path.is_file()]
    assert len(loose) <= 6, loose


def test_imports_point_backwards_along_the_order() -> None:
    assert forward(tree()) == []


@pytest.mark.parametrize("name", WALLS)
def test_a_wall_holds_by_every_path(name: str) -> None:
    wall = WALLS[name]
    assert {room_of(module) for module in wall.modules(tree())} == {*wall.inside}, "an empty room would guard nothing"
    assert wall.crossings(tree()) == [], wall.why


@pytest.mark.parametrize("package", ["harness", "rigs_demo"])
def test_no_module_imports_itself_by_way_of_others(package: str) -> None:
    assert tree().circles(package) == []


def test_nobody_inside_asks_the_public_face() -> None:
    assert [module for module in tree().inside("harness") if "harness" in tree().imports[module].run_time] == []


def test_only_registries_and_doors_import_by_name() -> None:
    """A name that is handed in from elsewhere would lead through a wall that nobody sees in the source."""
    by_name = {"importlib", "importlib.util", "pkgutil", "runpy", "__import__", "exec", "eval"}
    users = [
        module
        for module in tree().inside("harness")
        for names in [{node.id for node in ast.walk(parsed(tree().sources[module])) if isinstance(node, ast.Name)}]
        if by_name & (tree().imports[module].run_time | names)
    ]
    registries = ["harness.checks.catalogue", "harness.checks.registry"]
    lazy = ["harness", "harness.command.main", "harness.command.qualify", "harness.link.snippets", "harness.store"]
    assert users == sorted([*registries, *lazy])


def test_the_simulated_bench_is_a_program_beside_the_harness() -> None:
    """Whoever names it starts it as a process of its own, or looks whether it is there; nothing is imported from it."""
    named = [
        module
        for module in tree().inside("harness")
        for node in ast.walk(parsed(tree().sources[module]))
        if isinstance(node, ast.Constant) and node.value == "rigs_demo"
    ]
    assert named == ["harness.bench.simulated", "harness.command.qualify"]


def test_what_lies_between_rooms_is_empty() -> None:
    """A package whose modules are in several rooms would carry what it imports from one into the others."""
    between = [module for module in tree().inside("harness") if not room_of(module)]
    assert len(between) >= 6
    assert {module for module in between if tree().sources[module]} == set()


# --- that it would be seen -------------------------------------------------------------------------------


def planted(module: str, source: str, **others: str) -> Tree:
    """The tree with a line added to a module, and with modules of their own beside it."""
    added = {name.replace("__", "."): text for name, text in others.items()}
    return tree().with_planted({module: f"{tree().sources.get(module, '')}\n{source}\n", **added})


@pytest.mark.parametrize(
    ("wall", "module", "source"),
    [
        ("truth", "harness.base.disk", "import rigs_demo.plants"),
        ("truth", "harness.bench.simulated", "def f():\n    from rigs_demo import faults"),
        ("truth", "harness.checks.step.procedure", "__import__('rigs_demo.truth')"),
        ("truth", "harness.command.inspect", "from tests.software import imports"),
        ("hope", "harness.checks.step.procedure", "from harness.checks.step import model"),
        ("hope", "harness.checks.step.metrics", "from . import model as hoop"),
        ("hope", "harness.checks.thermal.heating", "from ...physics import motor"),
        ("hope", "harness.checks.thermal.heating", "def f():\n    import harness.checks.thermal.model as told"),
        ("hope", "harness.fits.pulse", "WORDS = {'step': 'harness.checks.step.model'}"),
        ("hope", "harness.acting.hold", "def f(check):\n    return f'harness.checks.{check}.model'"),
        ("hope", "harness.checks.step.procedure", "def f(check):\n    return f'{__package__}.{check}'"),
        ("hope", "harness.corrections.inertia", "def f(check):\n    return 'harness.checks.' + check + '.model'"),
        ("hope", "harness.link.port", "from harness.physics import motor"),
        ("hope", "harness.checks.together", "from harness.checks.together import model"),
        ("hope", "harness.base.words", "from harness.judge import verdict"),
        ("observation", "harness.checks.step.analysis", "from harness.checks.step.procedure import procedure"),
        ("observation", "harness.fits.pulse", "from harness.bench import rig"),
        ("prediction", "harness.physics.motor", "from harness.fits import regression"),
        ("prediction", "harness.checks.step.model", "from harness.checks.step import procedure"),
        ("simulation", "rigs_demo.plant.motor", "def f():\n    from harness.physics import motor"),
        ("simulation", "rigs_demo.truth.step", "import harness"),
        ("records", "harness.lot.quantities", "from harness.run.planning import plan"),
        ("records", "harness.gate.decision", "def f():\n    from harness.link import port"),
        ("records", "harness.compare.comparable", "from harness.checks.step import model"),
        ("records", "harness.history.runs", "HOME = 'harness.bench.opening'"),
        ("records", "harness.nouns.results", "from harness.bench import rig"),
        ("records", "harness.study", "from harness.run import session"),
        ("plan", "harness.plan.efforts", "from harness.bench import opening"),
        ("plan", "harness.plan.seeing", "def f():\n    from harness.checks import registry"),
        ("records", "harness.gate.decision", "from harness.plan import obstacles"),
        ("judge", "harness.judge.tally", "from harness.record import read"),
        ("policy", "harness.gate.policy", "def f():\n    from harness.store import Store"),
        ("policy", "harness.compare.difference", "from harness.show.table import MARKS"),
        ("comparison", "harness.compare.drift", "from harness.store.address import Address"),
        ("store", "harness.record.read", "from harness.judge import tally"),
        ("report", "harness.report.svg", "from harness.store import Store"),
        ("library", "harness.base.errors", "def f():\n    from harness.command.arguments import shared"),
        ("library", "harness.plugin", "from harness import command"),
        ("board", "device_scripts.frames", "import numpy.fft"),
        ("board", "device_scripts.safety", "from harness.base import errors"),
    ],
)  # fmt: skip
def test_a_breach_of_a_wall_is_seen(wall: str, module: str, source: str) -> None:
    assert module in tree().sources
    assert WALLS[wall].crossings(planted(module, source)) != []


def test_a_breach_is_told_with_its_path() -> None:
    broken = planted(
        "harness.fits.pulse", "from harness.fits import way", harness__fits__way="import harness.physics.loop"
    )
    way = "harness.checks.step.metrics > harness.fits.pulse > harness.fits.way > harness.physics.loop"
    assert way in WALLS["hope"].crossings(broken)


def test_a_name_with_a_part_left_open_is_no_more_than_it_says() -> None:
    broken = planted("harness.acting.hold", "def f(check):\n    return f'harness.checks.{check}.procedure'")
    assert "harness.checks.step.procedure" in broken.imports["harness.acting.hold"].run_time
    assert WALLS["hope"].crossings(broken) == []


def test_what_is_there_for_types_alone_is_no_breach_but_may_not_point_forward() -> None:
    for_types = "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from harness.run.session import BenchSession"
    broken = planted("harness.compare.comparable", for_types)
    assert WALLS["records"].crossings(broken) == []
    assert forward(broken) == ["harness.compare.comparable > harness.run.session"]
    otherwise = f"{for_types}\nelse:\n    from harness.run import session"
    assert WALLS["records"].crossings(planted("harness.compare.comparable", otherwise)) != []


@pytest.mark.parametrize(
    ("module", "source", "step"),
    [
        ("harness.bench.stops", "from harness.record.read import read", "harness.bench.stops > harness.record.read"),
        ("harness.base.clock", "def f():\n    from harness.bench import rig", "harness.base.clock > harness.bench.rig"),
        ("harness.release.trial", "import harness.command.gate", "harness.release.trial > harness.command.gate"),
        ("harness.run.session", "PLUGIN = 'harness.plugin'", "harness.run.session > harness.plugin"),
        ("harness.nouns.results", "from harness.link import port", "harness.nouns.results > harness.link.port"),
    ],
)  # fmt: skip
def test_a_step_forward_is_seen(module: str, source: str, step: str) -> None:
    assert step in forward(planted(module, source))


def test_a_circle_is_seen() -> None:
    broken = planted("harness.nouns.quantity", "def f():\n    from harness.nouns import coverage")
    assert ["harness.nouns.coverage", "harness.nouns.quantity"] in broken.circles("harness")
    assert planted("rigs_demo.plant.drawing", "from rigs_demo import faults").circles("rigs_demo") != []


def test_the_public_face_asked_from_inside_is_seen() -> None:
    assert (
        "harness" in planted("harness.fits.pulse", "from harness import agrees").imports["harness.fits.pulse"].run_time
    )


# --- what really happens -----------------------------------------------------------------------------------

LOADED = """
import sys
from importlib import import_module
for modules in {rooms!r}:
    before = set(sys.modules)
    for module in modules:
        import_module(module)
    print(*sorted(name for name in set(sys.modules) - before if name.partition(".")[0] in {packages!r}))
"""


def loaded(*rooms: list[str]) -> list[list[str]]:
    """Which modules of ours a fresh process loads for each list of modules, one after the other."""
    program = LOADED.format(rooms=rooms, packages=("harness", "rigs_demo", "tests"))
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False, cwd=ROOT)
    assert done.returncode == 0, done.stderr
    return [line.split() for line in done.stdout.splitlines()]


def test_each_room_loads_only_itself_after_those_before_it() -> None:
    modules = {room: [module for module in tree().inside("harness") if room_of(module) == room] for room in ROOMS}
    for room, names in zip(ROOMS, loaded(*modules.values()), strict=True):
        assert names, f"{room} was there before its time"
        assert [name for name in names if room_of(name) != room and tree().sources[name] and name != "harness"] == []


@pytest.mark.parametrize("name", ["hope", "observation", "prediction", "records", "policy", "store", "report"])
def test_a_wall_holds_in_a_process_of_its_own(name: str) -> None:
    inside = WALLS[name].modules(tree())
    [names] = loaded(inside)
    assert set(inside) <= set(names)
    assert [module for module in names if room_of(module) in (*WALLS[name].outside, *WALLS[name].on_demand)] == []


def test_the_simulated_bench_runs_without_the_harness() -> None:
    modules = [
        module for module in tree().inside("rigs_demo") if not lies_in(module, "rigs_demo.shadow")
    ]  # the board's
    [names] = loaded([module for module in modules if not lies_in(module, "rigs_demo.firmware")])
    assert [name for name in names if not name.startswith("rigs_demo")] == []


PORTS = {"array", "binascii", "machine", "micropython", "select", "struct", "sys", "time"}
"""Modules of MicroPython that every port has on which the drive may run."""


def beyond_ports(tree: Tree) -> set[str]:
    """Modules that board scripts take and that are neither a port's nor their neighbours on the board."""
    scripts = tree.inside("device_scripts")
    neighbours = {script.partition(".")[2] for script in scripts} - {""}
    taken = [tree.imports[script] for script in scripts]
    return {name for each in taken for name in each.run_time | each.types_only} - neighbours - PORTS


def test_a_board_script_takes_what_its_ports_have() -> None:
    assert beyond_ports(tree()) == set()


@pytest.mark.parametrize(
    ("line", "taken"),
    [
        ("import os", "os"),
        ("def late():\n    from random import choice", "random"),
        ("from . import inbox", "device_scripts.inbox"),
    ],
)
def test_a_board_script_that_takes_more_is_seen(line: str, taken: str) -> None:
    assert beyond_ports(planted("device_scripts.frames", line)) == {taken}


# --- time, truth and other machines --------------------------------------------------------------------------


def test_only_the_clock_touches_time() -> None:
    assert [module for module in tree().inside("harness") if reads_time(tree().sources[module])] == [
        "harness.base.clock"
    ]


@pytest.mark.parametrize(
    "source",
    [
        "import time",
        "from time import monotonic",
        "from asyncio import sleep",
        "import datetime\nx = datetime.datetime.now()",
        "from datetime import UTC, datetime\nx = datetime.now(UTC)",
        "from datetime import date as day\nx = day.today()",
        "import threading\nthreading.Event().wait(1.0)",
        "from threading import Timer",
        "import os\nx = os.times().elapsed",
        "from os import times",
        "import select\nselect.select([], [], [], 1.0)",
    ],
)
def test_the_wall_round_the_clock_sees_the_usual_ways_to_it(source: str) -> None:
    assert reads_time(source)


def test_harness_never_opens_what_the_plant_keeps() -> None:
    for module in tree().inside("harness"):
        assert "rigs_demo/plants" not in tree().sources[module], module
        assert "plants/" not in tree().sources[module], module


@pytest.mark.skipif(importlib.util.find_spec("rigs_demo.faults") is None, reason="no rig faults in this tree")
@pytest.mark.parametrize(("what", "least"), [("faults", 9), ("slips", 52)])
def test_no_rig_fault_and_no_slip_is_known_by_name(what: str, least: int) -> None:
    listed = subprocess.run(
        [sys.executable, "-m", "rigs_demo", what], capture_output=True, text=True, check=True, cwd=ROOT
    ).stdout
    names = [line.split("\t")[0] for line in listed.splitlines()]
    assert len(names) >= least
    for module in tree().inside("harness", "device_scripts"):
        for name in names:
            assert name not in tree().sources[module], f"{module} knows {name}"
            assert name.replace("-", "_") not in tree().sources[module], f"{module} knows {name}"


def test_harness_imports_where_posix_modules_are_absent() -> None:
    names = [module for module in tree().inside("harness") if room_of(module) != CASES]
    # pyserial's own POSIX back end needs them; only our modules must do without.
    program = (
        "import sys, importlib, serial\n"
        "sys.modules.update(dict.fromkeys(('fcntl', 'termios', 'pty', 'resource')))\n"
        f"[importlib.import_module(name) for name in {names!r}]\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False, cwd=ROOT)
    assert done.returncode == 0, done.stderr
