"""Arguments of the release gate."""

from __future__ import annotations

from harness.command.arguments.shared import PLACE, Commands, Parser, add_simulated, natural


def add(commands: Commands, common: Parser) -> None:
    """Add it."""
    gate = commands.add_parser(
        "gate",
        parents=[common],
        allow_abbrev=False,
        help="qualify a release, compare it with a baseline, decide by a policy: release, refuse or undecided",
    )
    gate.add_argument("rig", metavar="RIG", help="a rig file; it moves motors: read it before use")
    gate.add_argument("--against", metavar="BASELINE", required=True, help="name of a baseline in the store")
    gate.add_argument("--revision", metavar="N", type=natural, help="of the baseline (default: the newest)")
    gate.add_argument("--policy", metavar="FILE", required=True, help="what decides: required, margins, risks, waivers")
    gate.add_argument(
        "--firmware",
        metavar="PATH",
        help="put this firmware on the board first, supply off; unless it is released the one from before comes back",
    )
    gate.add_argument("--out", metavar="DIR", help="folder for records and decision (default: a new one under runs)")
    gate.add_argument("--store", metavar="STORE", help=f"{PLACE} (default: runs/store.sqlite)")
    gate.add_argument(
        "--seed", metavar="N", type=natural, help="of the first run, counted up (default: drawn and shown)"
    )
    add_simulated(gate)
