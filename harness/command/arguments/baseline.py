"""Arguments of `baseline`, with its own sub-commands."""

from __future__ import annotations

from harness.command.arguments.shared import PLACE, Commands, Parser, natural


def add(commands: Commands, common: Parser) -> None:
    """Add it."""
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
