"""Arguments of `study`: what several runs together say."""

from __future__ import annotations

from harness.command.arguments.shared import PLACE, Commands, Parser


def add(commands: Commands, common: Parser) -> None:
    """Add it."""
    study = commands.add_parser(
        "study", parents=[common], allow_abbrev=False, help="what several runs together say of bench or boards"
    )
    kinds = study.add_subparsers(dest="kind", metavar="KIND", required=True, parser_class=Parser)
    _gauge(kinds, common)
    _capability(kinds, common)


def _gauge(kinds: Commands, common: Parser) -> None:
    words = "whether the bench is good enough: crossed repeats over boards, benches and days"
    parser = kinds.add_parser("gauge", parents=[common], allow_abbrev=False, help=words, description=words)
    parser.add_argument(
        "runs", metavar="RUN", nargs="*", help="a run's number in the store, or the folder of its record"
    )
    parser.add_argument("--lot", metavar="NAME", help="all runs of a lot in the store, in place of RUNs")
    parser.add_argument(
        "--store",
        metavar="STORE",
        help=f"{PLACE} (default: beside folders that are all given, or runs/store.sqlite)",
    )
    parser.add_argument("--out", metavar="FILE", help="write an HTML page of it as well")
    of_a_run = "one a RUN, in their order (default: {})"
    parser.add_argument("--bench", metavar="LABEL,...", help=of_a_run.format("instruments by their serial numbers"))
    parser.add_argument("--day", metavar="LABEL,...", help=of_a_run.format("the date in UTC"))


def _capability(kinds: Commands, common: Parser) -> None:
    words = "capability of a lot of boards against the requirements, on the bench's reference motor"
    parser = kinds.add_parser("capability", parents=[common], allow_abbrev=False, help=words, description=words)
    parser.add_argument("--lot", metavar="NAME", help="default: the only one in the store")
    parser.add_argument("--reference", metavar="ID", help="compare every other board with this one")
    parser.add_argument("--out", metavar="DIR", help="write a certificate page for each board into this folder")
    parser.add_argument("--store", metavar="STORE", help=f"{PLACE} (default: runs/store.sqlite)")
