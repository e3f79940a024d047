"""Releases of the demo's firmware: 1.5.0, which only tidies, and what a slip in it would have made of it.

`python -m rigs_demo releases` lists them, `python -m rigs_demo release NAME FOLDER` writes one, to be given to a
release gate. Each says that it is 1.5.0; nothing in it says what slipped.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from rigs_demo.faults import FAULTS, edit

SOURCE = Path(__file__).parent / "firmware" / "next" / "sluice_drive.py"


class ReleaseError(Exception):
    """No release of that name, or it cannot be written."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Release:
    """One row of the table: a change to the source, None where there is none."""

    words: str
    change: Callable[[str], str] | None = None


def _of_fault(name: str) -> Callable[[str], str]:
    fault = FAULTS[name]
    change = fault.firmware
    if change is None:
        raise ReleaseError(f"{name} is no fault of firmware")
    return lambda source: change(source, fault.severity)


def _drop_entry(source: str) -> str:
    return edit(source, r"range\(STEPS\)", lambda _: "range(STEPS - 1)", "the sine table")


RELEASES: Mapping[str, Release] = {
    "tidied": Release(words="1.5.0 as it is meant: nothing that can be measured has changed"),
    "half-gain": Release(words="the loop's gain has become half", change=_of_fault("slack-gain")),
    "two-late": Release(words="the loop acts 2 ms later", change=_of_fault("late-loop")),
    "other-path": Release(words="the sensor is read by its pulse width", change=_of_fault("pulse-reading")),
    "short-table": Release(words="the sine table lacks its last entry", change=_drop_entry),
}


def lines() -> list[str]:
    """The table as text, one release a line, tab-separated: name, words."""
    return [f"{name}\t{release.words}" for name, release in RELEASES.items()]


def source_of(name: str) -> str:
    """The source of a release. Raises ReleaseError."""
    if name not in RELEASES:
        raise ReleaseError(f"release: expected one of {', '.join(RELEASES)}, found {name!r}")
    text = SOURCE.read_text(encoding="utf-8")
    change = RELEASES[name].change
    return text if change is None else change(text)


def write(name: str, folder: Path) -> Path:
    """Write a release into a folder, made if absent; the file. Raises ReleaseError."""
    return put(source_of(name), folder / SOURCE.name, ReleaseError)


def put(text: str, path: Path, trouble: type[Exception]) -> Path:
    """Write a firmware's source, its folder made if absent; the file. Raises `trouble` where that cannot be."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    except OSError as problem:
        raise trouble(f"{path.parent}: cannot write: {problem.strerror}") from problem
    return path
