"""Records against a baseline, and over their history. Reads records only: no bench, no model, no store.

against = baseline_of(records)                      # at least 5, over separate mountings
found = compare(against, [record], Terms(planned=len(against.levels), margins=spec.detect))
"""

from harness.compare.baseline import LEAST_MOUNTINGS, Baseline, Level, baseline_of, by_command
from harness.compare.belonging import exchanged
from harness.compare.comparison import Comparison, headline, terms_of
from harness.compare.difference import Difference, Finding, Terms, compare, seen_beyond
from harness.compare.drift import Change, History, history, in_time, steps

__all__ = [
    "LEAST_MOUNTINGS", "Baseline", "Change", "Comparison", "Difference", "Finding", "History", "Level", "Terms",
    "baseline_of", "by_command", "compare", "exchanged", "headline", "history", "in_time", "seen_beyond",
    "steps", "terms_of",
]  # fmt: skip
