"""Arguments of `study`: what several runs together say."""

from __future__ import annotations

from harness.arguments.shared import PLACE, Commands, Parser


def add(commands: Commands, common: Parser) -> None:
    """Add it."""
    study = commands.add_parser("study", parents=[common], allow_abbrev=False, help="what several runs together say")
    kinds = study.add_subparsers(dest="kind", metavar="KIND", required=True, parser_class=Parser)

    def kind(name: str, words: str) -> Parser:
        parser = kinds.add_parser(name, parents=[common], allow_abbrev=False, help=words, description=words)
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
        return parser

    gauge = kind("gauge", "whether the bench is good enough: crossed repeats over boards, benches and days")
    of_a_run = "one a RUN, in their order (default: {})"
    gauge.add_argument("--bench", metavar="LABEL,...", help=of_a_run.format("instruments by their serial numbers"))
    gauge.add_argument("--day", metavar="LABEL,...", help=of_a_run.format("the date in UTC"))
