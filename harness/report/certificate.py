"""One page for one board: what was measured on it, with which uncertainty, by which rule, on which bench.

What such a page has to say is what ISO/IEC 17025:2017, 7.8, asks of a report (from memory): who and what, when, by
which method and rule, the values with their uncertainty, and where it does not reach. It is no accredited certificate.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from harness.nouns.results import Outcome
from harness.report.marks import MARKS, Mark
from harness.report.shell import filled

Facts = Sequence[tuple[str, str]]
"""What, and what it is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CertificateLine:
    """One quantity on the page, ready to print."""

    name: str
    words: str
    value: str
    """With its expanded uncertainty and unit."""
    factor: str
    """Coverage factor k: expanded over standard uncertainty."""
    runs: str
    required: str
    word: str
    """Conforming, nonconforming, undecided; what the runs said of the model where there is no requirement."""
    outcome: Outcome
    """Of what `word` says."""
    apart: str = ""
    """Difference from the reference board, and what was found."""

    @property
    def mark(self) -> Mark:
        """Its shape and colour."""
        return MARKS[self.outcome.standing]


@dataclass(frozen=True, slots=True, kw_only=True)
class Certificate:
    """Everything on the page."""

    board: str
    lot: str
    rig: str
    simulated: bool
    verdict: str
    """What the page says first, in words."""
    claim: str
    """`accepted`, `refused` or `open`: its colour."""
    identity: Facts
    bench: Facts
    runs: Sequence[Sequence[str]]
    lines: Sequence[CertificateLine]
    left_out: Facts
    """Why something was not measured or not judged, and what."""
    rule: Sequence[str]
    """Sentences."""
    limits: Sequence[str]
    """Where the page does not reach, in sentences."""
    reference: str
    """The board that others are compared with, "" where there is none."""
    made_utc: str
    rotorgate: str


def certificate_page(certificate: Certificate) -> str:
    """The page as text; offline, without scripts, for A4."""
    return filled("certificate.html", "certificate.css", page=certificate)
