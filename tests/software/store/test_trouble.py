"""Whatever is wrong with a store or a record is said in one line, and nothing that was kept is lost."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from harness.base.errors import ExitCode, HarnessError, RecordError, StoreError, StoreUnavailable
from harness.store import Store, tables
from harness.store import database as database_module
from harness.store.fetch import fetch
from tests.patience import PATIENCE_S
from tests.software.store.conftest import schema
from tests.software.store.records import written

BIG = tuple(range(40_000))
"""Counts that make a raw file of some 300 kB."""


@contextlib.contextmanager
def refused(kind: type[HarnessError], words: str) -> Iterator[None]:
    with pytest.raises(kind, match=words) as caught:
        yield
    assert "\n" not in str(caught.value)


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that everybody may enter, unlike pytest's own."""
    folder = Path(tempfile.mkdtemp(prefix="rotorgate-store-"))
    folder.chmod(0o777)
    yield folder
    folder.chmod(0o777)
    shutil.rmtree(folder)


@contextlib.contextmanager
def unprivileged() -> Iterator[None]:
    """As somebody whom permissions bind."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


def test_no_store_there(tmp_path):
    with refused(StoreError, "no store here yet; `rotorgate qualify` and `rotorgate keep` make it"):
        Store.open(tmp_path / "store.sqlite")
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "empty.sqlite").touch()
    with refused(StoreError, "no store here yet"):
        Store.open(tmp_path / "empty.sqlite")


@pytest.mark.parametrize("name", ["a b.sqlite", "what?.sqlite", "50%23.sqlite", "a#b&mode=ro.sqlite", "wehr-é水.db"])
def test_any_name_of_a_file(tmp_path, name):
    with Store.open(tmp_path / name, make=True) as store:
        store.keep(written(tmp_path / "run"))
    assert {path.name for path in tmp_path.iterdir()} == {name, f"{name}.raw", "run"}


def test_no_store_in_the_database(place):
    if "postgresql" in place:
        with refused(StoreError, "no store here yet"):
            Store.open(place)


def test_a_store_of_a_newer_version(place, tmp_path):
    with Store.open(place, make=True) as store:
        run = store.keep(written(tmp_path / "run"))
        with store._database.writing() as connection:
            newer = {"version": 9, "format": tables.FORMAT, "since_utc": "", "rotorgate": "7.0"}
            connection.execute(tables.store.insert(), newer)
    for make in (False, True):
        with refused(StoreError, r"a store of version 9, made by rotorgate 7\.0; this one reads up to 2: bring"):
            Store.open(place, make=make)
    assert run.id == 1


@pytest.mark.parametrize("make", [False, True])
def test_foreign_files_are_left_as_they_are(tmp_path, make):
    text = tmp_path / "notes.txt"
    text.write_text("not a database, but longer than the sixteen bytes that begin one\n" * 20)
    shop = tmp_path / "shop.sqlite"
    with contextlib.closing(sqlite3.connect(shop)) as connection:
        connection.execute("CREATE TABLE store (city TEXT)")
    other = tmp_path / "other.sqlite"
    with contextlib.closing(sqlite3.connect(other)) as connection:
        connection.execute("CREATE TABLE customer (name TEXT)")
    before = {path: path.read_bytes() for path in (text, shop, other)}
    with refused(StoreError, r"notes\.txt: not a store: expected a file that rotorgate made"):
        Store.open(text, make=make)
    for path, name in ((shop, "store"), (other, "customer")):
        with refused(StoreError, rf"not a store: holds other tables \({name}\); name another place"):
            Store.open(path, make=make)
    assert {path: path.read_bytes() for path in before} == before


def test_a_foreign_database_server_content(cluster, tmp_path):
    import psycopg

    place = schema(cluster)
    name = place.rpartition("%3D")[2]
    with psycopg.connect(cluster.replace("+psycopg", ""), autocommit=True) as connection:
        connection.execute(f"CREATE TABLE {name}.customer (name TEXT)")
    with refused(StoreError, r"not a store: holds other tables \(customer\)"):
        Store.open(place, make=True)


def test_a_server_that_is_not_there(tmp_path, monkeypatch):
    pytest.importorskip("psycopg", reason="psycopg is not installed (rotorgate[lab])")
    with refused(StoreUnavailable, "^postgresql://ann@/runs"):
        Store.open(f"postgresql://ann:secret@/runs?host={tmp_path}")
    try:
        Store.open(f"postgresql://ann:secret@/runs?host={tmp_path}")
    except StoreUnavailable as error:
        assert "secret" not in str(error)
        assert error.exit_code is ExitCode.BENCH


def test_without_the_driver_it_says_what_to_install():
    program = (
        "import sys; sys.modules['psycopg'] = None\n"
        "from harness.store import Store\n"
        "from harness.base.errors import StoreError\n"
        "try: Store.open('postgresql://lab/runs')\n"
        "except StoreError as error: print(error)\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
    assert done.stdout == (
        "postgresql://lab/runs: PostgreSQL needs one package more: python -m pip install 'rotorgate[lab]'\n"
    )


def test_a_read_only_folder_is_read_and_not_written(open_folder, tmp_path):
    place, folder = open_folder / "store.sqlite", written(open_folder / "run")
    with Store.open(place, make=True) as store:
        run = store.keep(folder)
    for path in (open_folder, place):
        path.chmod(0o555 if path.is_dir() else 0o444)
    before = sorted(open_folder.iterdir())
    with unprivileged():
        with Store.open(place) as store:
            assert store.runs() == [run]
            assert len(store.record(run.id).observations()) == 2
        with refused(StoreUnavailable, r"store\.sqlite: cannot write: no permission for the file or its folder"):
            Store.open(place, make=True).keep(folder)
        with refused(StoreUnavailable, r"cannot open: no permission for the file or its folder|Permission denied"):
            Store.open(open_folder / "new.sqlite", make=True)
    assert sorted(open_folder.iterdir()) == before


def test_a_raw_folder_that_cannot_be_written(open_folder):
    place = open_folder / "store.sqlite"
    folder = written(open_folder / "run")
    with Store.open(place, make=True):
        pass
    (open_folder / "store.sqlite.raw").mkdir(mode=0o555)
    for path in (place, *open_folder.glob("store.sqlite-*")):
        path.chmod(0o666)
    with unprivileged(), Store.open(place) as store:
        with refused(StoreUnavailable, r"store\.sqlite\.raw: cannot write a raw observation: Permission denied"):
            store.keep(folder)
        assert store.runs() == []


def test_two_who_write(tmp_path, monkeypatch):
    place = tmp_path / "store.sqlite"
    monkeypatch.setattr(database_module, "BUSY_S", 0.05)
    with Store.open(place, make=True) as writer, Store.open(place) as other:
        kept = writer.keep(written(tmp_path / "a"))
        with writer._database.writing():
            assert other.runs() == [kept]  # who reads never waits
            with refused(StoreUnavailable, "another process has been writing for 30 s; try again"):
                other.keep(written(tmp_path / "b", seed=2))
        assert other.keep(written(tmp_path / "b2", seed=2)).id == 2


WRITER = """
import sys
from pathlib import Path
from harness.store import Store
with Store.open(sys.argv[1], make=True) as store:
    for folder in sys.argv[2:]:
        print(store.keep(Path(folder)).uid, flush=True)
"""


@pytest.mark.slow
def test_several_who_make_one_store_and_write_it_at_once(place, tmp_path):
    own = [[written(tmp_path / f"{who}-{k}", seed=100 * who + k) for k in range(6)] for who in range(4)]
    shared = [written(tmp_path / f"shared-{k}", seed=1000 + k) for k in range(3)]
    writers = [
        subprocess.Popen(
            [sys.executable, "-c", WRITER, place, *map(str, [*folders[:3], *shared, *folders[3:]])],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        for folders in own
    ]
    said = [writer.communicate(timeout=PATIENCE_S) for writer in writers]
    assert [writer.returncode for writer in writers] == [0] * 4, said
    uids = {line for out, _ in said for line in out.split()}
    with Store.open(place) as store:
        runs = store.runs()
        assert len(runs) == 4 * 6 + 3
        assert {run.uid for run in runs} == uids
        assert all(len(store.record(run.id).observations()) == 2 for run in runs)


def test_two_who_write_one_database(cluster, tmp_path, monkeypatch):
    place = schema(cluster)
    monkeypatch.setattr(database_module, "BUSY_S", 0.05)
    with Store.open(place, make=True) as writer, Store.open(place) as other:
        kept = writer.keep(written(tmp_path / "a"))
        with writer._database.adding():
            assert other.runs() == [kept]
            with refused(StoreUnavailable, "another process has been writing for 30 s; try again"):
                other.keep(written(tmp_path / "b", seed=2))
        assert len(other.runs()) == 1


def test_fetch_never_writes_outside(tmp_path):
    with Store.open(tmp_path / "store.sqlite", make=True) as store:
        run = store.keep(written(tmp_path / "run"))
        sound = store.text(run.id)
        for name in (b"../../out.npy", b".", b"", b"/out.npy", b"observations", b"a\\u0000", b"observations/..npy"):
            text = sound.replace(b"observations/leaf.stiffness.n1.npy", name)
            store.text = lambda run_id, text=text: text
            with refused(
                RecordError, r"damaged record: leaf.stiffness.n1: expected a file observations/NAME.npy, found"
            ):
                fetch(store, run.id, tmp_path / "a" / "b")
    assert {path.name for path in tmp_path.iterdir()} == {"run", "store.sqlite", "store.sqlite.raw"}


@pytest.mark.skipif(os.name != "posix", reason="links")
def test_fetch_follows_no_link(tmp_path):
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "observations").symlink_to(tmp_path / "elsewhere")
    with Store.open(tmp_path / "store.sqlite", make=True) as store:
        run = store.keep(written(tmp_path / "run"))
        with refused(RecordError, "out: cannot write: a link, which is not followed"):
            fetch(store, run.id, tmp_path / "out")
    assert not list((tmp_path / "elsewhere").iterdir())


def test_a_missing_and_a_damaged_raw_file(tmp_path):
    place = tmp_path / "store.sqlite"
    folder = written(tmp_path / "run")
    with Store.open(place, make=True) as store:
        run = store.keep(folder)
        record = store.record(run.id)
        lost, hurt = sorted((tmp_path / "store.sqlite.raw").rglob("*.npy"))
        lost.unlink()
        hurt.write_bytes(hurt.read_bytes()[:-1] + b"\xff")
        words = set()
        for name in ("leaf.stiffness.n0", "leaf.stiffness.n1"):
            with refused(RecordError, rf"(missing: |damaged: not what was kept of )observation {name} of run 1; put"):
                record.observation(name)
            with pytest.raises(RecordError) as caught:
                record.observation(name)
            words.add(str(caught.value).split(": ")[1])
        assert words == {"missing", "damaged"}
        assert record.results  # all else still reads
        assert store.keep(folder) == run  # and this puts them back
        assert len(store.record(run.id).observations()) == 2


def test_a_missing_raw_row(cluster, tmp_path):
    with Store.open(schema(cluster), make=True) as store:
        run = store.keep(written(tmp_path / "run"))
        store._raw.get = lambda sha256, what: type(store._raw).get(store._raw, "0" * 64, what)
        with refused(RecordError, r"missing: observation leaf\.stiffness\.n0 of run 1; keep the run's folder once"):
            store.record(run.id).observations()


@pytest.mark.parametrize(
    ("damage", "words"),
    [
        (("leaf.stiffness.n1.npy", None), r"leaf\.stiffness\.n1\.npy: cannot read the observation: No such file"),
        (("leaf.stiffness.n1.npy", b"x"), r"leaf\.stiffness\.n1\.npy: cannot read the observation"),
        (("record.json", b"{"), r"record\.json: damaged: not valid JSON"),
        ((b'"unique_id"', b'"other_id"'), "damaged record, not kept: board: expected 'unique_id' in it"),
        ((b'"value": 0.652', b'"value": NaN'), "damaged record, not kept: "),
        (
            (b'"value": 0.652', b'"value": "much"'),
            r"damaged record, not kept: measurements\[0\].value: expected a number, found 'much'",
        ),
        ((b'"value": 0.652', b'"value": 1' + b"0" * 400), "damaged record, not kept: "),
        ((b'"seed": 1', b'"seed": 99999999999999999999'), "expected a whole number of at most 63 bits, found 9999"),
        ((b'"exit_code": 0', b'"exit_code": "none"'), "expected a whole number"),
        ((b"2026-03-01T08:00:00+00:00", b"yesterday"), "damaged record, not kept: started_utc: Invalid isoformat"),
        ((b"2026-03-01T08:00:00+00:00", b"2026-03-01T08:00:00"), "expected a time with its zone"),
        (
            (b'"outcome": "agrees"', b'"outcome": "fine"'),
            "not kept: leaf.stiffness.open_loop: expected a word of a verdict, found 'fine'",
        ),
        ((b'"name": "sluice"', b'"name": 7'), "expected text, found 7"),
        ((b'leaf.stiffness.n1"', b'leaf.stiffness.n0"'), "two observations of one name"),
    ],
)
def test_a_damaged_record_is_not_kept(place, tmp_path, damage, words):
    folder = written(tmp_path / "run")
    what, now = damage
    if isinstance(what, str):
        path = folder / what if what == "record.json" else folder / "observations" / what
        path.unlink() if now is None else path.write_bytes(now)
    else:
        path = folder / "record.json"
        text = path.read_bytes()
        what, now = (b'leaf.stiffness.n1"', b'leaf.stiffness.n0"') if not words else (what, now)
        assert what in text
        path.write_bytes(text.replace(what, now))
    with Store.open(place, make=True) as store:
        with refused(RecordError, words):
            store.keep(folder)
        assert store.runs() == []


def test_observations_outside_the_record_are_not_taken_in(tmp_path):
    folder = written(tmp_path / "run")
    shutil.copy(folder / "observations" / "leaf.stiffness.n0.npy", tmp_path / "secret.npy")
    path = folder / "record.json"
    path.write_text(path.read_text().replace("observations/leaf.stiffness.n0.npy", "../secret.npy"))
    with (
        Store.open(tmp_path / "store.sqlite", make=True) as store,
        refused(RecordError, r"expected a file observations/NAME.npy, found '\.\./secret.npy'"),
    ):
        store.keep(folder)


FULL = """
import resource, sys
from pathlib import Path
from harness.base.errors import HarnessError
from harness.store import Store
with Store.open(sys.argv[1]) as store:
    limit = int(sys.argv[2])
    if limit:
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
    for folder in sys.argv[3:]:
        try:
            print("kept", store.keep(Path(folder)).id, flush=True)
        except HarnessError as error:
            print(error.exit_code.value, error, flush=True)
"""


def filled(place: Path, limit: int, folders: list[Path]) -> list[str]:
    done = subprocess.run(
        [sys.executable, "-c", FULL, str(place), str(limit), *map(str, folders)],
        capture_output=True, text=True, check=True, timeout=PATIENCE_S,
    )  # fmt: skip
    return done.stdout.splitlines()


def nothing_lost(place: Path, folders: list[Path], lines: list[str]) -> None:
    kept = [line for line in lines if line.startswith("kept")]
    assert len(lines) == len(folders)
    with Store.open(place) as store:
        assert [f"kept {run.id}" for run in store.runs()][1:] == kept
        assert all(store.record(run.id).observations() for run in store.runs())
        for folder in folders:
            store.keep(folder)
        assert len(store.runs()) == len(folders) + 1


@pytest.mark.parametrize(
    ("counts", "limit", "words"),
    [
        (BIG, 100_000, r"3 .*store\.sqlite\.raw: cannot write a raw observation: File too large"),
        ((1,), 200_000, r"3 .*store\.sqlite: the disk (refuses|is full).*; nothing that was kept is lost"),
    ],
)
def test_a_disk_that_takes_no_more(tmp_path, counts, limit, words):
    place = tmp_path / "store.sqlite"
    with Store.open(place, make=True) as store:
        store.keep(written(tmp_path / "first"))
    folders = [written(tmp_path / f"{k}", seed=k + 2, observations=(counts,)) for k in range(30 if limit > 1e5 else 2)]
    lines = filled(place, limit, folders)
    refused_lines = [line for line in lines if not line.startswith("kept")]
    assert refused_lines
    assert all(re.match(words, line) for line in refused_lines), refused_lines
    nothing_lost(place, folders, lines)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 1 MB."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(folder)]
    try:
        done = subprocess.run(mount, capture_output=True, text=True, check=False)
    except FileNotFoundError:
        pytest.skip("no small disk: there is no mount here")
    if done.returncode != 0:
        pytest.skip(f"no small disk: {done.stderr.strip() or 'mount refused'}")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


@pytest.mark.parametrize("counts", [BIG, pytest.param((1,), marks=pytest.mark.slow)])
def test_a_full_disk(small_disk, tmp_path, counts):
    place = small_disk / "store.sqlite"
    with Store.open(place, make=True) as store:
        store.keep(written(tmp_path / "first"))
    ballast = small_disk / "ballast"
    ballast.write_bytes(b"0" * 450_000)
    folders = [
        written(tmp_path / f"{k}", seed=k + 2, observations=(counts,)) for k in range(40 if counts != BIG else 3)
    ]
    lines = filled(place, 0, folders)
    full = [line for line in lines if not line.startswith("kept")]
    assert full
    assert all("No space left on device" in line or "the disk " in line for line in full), full
    ballast.unlink()
    with Store.open(place) as store:
        assert [f"kept {run.id}" for run in store.runs()][1:] == [line for line in lines if line.startswith("kept")]
        assert all(store.record(run.id).observations() for run in store.runs())
        missing = folders[lines.index(full[0])]
        if counts != BIG:
            assert store.keep(missing).id == len(lines) - len(full) + 2
