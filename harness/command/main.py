"""The command: `rotorgate demo | inspect | plan | qualify | report | keep | fetch | baseline | gate | history | study`.

Light to import: each sub-command loads what it needs.
Exit codes are promises (README): every way out of `main` is one of ExitCode, whatever was raised.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from functools import cache
from importlib import import_module
from typing import TYPE_CHECKING, NoReturn, cast

from harness.base.disk import unwritten
from harness.base.errors import PRECEDENCE, ExitCode, HarnessError, UsageError
from harness.base.streams import open_closed_streams
from harness.base.versions import version_of
from harness.base.words import visible
from harness.command.arguments import baseline, bench, gate, history, plan, records, study
from harness.command.arguments.shared import Parser

if TYPE_CHECKING:
    from harness.command.traffic_log import TrafficLog
    from harness.run.means import Means

RUNNERS = {
    "demo": "harness.command.qualify:demo",
    "qualify": "harness.command.qualify:qualify",
    "inspect": "harness.command.inspect:inspect",
    "plan": "harness.command.plan:plan",
    "report": "harness.command.report:report",
    "keep": "harness.command.keep:keep",
    "fetch": "harness.command.keep:fetch",
    "history": "harness.command.history:history",
    "baseline": "harness.command.baseline:baseline",
    "gate": "harness.command.gate:gate",
    "study": "harness.command.study:study",
}


@cache
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
        f"Of several the first of {', '.join(str(int(code)) for code in PRECEDENCE)}.",
    )
    parser.add_argument("--version", action="version", version=f"rotorgate {version_of('rotorgate')}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True, parser_class=Parser)

    for family in (bench, plan, records, baseline, gate, history, study):
        family.add(commands, common)
    return parser


def parse(words: Sequence[str]) -> argparse.Namespace:
    """Arguments with the shared options filled in. Raises UsageError; --help and --version raise SystemExit(0)."""
    parser = build_parser()
    arguments, rest = parser.parse_known_args(list(words))
    if lacks := bench.lacking(arguments):
        raise UsageError(lacks)
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


def main(words: Sequence[str] | None = None, means: Means | None = None) -> int:
    """Run the command and return its exit code; never raises, never lets Python's own 1 or argparse's 2 out.

    `means`: how rigs are opened and which checks there are, other than usual.
    """
    open_closed_streams()
    with contextlib.suppress(AttributeError, ValueError, OSError):
        sys.stdout.reconfigure(errors="backslashreplace")  # type: ignore[union-attr]
        sys.stderr.reconfigure(errors="backslashreplace")  # type: ignore[union-attr]
    given = sys.argv[1:] if words is None else list(words)
    wants_json = "--json" in given
    try:
        arguments = parse(given)
        arguments.means = means
        wants_json = arguments.json
        with logged(arguments.log) as log:
            code = _runner(arguments.command)(arguments)
        if log is not None and not log.whole:
            code = ExitCode.first_of((ExitCode(code), ExitCode.BENCH))
        sys.stdout.flush()
        return int(code)
    except SystemExit as ending:  # --help and --version
        return ExitCode.AGREES if not ending.code else ExitCode.DEFECT
    except HarnessError as error:
        complain(str(error), error.exit_code, wants_json)
        return int(error.exit_code)
    except KeyboardInterrupt as error:
        complain(str(error) or "interrupted", ExitCode.BENCH, wants_json)
        return int(ExitCode.BENCH)
    except BrokenPipeError:  # the reader of our output has left; nothing is left to say to it
        with contextlib.suppress(OSError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return int(ExitCode.BENCH)
    except BaseException as error:
        from harness.base.defects import write_defect

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
def logged(path: str | None) -> Iterator[TrafficLog | None]:
    """Send the traffic of links and instruments to a file. Raises UsageError or DiskFull if it cannot be opened."""
    import logging

    logger = logging.getLogger("harness")
    if path is None:
        quiet = logging.NullHandler()  # without a handler Python itself writes warnings to standard error
        logger.addHandler(quiet)
        yield None
        logger.removeHandler(quiet)
        return
    from harness.command.traffic_log import TrafficLog

    try:
        handler = TrafficLog(path)
    except OSError as error:
        raise unwritten(UsageError, f"--log {visible(path)}: cannot write", error) from error
    before, propagate = logger.level, logger.propagate
    logger.addHandler(handler)
    logger.setLevel(logging.DEBUG)
    logger.propagate = False
    try:
        yield handler
    finally:
        logger.removeHandler(handler)
        logger.setLevel(before)
        logger.propagate = propagate
        handler.close()


def _runner(command: str) -> Callable[[argparse.Namespace], int]:
    module, _, name = RUNNERS[command].partition(":")
    return cast("Callable[[argparse.Namespace], int]", getattr(import_module(module), name))


def command() -> NoReturn:
    """`main` as a process of its own: a signal that comes when all is said does not change the exit code."""
    import signal

    from harness.bench.safe import raise_stop, stop_signals

    wanted = [number for number in stop_signals() if signal.getsignal(number) != signal.SIG_IGN]
    code: int = ExitCode.BENCH  # where a signal comes before `main` could take it
    with contextlib.suppress(KeyboardInterrupt):
        for number in wanted:
            signal.signal(number, raise_stop)
        code = main()
        for number in wanted:
            signal.signal(number, signal.SIG_IGN)
    sys.exit(code)


if __name__ == "__main__":
    command()
