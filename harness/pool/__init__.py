"""Several rigs at once: the file that lists them, one of them taken by a process, and who drives it on all hosts."""

from harness.pool.across import HostLocks, locks_for
from harness.pool.file import Pool, PoolEntry, load_pool
from harness.pool.held_rig import HeldRig, take

__all__ = ["HeldRig", "HostLocks", "Pool", "PoolEntry", "load_pool", "locks_for", "take"]
