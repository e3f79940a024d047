"""The record: everything one run produced, on disk as it is produced, readable ever after."""

from harness.record.read import read
from harness.record.record import Record
from harness.record.write import RecordWriter

__all__ = ["Record", "RecordWriter", "read"]
