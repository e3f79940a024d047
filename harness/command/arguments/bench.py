"""Arguments of the commands that drive a bench: demo, inspect, qualify."""

from __future__ import annotations

import argparse

from harness.command.arguments.shared import BESIDE, PLACE, Commands, Parser, add_simulated, count, natural


class _Checks:
    """Their names, once help is shown: to know them takes as long as all else of a command's start."""

    def __str__(self) -> str:
        from harness.checks.catalogue import CHECK_NAMES

        return ", ".join(CHECK_NAMES)


def add(commands: Commands, common: Parser) -> None:
    """Add them."""
    demo = commands.add_parser(
        "demo", parents=[common], allow_abbrev=False, help="qualify the demo rig on the simulated bench"
    )
    demo.add_argument("--out", metavar="DIR", help="folder for record and report (default: a new one under runs)")

    inspect = commands.add_parser(
        "inspect",
        parents=[common],
        allow_abbrev=False,
        help="open everything a rig file names and prove that it answers; energises nothing",
    )
    inspect.add_argument("rig", metavar="RIG", nargs="?", help="a rig file; without it: list ports and instruments")
    inspect.add_argument("--new", metavar="FILE", help="write a commented rig file to fill in")
    inspect.add_argument(
        "--interrupt",
        action="store_true",
        help="interrupt a board that is running something, and ask its firmware even where its bridges may have power",
    )

    inspect.add_argument(
        "--firmware", metavar="PATH", help="ask this firmware: put on the board, supply off, and taken off it again"
    )

    qualify = commands.add_parser(
        "qualify",
        parents=[common],
        allow_abbrev=False,
        help="measure, judge, record and report",
        usage="%(prog)s RIG [--only NAME ...] [options]",  # argparse would put RIG last, where --only takes it
    )
    # Whether it was given is looked at by `lacking`, which knows what else was: argparse has one sentence for all.
    qualify.add_argument("rig", metavar="RIG", nargs="?", help="a rig file; it moves motors: read it before use")
    qualify.add_argument("--out", metavar="DIR", help="folder for record and report (default: a new one under runs)")
    add_only(qualify)
    qualify.add_argument(
        "--seed",
        metavar="N",
        type=natural,
        help="order of the points and, on the simulated bench, noise (default: drawn and shown)",
    )
    qualify.add_argument("--firmware", metavar="PATH", help="put this firmware on the board first, supply off")
    qualify.add_argument(
        "--restore",
        action="store_true",
        help="put the firmware that was there before back after any ending; alone: after a kill",
    )
    qualify.add_argument(
        "--repeats", metavar="N", type=count, default=1, help="so many runs, which share the false-alarm risk"
    )
    qualify.add_argument("--board", metavar="ID", help="what the board is called: letters and digits with . _ -")
    qualify.add_argument("--lot", metavar="NAME", help="lot of boards that it belongs to (default: the rig's name)")
    qualify.add_argument("--require-all", action="store_true", help="every check counts as required")
    kept = qualify.add_mutually_exclusive_group()
    kept.add_argument(
        "--store",
        metavar="STORE",
        help=f"keep the run in {PLACE} (default: {BESIDE}); hosts that name one database never drive one rig at once",
    )
    kept.add_argument("--no-store", action="store_true", help="leave the run out of the store; its folder is there")
    add_simulated(qualify)


def add_only(parser: argparse.ArgumentParser) -> None:
    """The checks that are asked for; RIG comes before them, which `lacking` looks after."""
    only = parser.add_argument("--only", metavar="NAME", nargs="+", default=[], help="only these checks: %(checks)s")
    only.checks = _Checks()  # type: ignore[attr-defined]


def lacking(arguments: argparse.Namespace) -> str:
    """What a command that names checks was not given, and what to do; "" where it has all."""
    if arguments.command not in ("qualify", "plan") or arguments.rig is not None:
        return ""
    words = f"the following arguments are required: RIG (see rotorgate {arguments.command} --help)"
    return f"{words}: put RIG before --only, which takes every word after it for a check" if arguments.only else words
