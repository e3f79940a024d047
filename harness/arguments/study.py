"""Arguments of `study`, with its own sub-commands."""

from __future__ import annotations

from harness.arguments.shared import PLACE, Commands, Parser


def add(commands: Commands, common: Parser) -> None:
    """Add it."""
    study = commands.add_parser(
        "study", parents=[common], allow_abbrev=False, help="what several runs together say of bench or boards"
    )
    kinds = study.add_subparsers(dest="kind", metavar="KIND", required=True, parser_class=Parser)
    _capability(kinds, common)


def _capability(kinds: Commands, common: Parser) -> None:
    words = "capability of a lot of boards against the requirements, on the bench's reference motor"
    parser = kinds.add_parser("capability", parents=[common], allow_abbrev=False, help=words, description=words)
    parser.add_argument("--lot", metavar="NAME", help="default: the only one in the store")
    parser.add_argument("--reference", metavar="ID", help="compare every other board with this one")
    parser.add_argument("--out", metavar="DIR", help="write a certificate page for each board into this folder")
    parser.add_argument("--store", metavar="STORE", help=f"{PLACE} (default: runs/store.sqlite)")
