"""Arguments of the commands that read and keep records: report, keep, fetch."""

from __future__ import annotations

from harness.command.arguments.shared import BESIDE, PLACE, Commands, Parser, natural


def add(commands: Commands, common: Parser) -> None:
    """Add them."""
    report = commands.add_parser(
        "report", parents=[common], allow_abbrev=False, help="write the page again from a record, an unfinished one too"
    )
    report.add_argument("record", metavar="DIR", help="folder of the record")
    report.add_argument(
        "--judge-again",
        action="store_true",
        help="judge its observations by the analyses, models and rule of today: say what has changed, and write "
        "report-judged-again.html beside its page; nothing is measured, nothing of the record is changed",
    )

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
