"""The command: `rotorgate demo | inspect | qualify | report | keep | fetch | baseline`.

Light to import: each sub-command loads what it needs.
Exit codes are promises (README): every way out of `main` is one of ExitCode, whatever was raised.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from importlib import import_module
from importlib.metadata import PackageNotFoundError, version
from typing import NoReturn, cast

from harness.catalogue import CHECK_NAMES
from harness.errors import ExitCode, HarnessError, UsageError
from harness.sink import open_closed_streams
from harness.words import visible

RUNNERS = {
    "demo": "harness.cli_qualify:demo",
    "qualify": "harness.cli_qualify:qualify",
    "inspect": "harness.cli_inspect:inspect",
    "report": "harness.cli_report:report",
    "keep": "harness.cli_keep:keep",
    "fetch": "harness.cli_keep:fetch",
    "baseline": "harness.cli_baseline:baseline",
}


PLACE = "a file, or postgresql://USER@HOST/DATABASE"
BESIDE = "store.sqlite in the folder that holds the run's"


class Parser(argparse.ArgumentParser):
    """An argument parser whose mistakes end with our exit code, not argparse's 2."""

    def error(self, message: str) -> NoReturn:
        """Raise UsageError with the one line that argparse has for it."""
        raise UsageError(f"{message} (see {self.prog} --help)")


def installed_version() -> str:
    """Version of the installed package."""
    try:
        return version("rotorgate")
    except PackageNotFoundError:
        return "not installed"


def natural(text: str) -> int:
    """A whole number from 0 to 2^63 - 1, for seeds."""
    if not text.isascii() or not text.isdigit() or int(text[:20]) >= 2**63:
        raise argparse.ArgumentTypeError(f"expected a whole number from 0, found {visible(text[:30])!r}")
    return int(text)


def build_parser() -> Parser:
    """The whole command line."""
    common = Parser(add_help=False)
    shared = common.add_argument_group("for every command")
    shared.add_argument("--quiet", action="store_true", default=argparse.SUPPRESS, help="no progress, only the verdict")
    shared.add_argument(
        "--json",
        action="store_true",
        default=argparse.SUPPRESS,
        help="the result as one JSON object on standard output, nothing else there",
    )
    shared.add_argument(
        "--log", metavar="FILE", default=argparse.SUPPRESS, help="write link and SCPI traffic with time stamps to FILE"
    )
    parser = Parser(
        prog="rotorgate",
        parents=[common],
        allow_abbrev=False,
        description="Qualifies brushless motor controllers on the bench.",
        epilog="Exit codes: 0 agrees, 1 something differs, 2 something cannot be told, "
        "3 the bench could not be operated, 4 wrong use, 5 a defect of rotorgate. "
        "Of several the first of 4, 5, 3, 1, 2, 0.",
    )
    parser.add_argument("--version", action="version", version=f"rotorgate {installed_version()}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True, parser_class=Parser)

    demo = commands.add_parser(
        "demo", parents=[common], allow_abbrev=False, help="qualify the demo rig on the virtual bench"
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

    qualify = commands.add_parser(
        "qualify",
        parents=[common],
        allow_abbrev=False,
        help="measure, judge, record and report",
        usage="%(prog)s RIG [--only NAME ...] [options]",  # argparse would put RIG last, where --only takes it
    )
    qualify.add_argument("rig", metavar="RIG", help="a rig file; it moves motors: read it before use")
    qualify.add_argument("--out", metavar="DIR", help="folder for record and report (default: a new one under runs)")
    qualify.add_argument(
        "--only", metavar="NAME", nargs="+", default=[], help=f"only these checks: {', '.join(CHECK_NAMES)}"
    )
    qualify.add_argument(
        "--seed",
        metavar="N",
        type=natural,
        help="order of the points and, on the virtual bench, noise (default: drawn and shown)",
    )
    qualify.add_argument("--firmware", metavar="PATH", help="put this firmware on the board first, supply off")
    qualify.add_argument(
        "--restore",
        action="store_true",
        help="put the firmware that was there before back after any ending; alone: after a kill",
    )
    qualify.add_argument("--require-all", action="store_true", help="every check counts as required")
    kept = qualify.add_mutually_exclusive_group()
    kept.add_argument("--store", metavar="STORE", help=f"keep the run in {PLACE} (default: {BESIDE})")
    kept.add_argument("--no-store", action="store_true", help="leave the run out of the store; its folder is there")
    virtual = qualify.add_argument_group("on the virtual bench only")
    virtual.add_argument(
        "--with-fault",
        metavar="NAME[=SEVERITY]",
        action="append",
        default=[],
        help="give the bench a defect (python -m rigs_demo faults lists them)",
    )
    virtual.add_argument(
        "--plant-seed", metavar="N", type=natural, help="draw the true values from the rig file's tolerances"
    )

    report = commands.add_parser(
        "report", parents=[common], allow_abbrev=False, help="write the page again from a record, an unfinished one too"
    )
    report.add_argument("record", metavar="DIR", help="folder of the record")

    keep = commands.add_parser(
        "keep", parents=[common], allow_abbrev=False, help="put the records of runs into the store, each once"
    )
    keep.add_argument("records", metavar="DIR", nargs="+", help="folder of a record, finished or not")
    keep.add_argument("--store", metavar="STORE", help=f"{PLACE} (default: {BESIDE})")

    fetch = commands.add_parser(
        "fetch", parents=[common], allow_abbrev=False, help="write the folder of a run again from the store"
    )
    fetch.add_argument("run", metavar="RUN", type=natural, help="number of the run in the store")
    fetch.add_argument("--out", metavar="DIR", required=True, help="folder to write, which must hold no record")
    fetch.add_argument("--store", metavar="STORE", help=f"{PLACE} (default: runs/store.sqlite)")

    _add_baseline(commands, common)
    return parser


def _add_baseline(commands: argparse._SubParsersAction[Parser], common: Parser) -> None:
    """`baseline` with its own sub-commands."""
    baseline = commands.add_parser(
        "baseline", parents=[common], allow_abbrev=False, help="accepted records by name, and what differs from them"
    )
    acts = baseline.add_subparsers(dest="act", metavar="ACT", required=True, parser_class=Parser)

    def act(name: str, words: str) -> Parser:
        parser = acts.add_parser(name, parents=[common], allow_abbrev=False, help=words, description=words)
        parser.add_argument("--store", metavar="STORE", help=f"{PLACE} (default: runs/store.sqlite)")
        return parser

    accept = act("accept", "accept records as a baseline, as its next revision where the name is there already")
    accept.add_argument("name", metavar="NAME", help="letters and digits with . _ - between them")
    accept.add_argument("--despite", metavar="WHY", help="why runs are in it that did not end with 0")
    act("list", "all baselines, with all their revisions")
    show = act("show", "levels of a baseline; with RUNs: what differs from it")
    show.add_argument("name", metavar="NAME")
    retire = act("retire", "mark a baseline: it stays, and nothing is compared with it")
    retire.add_argument("name", metavar="NAME")
    run = "a run's number in the store, or the folder of its record"
    accept.add_argument("runs", metavar="RUN", nargs="+", help=f"{run}, which is kept first")
    show.add_argument("runs", metavar="RUN", nargs="*", help=f"{run}; several are repeats of one board and firmware")
    for parser in (accept, retire):
        parser.add_argument("--by", metavar="WHO", required=True, help="who answers for it; nobody checks")
        parser.add_argument("--why", metavar="TEXT", required=True)
    for parser in (show, retire):
        parser.add_argument("--revision", metavar="N", type=natural, help="default: the newest")
    mounting = "one a RUN: runs with one label were made without touching the bench (default: {})"
    accept.add_argument("--mounting", metavar="LABEL,...", help=mounting.format("each is one of its own"))
    show.add_argument("--mounting", metavar="LABEL,...", help=mounting.format("all were"))


def parse(words: Sequence[str]) -> argparse.Namespace:
    """Arguments with the shared options filled in. Raises UsageError; --help and --version raise SystemExit(0)."""
    parser = build_parser()
    try:
        arguments, rest = parser.parse_known_args(list(words))
    except UsageError as error:
        if "--only" in words and "required: RIG" in str(error):
            raise UsageError(f"{error}: put RIG before --only, which takes every word after it for a check") from error
        raise
    if rest:
        # argparse takes what a command may have many of in one piece; people also write options in between.
        many = next((name for name in ("runs", "records") if hasattr(arguments, name)), None)
        if many is None or any(word.startswith("-") for word in rest):
            parser.error(f"unrecognized arguments: {' '.join(rest)}")
        setattr(arguments, many, [*getattr(arguments, many), *rest])
    for option, absent in (("quiet", False), ("json", False), ("log", None)):
        if not hasattr(arguments, option):
            setattr(arguments, option, absent)
    return arguments


def main(words: Sequence[str] | None = None) -> int:
    """Run the command and return its exit code; never raises, never lets Python's own 1 or argparse's 2 out."""
    open_closed_streams()
    with contextlib.suppress(AttributeError, ValueError, OSError):
        sys.stdout.reconfigure(errors="backslashreplace")  # type: ignore[union-attr]
        sys.stderr.reconfigure(errors="backslashreplace")  # type: ignore[union-attr]
    given = sys.argv[1:] if words is None else list(words)
    wants_json = "--json" in given
    try:
        arguments = parse(given)
        wants_json = arguments.json
        with logged(arguments.log):
            code = _runner(arguments.command)(arguments)
        sys.stdout.flush()
        return int(code)
    except SystemExit as ending:  # --help and --version
        return ExitCode.AGREES if not ending.code else ExitCode.DEFECT
    except HarnessError as error:
        complain(str(error), error.exit_code, wants_json)
        return int(error.exit_code)
    except KeyboardInterrupt:
        complain("interrupted", ExitCode.BENCH, wants_json)
        return int(ExitCode.BENCH)
    except BrokenPipeError:  # the reader of our output has left; nothing is left to say to it
        with contextlib.suppress(OSError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return int(ExitCode.BENCH)
    except BaseException as error:
        from harness.defects import write_defect

        complain(write_defect(error), ExitCode.DEFECT, wants_json)
        return int(ExitCode.DEFECT)


def complain(message: str, code: ExitCode, wants_json: bool) -> None:
    """Say what went wrong: lines on standard error, or one JSON object on standard output."""
    lines = [visible(line) for line in message.splitlines()] or [code.name.lower()]
    with contextlib.suppress(OSError, ValueError):
        if wants_json:
            import json

            sys.stdout.write(json.dumps({"exit_code": int(code), "error": lines}) + "\n")
            sys.stdout.flush()
        else:
            sys.stderr.write("".join(f"rotorgate: {line}\n" for line in lines))
            sys.stderr.flush()


@contextlib.contextmanager
def logged(path: str | None) -> Iterator[None]:
    """Send the traffic of links and instruments to a file, time-stamped."""
    import logging

    if path is None:
        quiet = logging.NullHandler()  # without a handler Python itself writes warnings to standard error
        logging.getLogger("harness").addHandler(quiet)
        yield
        logging.getLogger("harness").removeHandler(quiet)
        return
    try:
        handler = logging.FileHandler(path, encoding="utf-8", errors="backslashreplace")
    except OSError as error:
        raise UsageError(f"--log {visible(path)}: cannot write: {error.strerror}") from error
    handler.setFormatter(logging.Formatter("%(asctime)s.%(msecs)03d %(name)s %(message)s", "%Y-%m-%dT%H:%M:%S"))
    logger = logging.getLogger("harness")
    before, propagate = logger.level, logger.propagate
    logger.addHandler(handler)
    logger.setLevel(logging.DEBUG)
    logger.propagate = False
    try:
        yield
    finally:
        logger.removeHandler(handler)
        logger.setLevel(before)
        logger.propagate = propagate
        handler.close()


def _runner(command: str) -> Callable[[argparse.Namespace], int]:
    module, _, name = RUNNERS[command].partition(":")
    return cast("Callable[[argparse.Namespace], int]", getattr(import_module(module), name))


if __name__ == "__main__":
    raise SystemExit(main())
