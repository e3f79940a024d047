"""A PostgreSQL of the tests' own: made, started and ended by them, reachable through one socket in one folder."""

from __future__ import annotations

import contextlib
import importlib.util
import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.patience import PATIENCE_S

DEBIAN = Path("/usr/lib/postgresql")


def programs() -> Path | None:
    """Folder of PostgreSQL's server programs: the newest of Debian's, or where the path finds them."""
    found = sorted(DEBIAN.glob("*/bin/initdb"), key=lambda path: int(path.parts[-3].split(".")[0]))
    on_path = shutil.which("initdb")
    return found[-1].parent if found else Path(on_path).parent if on_path else None


@contextlib.contextmanager
def running() -> Iterator[str]:
    """A cluster; gives its URL without a query. Skips where there is none, with the reason."""
    if importlib.util.find_spec("psycopg") is None:
        pytest.skip("no PostgreSQL: psycopg is not installed (rotorgate[lab])")
    folder = programs()
    if folder is None:
        pytest.skip("no PostgreSQL: Debian's package postgresql is not installed")
    user: dict[str, object] = {}
    if os.geteuid() == 0:  # the server refuses to run as root
        import pwd

        entry = pwd.getpwnam("nobody")
        user = {"user": entry.pw_uid, "group": entry.pw_gid, "extra_groups": ()}
    home = Path(tempfile.mkdtemp(prefix="rotorgate-pg-"))
    home.chmod(0o755)
    if user:
        os.chown(home, user["user"], user["group"])  # type: ignore[arg-type]
    data = home / "data"

    def act(name: str, *words: str) -> None:
        # Output to a file: the server would hold a pipe open for as long as it runs.
        with (home / f"{name}.txt").open("wb") as said:
            done = subprocess.run(
                [str(folder / name), "-D", str(data), *words],
                stdout=said, stderr=said, stdin=subprocess.DEVNULL, check=False, cwd=home, timeout=PATIENCE_S, **user,
            )  # fmt: skip
        assert done.returncode == 0, (home / f"{name}.txt").read_text()

    try:
        act("initdb", "--auth=trust", "--username=tests", "--encoding=UTF8", "--no-locale", "--no-sync")
        # fsync off: the tests end clients, never the server.
        options = f"-c listen_addresses='' -c unix_socket_directories={home} -c fsync=off -c max_connections=50"
        act("pg_ctl", "start", "-w", "-l", str(home / "log"), "-o", options)
        try:
            yield f"postgresql+psycopg://tests@/postgres?host={home}"
        finally:
            act("pg_ctl", "stop", "-m", "immediate")
    finally:
        shutil.rmtree(home, ignore_errors=True)
