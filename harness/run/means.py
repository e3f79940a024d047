"""What a session works with: how its rig is opened, and the checks by their names. A stand-in brings its own."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass

from harness.bench import opening
from harness.bench.rig import Rig
from harness.checks import registry
from harness.checks.definition import CheckNamed


@dataclass(frozen=True, slots=True, kw_only=True)
class Means:
    """How a rig is opened, as `harness.bench.opening.open_rig`, and which checks there are."""

    open_rig: Callable[..., AbstractContextManager[Rig]] = opening.open_rig
    check_named: CheckNamed = registry.check_named
