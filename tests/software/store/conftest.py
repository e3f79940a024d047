"""Places for stores: a file, and a PostgreSQL with raw observations in a folder or in the database."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.software.store import postgres

NUMBERS = itertools.count()


@pytest.fixture(scope="session")
def cluster() -> Iterator[str]:
    with postgres.running() as url:
        yield url


def schema(cluster: str) -> str:
    """URL of an empty schema of its own."""
    import psycopg

    name = f"lab{next(NUMBERS)}"
    with psycopg.connect(cluster.replace("+psycopg", ""), autocommit=True) as connection:
        connection.execute(f"CREATE SCHEMA {name}")
    return f"{cluster}&options=-csearch_path%3D{name}"


@pytest.fixture(
    params=["sqlite", "postgresql", pytest.param("postgresql, raw in a folder", marks=pytest.mark.slow)],
)
def place(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Address of a store that is not made yet."""
    if request.param == "sqlite":
        return str(tmp_path / "store.sqlite")
    url = schema(request.getfixturevalue("cluster"))
    return f"{url}&raw={tmp_path / 'raw'}" if "folder" in request.param else url
