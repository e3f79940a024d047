"""What the arguments of several commands have in common."""

from __future__ import annotations

import argparse
from typing import NoReturn, TypeAlias

from harness.base.errors import UsageError
from harness.base.words import visible

PLACE = "a file, or postgresql://USER@HOST/DATABASE"
BESIDE = "store.sqlite in the folder that holds the run's"

MOST = 1000
"""Times that something is done in one command, at most (arbitrary)."""


class Parser(argparse.ArgumentParser):
    """An argument parser whose mistakes end with our exit code, not argparse's 2."""

    def error(self, message: str) -> NoReturn:
        """Raise UsageError with the one line that argparse has for it."""
        raise UsageError(f"{message} (see {self.prog} --help)")


Commands: TypeAlias = "argparse._SubParsersAction[Parser]"
"""Where a command is added."""


def add_simulated(parser: Parser) -> None:
    """Options of the simulated bench, of a command that makes runs."""
    simulated = parser.add_argument_group("on the simulated bench only")
    simulated.add_argument(
        "--with-fault",
        metavar="NAME[=SEVERITY]",
        action="append",
        default=[],
        help="give the bench a defect (python -m rigs_demo faults lists them)",
    )
    simulated.add_argument(
        "--plant-seed", metavar="N", type=natural, help="draw the true values from the rig file's tolerances"
    )
    simulated.add_argument(
        "--board-seed", metavar="N", type=natural, help="draw those of the board alone, with a unique id of its own"
    )


def natural(text: str) -> int:
    """A whole number from 0 to 2^63 - 1, for seeds."""
    if not text.isascii() or not text.isdigit() or int(text[:20]) >= 2**63:
        raise argparse.ArgumentTypeError(f"expected a whole number from 0, found {visible(text[:30])!r}")
    return int(text)


def count(text: str) -> int:
    """A whole number from 1 to 1000, for how many times something is to be done."""
    if not text.isascii() or not text.isdigit() or not 1 <= int(text[:20]) <= MOST:
        raise argparse.ArgumentTypeError(f"expected a whole number from 1 to {MOST}, found {visible(text[:30])!r}")
    return int(text)
