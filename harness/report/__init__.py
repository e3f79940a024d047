"""Record -> page. Reads records only: what a page shows can be shown again from the record alone."""

from harness.report.page import write_report

__all__ = ["write_report"]
