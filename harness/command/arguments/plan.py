"""Arguments of the plan."""

from __future__ import annotations

import argparse

from harness.base.errors import UsageError
from harness.base.spans import span_of
from harness.command.arguments.bench import add_only
from harness.command.arguments.shared import PLACE, Commands, Parser, count, natural


def add(commands: Commands, common: Parser) -> None:
    """Add it."""
    plan = commands.add_parser(
        "plan",
        parents=[common],
        allow_abbrev=False,
        help="what a qualification will take on steel and be able to see; opens nothing",
        usage="%(prog)s RIG [--only NAME ...] [options]",  # argparse would put RIG last, where --only takes it
    )
    # Whether it was given is looked at by `bench.lacking`.
    plan.add_argument("rig", metavar="RIG", nargs="?", help="a rig file")
    add_only(plan)
    plan.add_argument(
        "--repeats",
        metavar="N",
        type=count,
        help="so many runs, which share the false-alarm risk (default: as the policy says)",
    )
    plan.add_argument(
        "--within", metavar="TIME", type=_span, help="which checks make the most decisions in 90s, 10m or 1h"
    )
    plan.add_argument("--policy", metavar="FILE", help="a release gate's policy: can it come to a decision?")
    plan.add_argument(
        "--against", metavar="BASELINE", help="name of a baseline in the store: what will be seen from it, too"
    )
    plan.add_argument("--revision", metavar="N", type=natural, help="of the baseline (default: the newest)")
    plan.add_argument("--store", metavar="STORE", help=f"{PLACE}, of the baseline (default: runs/store.sqlite)")


def _span(text: str) -> float:
    try:
        return span_of(text)
    except UsageError as error:
        raise argparse.ArgumentTypeError(str(error)) from error
