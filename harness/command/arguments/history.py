"""Arguments of `history`."""

from __future__ import annotations

from harness.command.arguments.shared import PLACE, Commands, Parser


def add(commands: Commands, common: Parser) -> None:
    """Add it."""
    words = "write one page of a store: every quantity over firmware versions"
    history = commands.add_parser("history", parents=[common], allow_abbrev=False, help=words, description=words)
    history.add_argument("--store", metavar="STORE", help=f"{PLACE} (default: runs/store.sqlite)")
    history.add_argument("--rig", metavar="NAME", help="only runs of this rig")
    history.add_argument(
        "--out", metavar="FILE", help="default: history.html beside the store's file, else in the current folder"
    )
    kind = history.add_mutually_exclusive_group()
    kind.add_argument("--simulated", action="store_true", help="only runs of simulated benches")
    kind.add_argument("--real", action="store_true", help="only runs of real ones")
