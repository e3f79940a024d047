"""A PostgreSQL for locks, as the store's tests have it; and rig files of real rigs that nothing opens."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.software.run.fakes import SLUICE
from tests.software.store import postgres


@pytest.fixture(scope="session")
def cluster() -> Iterator[str]:
    with postgres.running() as url:
        yield url


@pytest.fixture
def rig_file(tmp_path: Path) -> Callable[[str, str], Path]:
    """`rig_file(name, port)` writes a rig file with that board and instruments of its own."""

    def write(name: str, port: str, supply: str = "") -> Path:
        text = SLUICE.read_text(encoding="utf-8")
        lines = []
        for line in text.splitlines():
            if line.startswith("name = "):
                lines.append(f'name = "{name}"')
            elif line.startswith("port = "):
                lines.append(f'port = "{port}"')
            elif line.startswith("address = "):
                own = f"TCPIP0::10.0.0.{len(lines) % 200}::{5000 + sum(map(ord, name))}::SOCKET"
                lines.append(f'address = "{supply or own}"')
                supply = ""
            else:
                lines.append(line)
        path = tmp_path / f"{name}.toml"
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        return path

    return write
