"""`python -m rigs_demo`: the simulated bench alone, rig faults and true values, releases and slips of its firmware."""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import signal
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NoReturn

from rigs_demo import releases, slips
from rigs_demo.board.board import BoardFailed, SimulatedBoard
from rigs_demo.board.hardware import Hardware
from rigs_demo.board.process import NoInterpreter
from rigs_demo.board.wiring import Wiring
from rigs_demo.clock import Bench
from rigs_demo.clock_control import Control
from rigs_demo.clock_loop import ClockLoop
from rigs_demo.faults import FaultError, firmware_copy, lines, plant_of
from rigs_demo.scenario import Scenario, UnknownScenario

BENCH, USAGE = 3, 4
"""Exit codes, as the harness has them."""
COST_PERMILLE = 1000
"""What Python work on the board costs; 1000 stands for a small board of the 100 MHz class (from memory)."""


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        raise SystemExit(_refuse(message, USAGE))


def _refuse(message: str, code: int) -> int:
    # One line for a person on the error stream; a program that started this reads it there, too.
    print(message.replace("\n", " | "), file=sys.stderr, flush=True)
    return code


def _arguments(argv: list[str]) -> argparse.Namespace:
    parser = _Parser(prog="python -m rigs_demo", description=__doc__)
    parser.add_argument(
        "scenario", help="a shipped rig, `faults`, `truth`, `releases`, `release`, `slips` or `firmware`"
    )
    parser.add_argument(
        "of", nargs="?", help="with truth: the shipped rig; with release: its name; with firmware: a slip"
    )
    parser.add_argument("folder", nargs="?", type=Path, help="with release and firmware: where to write it")
    parser.add_argument("--rig-file", type=Path, help="where to write the rig file of this bench")
    parser.add_argument("--seed", type=int, default=0, help="noise and start position")
    parser.add_argument("--plant-seed", type=int, help="draw the plant from the rig file's tolerances")
    parser.add_argument("--board-seed", type=int, help="draw what belongs to the board, with a unique id of its own")
    parser.add_argument("--with-fault", action="append", default=[], metavar="NAME[=SEVERITY]")
    parser.add_argument(
        "--wall-clock",
        action="store_true",
        help="time follows the wall, for other programs and rig files without [clock]; without this option the bench "
        "ends with its first user, and a rig file of your own must copy [clock] from the one that it writes",
    )
    parser.add_argument(
        "--cost",
        type=int,
        default=COST_PERMILLE,
        metavar="PERMILLE",
        help="cost of Python work on the board, 1000 is usual",
    )
    parser.add_argument(
        "--scratch",
        type=Path,
        metavar="FOLDER",
        help="a folder that is there, for what lies on the board; gone at the end",
    )
    arguments = parser.parse_args(argv)
    if not 100 <= arguments.cost <= 100_000:
        parser.error(f"--cost: expected 100 to 100000, found {arguments.cost}")
    return arguments


def main(argv: list[str] | None = None) -> int:
    """Run one command; the exit code."""
    arguments = _arguments(sys.argv[1:] if argv is None else argv)
    for ending in (signal.SIGTERM, signal.SIGHUP, signal.SIGALRM):
        signal.signal(ending, lambda _number, _frame: sys.exit(0))
    try:
        if arguments.scenario == "faults":
            print("\n".join(lines()))
        elif arguments.scenario == "truth":
            _tell_truth(arguments)
        elif arguments.scenario == "releases":
            print("\n".join(releases.lines()))
        elif arguments.scenario == "release":
            print(releases.write(arguments.of or "", arguments.folder or Path("firmware")))
        elif arguments.scenario == "slips":
            print("\n".join(slips.lines()))
        elif arguments.scenario == "firmware":
            print(slips.write(arguments.of or "", arguments.folder or Path("firmware")))
        else:
            _run(arguments)
    except (UnknownScenario, FaultError, releases.ReleaseError, slips.SlipError) as error:
        return _refuse(str(error), USAGE)
    except NoInterpreter as error:
        return _refuse(str(error), BENCH)
    except BoardFailed as error:
        return _refuse(f"the simulated board does not start: {error}", BENCH)
    except KeyboardInterrupt:
        return 0
    return 0


def _tell_truth(arguments: argparse.Namespace) -> None:
    from rigs_demo.truth import truth

    scenario = Scenario.load(arguments.of or "")
    values = truth(scenario.name, arguments.plant_seed, tuple(arguments.with_fault), arguments.board_seed)
    print(json.dumps(values, indent=2))


def _run(arguments: argparse.Namespace) -> None:
    from rigs_demo.instruments import build_instruments
    from rigs_demo.plant import Plant

    faults = tuple(arguments.with_fault)
    scenario = Scenario.load(arguments.scenario)
    parameters = plant_of(scenario.name, arguments.plant_seed, faults, arguments.board_seed)
    plant = Plant(parameters, arguments.seed)
    files = {name: firmware_copy(source, faults) for name, source in scenario.firmware.items()}
    hardware = Hardware(plant, Wiring.of(scenario.rig))
    with contextlib.ExitStack() as stack:
        if arguments.scratch is not None:  # of whoever started this, and may have died by then
            tempfile.tempdir = str(arguments.scratch)
            stack.callback(_leave, arguments.scratch, arguments.rig_file)
        name = scenario.name if arguments.board_seed is None else f"{scenario.name} board {arguments.board_seed}"
        board = SimulatedBoard(hardware, files, name=name, cost_permille=arguments.cost)
        stack.callback(board.close)
        bench = Bench(plant, board)
        bench.start()
        servers: dict[str, Any] = build_instruments(
            scenario.rig, bench, plant_seed=arguments.plant_seed, seed=arguments.seed
        )
        for server in servers.values():
            stack.callback(server.close)
        control = Control(bench)
        stack.callback(control.close)
        text = scenario.rig_file(
            board.line.path,
            {name: server.address for name, server in servers.items()},
            None if arguments.wall_clock else control.address,
        )
        path = stack.enter_context(_written(text, arguments.rig_file, scenario.name))
        print(json.dumps({"rig_file": str(path), "pid": os.getpid()}), flush=True)
        loop = ClockLoop(bench, control, servers)
        if arguments.wall_clock:
            loop.free_run()
        else:
            loop.run()


def _leave(scratch: Path, rig_file: Path | None) -> None:
    """Take away what was made for this bench, and nothing else."""
    with contextlib.suppress(OSError):
        if rig_file is not None and rig_file.parent == scratch:
            rig_file.unlink(missing_ok=True)
        scratch.rmdir()


@contextlib.contextmanager
def _written(text: str, path: Path | None, name: str) -> Iterator[Path]:
    """Write the rig file so that nobody reads half of it; without a path into a folder of its own."""
    with contextlib.ExitStack() as stack:
        if path is None:
            folder = stack.enter_context(tempfile.TemporaryDirectory(prefix="rotorgate-bench-"))
            path = Path(folder) / f"{name}.toml"
        half = path.with_name(path.name + ".part")
        half.write_text(text, encoding="utf-8")
        half.replace(path)
        yield path.absolute()


if __name__ == "__main__":
    sys.exit(main())
