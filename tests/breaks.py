"""Breaks: one wrong line at a time, planted in a copy of the tree, and whether the tests there turn red.

A break is a piece of source and what stands in its place. A piece that is not found exactly once is an error: a break
that is not planted would count as one that was not seen.
"""

from __future__ import annotations

import itertools
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
SKIPPED = (".git", ".*_cache", "__pycache__", "*.egg-info", "build", "dist", "runs")
_FAILED = re.compile(r"^(?:FAILED|ERROR) (.+?)(?: - .*)?$", re.MULTILINE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Break:
    """What goes wrong, in words, and how: in `file`, `right` becomes `wrong`."""

    words: str
    file: str
    right: str
    wrong: str

    def planted(self, source: str) -> str:
        """The source with the break in it. Raises ValueError where its place is not found exactly once."""
        count = source.count(self.right)
        if count != 1:
            raise ValueError(f"{self.file}: expected once, found {count} times: {self.right!r} ({self.words})")
        return source.replace(self.right, self.wrong)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """How the tests took a break; `red` names the first test that failed, "" if none did."""

    planted: Break
    red: str
    seconds: float


class Copy:
    """A copy of the tree in which tests are run. It is not changed while no break is planted."""

    def __init__(self, root: Path, tests: Sequence[str]) -> None:
        self.root, self.tests = root, tests
        self._ticks = itertools.count(1)
        self._green: set[tuple[str, ...]] = set()

    def run(self, tests: Sequence[str] = ()) -> tuple[str, float]:
        """The first of `tests` (of all) that failed, "" if none did, and how long it took.

        Raises RuntimeError if none was run.
        """
        began = time.monotonic()
        command = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", *(tests or self.tests)]
        environment = {**os.environ, "PYTHONPATH": str(self.root)}
        done = subprocess.run(command, cwd=self.root, env=environment, capture_output=True, text=True, check=False)
        red = _FAILED.search(done.stdout)
        if done.returncode != 0 and red is None:
            raise RuntimeError(f"the tests did not run: {done.stdout[-2000:]}{done.stderr[-2000:]}")
        return (red[1] if red else ""), time.monotonic() - began

    def prove_green(self, tests: Sequence[str] = ()) -> None:
        """Whether nothing of `tests` (of all) fails while no break is planted, once for each. Raises RuntimeError."""
        if tuple(tests) in self._green:
            return
        red, _ = self.run(tests)
        if red:
            raise RuntimeError(f"expected green tests before any break, found {red} failed")
        self._green.add(tuple(tests))

    @contextmanager
    def broken(self, by: Break) -> Iterator[None]:
        """The break stands in the copy within this context."""
        path = self.root / by.file
        source = path.read_text(encoding="utf-8")
        self._write(path, by.planted(source))
        try:
            yield
        finally:
            self._write(path, source)

    def _write(self, path: Path, source: str) -> None:
        path.write_text(source, encoding="utf-8")
        # Python takes a module for unchanged by its time in whole seconds: each writing has a second of its own.
        second = 1_000_000_000 + next(self._ticks)
        os.utime(path, (second, second))


@contextmanager
def copied(tests: Sequence[str]) -> Iterator[Copy]:
    """A copy of the tree, gone at the end, in which `tests` (paths from its root) are run."""
    with tempfile.TemporaryDirectory(prefix="rotorgate-breaks-") as folder:
        root = Path(folder) / "tree"
        shutil.copytree(ROOT, root, ignore=shutil.ignore_patterns(*SKIPPED))
        yield Copy(root, tests)


def outcomes(
    breaks: Sequence[Break], tests: Sequence[str], near: Callable[[Break], Sequence[str]] = lambda _: ()
) -> Iterator[Outcome]:
    """Each break planted alone, in turn. `near`: those of the tests that are likely to see it, which are run first.

    Raises RuntimeError where tests are red before a break is planted.
    """
    with copied(tests) as copy:
        for each in breaks:
            red, seconds = "", 0.0
            for chosen in dict.fromkeys((tuple(near(each)), ())):
                copy.prove_green(chosen)
                with copy.broken(each):
                    red, more = copy.run(chosen)
                seconds += more
                if red:
                    break
            yield Outcome(planted=each, red=red, seconds=seconds)
