"""What a session works with: how its rig is opened, its firmware exchanged, and the checks by their names.

A stand-in brings its own.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path

from harness.bench import backups, exchange, opening
from harness.bench.rig import Rig
from harness.checks import registry
from harness.checks.definition import CheckNamed
from harness.link.board import BoardIdentity
from harness.rigfile import RigSpec


@dataclass(frozen=True, slots=True, kw_only=True)
class FirmwareExchange:
    """How firmware is read, put on a board, held and put back: as `harness.bench.exchange` does it."""

    files: Callable[[Path, RigSpec], dict[str, bytes]] = exchange.firmware_files
    put: Callable[..., Callable[[], None] | None] = exchange.exchange
    backup_of: Callable[[Rig], Path] = exchange.backup_of
    forget: Callable[[Path], str] = backups.forget
    left_behind: Callable[[BoardIdentity, RigSpec], str] = backups.left_behind


@dataclass(frozen=True, slots=True, kw_only=True)
class Means:
    """How a rig is opened, as `harness.bench.opening.open_rig`, how its firmware is exchanged, and which checks there
    are."""

    open_rig: Callable[..., AbstractContextManager[Rig]] = opening.open_rig
    check_named: CheckNamed = registry.check_named
    firmware: FirmwareExchange = FirmwareExchange()
