"""Records against a baseline, and over their history. Reads records only: no bench, no model, no store.

against = baseline_of(records)                      # at least 5, over separate mountings
found = compare(against, [record], Terms(planned=len(against.levels), margins=spec.detect))
"""

from harness.compare.baseline import LEAST_MOUNTINGS, Baseline, BaselineLevel, baseline_of, by_command
from harness.compare.comparison import Comparison, findings_counted, terms_of
from harness.compare.difference import Difference, Finding, Terms, compare, seen_beyond
from harness.compare.drift import MeanStep, QuantitySeries, in_time, series_of, steps
from harness.compare.ownership import exchanged

__all__ = [
    "LEAST_MOUNTINGS",
    "Baseline",
    "BaselineLevel",
    "Comparison",
    "Difference",
    "Finding",
    "MeanStep",
    "QuantitySeries",
    "Terms",
    "baseline_of",
    "by_command",
    "compare",
    "exchanged",
    "findings_counted",
    "in_time",
    "seen_beyond",
    "series_of",
    "steps",
    "terms_of",
]  # fmt: skip
