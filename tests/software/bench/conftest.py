"""Instruments served in this process, and the drivers on them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import pytest

from harness.rigfile.known import Accuracy
from rigs_demo.instruments import ScpiServer
from tests.software.instruments.stub_bench import RIG, StubBench, served


@dataclass(frozen=True)
class Served:
    bench: StubBench
    servers: dict[str, ScpiServer]

    def address(self, name: str) -> str:
        return self.servers[name].address


@pytest.fixture
def instruments() -> Iterator[Served]:
    with served() as (bench, servers):
        yield Served(bench, servers)


def accuracy(instrument: str, key: str) -> Accuracy:
    """An accuracy entry of the stub's rig."""
    return Accuracy(**RIG["instrument"][instrument][key])
