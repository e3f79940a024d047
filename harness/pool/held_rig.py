"""One rig of a pool for one process: the first that nobody holds, and it stays held until the process is through."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from harness.base.errors import BenchBusy, LinkError
from harness.bench.locks import DeviceLocks
from harness.bench.opening import devices_of
from harness.pool.across import HostLocks
from harness.pool.file import Pool, PoolEntry


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldRig:
    """A rig of a pool that is this process's."""

    entry: PoolEntry
    locks: DeviceLocks
    """Its devices, for `open_rig`; of a simulated bench none, since there is nothing yet that another could hold."""
    within: DeviceLocks
    """Its place in this run of several processes."""

    def release(self) -> None:
        """Let others have it."""
        self.locks.release()
        self.within.release()


def take(pool: Pool, *, first: int = 0, run: Path | None = None) -> HeldRig:
    """Take the first free rig, looking from place `first` of the pool to its end and then from its start.

    `run` is the folder by which the processes of one run know which simulated rigs are taken. Does not wait.
    Raises BenchBusy that says of every rig why it cannot be had, BenchError where nobody can be asked.
    """
    why: list[str] = []
    for entry in _from(pool.entries, first):
        within = DeviceLocks(run)
        locks = DeviceLocks(remote=None if pool.store is None else HostLocks(pool.store))
        held = HeldRig(entry=entry, locks=locks, within=within)
        try:
            if entry.simulated and run is not None:
                within.hold([f"simulated rig {entry.name}"])
            elif not entry.simulated:
                locks.hold(devices_of(entry.spec))
        except (BenchBusy, LinkError) as error:  # a board that is not plugged in is no reason to leave the others
            why.append(f"{entry.name}: {error}")
            held.release()
        except BaseException:
            held.release()
            raise
        else:
            return held
    raise BenchBusy(f"no rig of {pool.file} can be had: {' | '.join(why)}")


def _from(entries: tuple[PoolEntry, ...], first: int) -> Iterator[PoolEntry]:
    start = first % len(entries)
    yield from entries[start:]
    yield from entries[:start]
