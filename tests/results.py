"""Results: files of numbers that a script wrote, each with a hash of the sources that its numbers come from.

Comments, docstrings and empty lines are left out of the hash: what is said about a number changes none.
"""

from __future__ import annotations

import ast
import hashlib
import io
import re
import sys
import tokenize
import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
SOURCES = (".py", ".toml")
_INPUTS = re.compile(r"^Inputs: `(\w+)`", re.MULTILINE)
_SAMPLE = re.compile(r"^Sample: `(\w+)`", re.MULTILINE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Results:
    """One file of results: where it lies, what makes it anew, and what its numbers depend on."""

    title: str
    place: str
    """The file, relative to the root of the repository, as all paths here."""
    command: str
    inputs: tuple[str, ...]
    """As for `fingerprint`."""
    root: Path = ROOT

    @property
    def fingerprint(self) -> str:
        """Hash of the inputs as they are now. Raises FileNotFoundError for an input that is not there."""
        return fingerprint(self.inputs, self.root)

    @property
    def stale(self) -> str:
        """Why the file does not tell of the sources of today, with the remedy; empty if it does."""
        place = self.root / self.place
        if not place.exists():
            return f"{self.place}: expected results, found no file; write them by: {self.command}"
        found = _INPUTS.search(place.read_text(encoding="utf-8"))
        then, now = found[1] if found else "none", self.fingerprint
        if then == now:
            return ""
        return f"{self.place}: expected results of inputs {now}, found those of {then}; write them by: {self.command}"

    def write(self, body: str) -> None:
        """Put the file in place of the one before."""
        day = datetime.now(UTC).date().isoformat()
        head = f"# {self.title}\n\nWritten by `{self.command}` on {day}, not by hand.\nInputs: `{self.fingerprint}`\n"
        (self.root / self.place).write_text(f"{head}\n{body.strip()}\n", encoding="utf-8")

    def renew(self) -> None:
        """Say that the numbers hold for the sources of today, too: for who has seen that they come out the same."""
        place = self.root / self.place
        text = place.read_text(encoding="utf-8")
        place.write_text(_INPUTS.sub(f"Inputs: `{self.fingerprint}`", text, count=1), encoding="utf-8")

    def renew_for(self, sample: str) -> bool:
        """Renew where a sample made today is the one that the file was written with; whether it is."""
        then = _SAMPLE.search((self.root / self.place).read_text(encoding="utf-8"))
        if then is None or then[1] != sample:
            return False
        self.renew()
        return True


def fingerprint(inputs: Sequence[str], root: Path = ROOT) -> str:
    """Hash of sources: patterns of files, and of folders with all Python and TOML files below them.

    Raises FileNotFoundError for a pattern that nothing answers to.
    """
    digest = hashlib.sha256()
    for path in sorted({path for pattern in inputs for path in _files(root, pattern)}):
        digest.update(f"{path.relative_to(root).as_posix()}\n{_bare(path)}\n".encode())
    return digest.hexdigest()[:16]


def sample_of(said: object) -> str:
    """Hash of all that a sample says, by its representation."""
    return hashlib.sha256(repr(said).encode()).hexdigest()[:16]


def sample_line(sample: str) -> str:
    """How a sample stands in a file of results."""
    return f"Sample: `{sample}`\n"


def table(columns: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A table as Markdown, with an empty line after it."""
    lines = [columns, ["---"] * len(columns), *rows]
    return "".join(f"| {' | '.join(cells)} |\n" for cells in lines) + "\n"


def percent(share: float, digits: int = 2) -> str:
    """A share as a person reads it."""
    return f"{100.0 * share:.{digits}f} %"


def simulate(results: Results, body: Callable[[int], str], usual: int) -> None:
    """The command line of a simulation: `usual` rounds are written to its file, another number is shown only."""
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else usual
    text = body(rounds)
    sys.stdout.write(text)
    if rounds == usual:
        results.write(text)


def _files(root: Path, pattern: str) -> list[Path]:
    found = [
        path
        for match in root.glob(pattern)
        for path in (match.rglob("*") if match.is_dir() else [match])
        if path.suffix in SOURCES
    ]
    if not found:
        raise FileNotFoundError(f"{pattern}: expected a source of results, found none: was it moved?")
    return found


def _bare(path: Path) -> str:
    """A source without what changes no number."""
    text = path.read_text(encoding="utf-8")
    return repr(tomllib.loads(text)) if path.suffix == ".toml" else _code(text)


@cache
def _code(text: str) -> str:
    """Python without comments, docstrings and empty lines."""
    lines = text.splitlines()
    for start, column in _comments(text):
        lines[start - 1] = lines[start - 1][:column]
    for first, last in _texts(text):
        lines[first - 1 : last] = [""] * (last - first + 1)
    return "\n".join(line.rstrip() for line in lines if line.strip())


def _comments(text: str) -> list[tuple[int, int]]:
    tokens = tokenize.generate_tokens(io.StringIO(text).readline)
    return [token.start for token in tokens if token.type == tokenize.COMMENT]


def _texts(text: str) -> list[tuple[int, int]]:
    """First and last line of every string that stands alone: of modules, classes, functions and names."""
    return [
        (node.lineno, node.end_lineno or node.lineno)
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant) and isinstance(node.value.value, str)
    ]
