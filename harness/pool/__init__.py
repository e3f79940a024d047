"""Several rigs at once: the file that lists them, one of them taken by a process, and who drives it on all hosts."""

from harness.pool.across import HostLocks, locks_for
from harness.pool.file import Entry, Pool, load_pool
from harness.pool.taking import Taken, take

__all__ = ["Entry", "HostLocks", "Pool", "Taken", "load_pool", "locks_for", "take"]
