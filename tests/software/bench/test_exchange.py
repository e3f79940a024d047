"""Firmware exchange: what may go on a board, that the old one is safe first, and that it comes back."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import pytest

from harness.base.errors import BenchError, DeviceError, LinkError, UsageError
from harness.bench import backups
from harness.bench.backups import INDEX, MOST, backup_folder, forget, kept_backups, left_behind
from harness.bench.exchange import backup_of, collect, exchange
from harness.bench.rig import Rig
from harness.link.board import BoardIdentity

OLD = {"sluice_drive.py": b"old", "main.py": b"keep"}


class FakeBoard:
    """A board's files, and a fuse: after so many calls the link is lost."""

    def __init__(self, files: dict[str, bytes], damages: bool = False) -> None:
        self.files = dict(files)
        self.damages = damages
        self.left = 10**9
        self.log: list[str] = []

    def _burn(self, what: str) -> None:
        self.log.append(what)
        self.left -= 1
        if self.left < 0:
            raise LinkError("lost")

    def write_file(self, name: str, data: bytes) -> None:
        self._burn(f"write {name}")
        self.files[name] = data[:-1] if self.damages else data

    def read_file(self, name: str) -> bytes:
        self._burn(f"read {name}")
        return self.files[name]

    def rename(self, old: str, new: str) -> None:
        self._burn(f"rename {new}")
        self.files[new] = self.files.pop(old)

    def remove(self, name: str) -> None:
        self._burn(f"remove {name}")
        del self.files[name]

    def execute(self, source: str) -> str:
        self._burn("execute")
        name = source.split("'")[1]
        if "stat" in source and name not in self.files:
            raise DeviceError("OSError: 2")
        return ""

    def soft_reset(self) -> None:
        self._burn("reset")

    def enter(self) -> None:
        self._burn("enter")


PORT = "/dev/ttyACM0"


def identity(unique_id: str = "ab12", *, simulated: bool = False) -> BoardIdentity:
    machine = "SIMULATED board" if simulated else "a board"
    return BoardIdentity(unique_id=unique_id, system="rp2", implementation="micropython", version="1", machine=machine)


def rig(
    board: FakeBoard,
    allowed: tuple[str, ...] = (),
    who: BoardIdentity | None = None,
    port: str = PORT,
    clock: SimpleNamespace | None = None,
):
    firmware = SimpleNamespace(module="sluice_drive", exchange=allowed)
    return SimpleNamespace(
        board=board,
        spec=SimpleNamespace(firmware=firmware, board=SimpleNamespace(port=port), clock=clock),
        identity=who or identity(),
    )


@pytest.fixture
def new(tmp_path):
    folder = tmp_path / "new"
    (folder / "parts").mkdir(parents=True)
    (folder / "sluice_drive.py").write_bytes(b"new")
    (folder / "parts" / "table.mpy").write_bytes(b"table")
    (folder / "notes.txt").write_text("not firmware")
    (folder / "__pycache__").mkdir()
    (folder / "__pycache__" / "x.py").write_text("")
    return folder


def test_only_firmware_files_are_taken(new):
    assert collect(new, ()) == {"sluice_drive.py": b"new", "parts/table.mpy": b"table"}
    assert collect(new / "sluice_drive.py", ()) == {"sluice_drive.py": b"new"}


def test_what_may_not_go_on_a_board(new, tmp_path):
    with pytest.raises(UsageError, match="absent: no such file or folder"):
        collect(tmp_path / "absent", ())
    (new / "main.py").write_text("x")
    with pytest.raises(UsageError, match=r"main.py would run at every start of the board; name it in firmware"):
        collect(new, ())
    assert "main.py" in collect(new, ("main.py",))
    (new / "main.py").unlink()
    (tmp_path / "outside.py").write_text("secret")
    (new / "link.py").symlink_to(tmp_path / "outside.py")
    with pytest.raises(UsageError, match=r"link.py leads out of the folder"):
        collect(new, ())
    (new / "link.py").unlink()
    os.mkfifo(new / "pipe.py")
    with pytest.raises(UsageError, match=r"pipe.py leads out of the folder or is no regular file"):
        collect(new, ())
    (new / "pipe.py").unlink()
    (new / "big.py").write_bytes(b"#" * 600_000)
    with pytest.raises(UsageError, match=r"big.py: expected at most 524288 bytes"):
        collect(new, ())
    (tmp_path / "empty").mkdir()
    with pytest.raises(UsageError, match=r"no .py or .mpy file there"):
        collect(tmp_path / "empty", ())


def test_the_old_firmware_is_saved_first_and_comes_back(new, tmp_path):
    board = FakeBoard(OLD)
    restore = exchange(rig(board), new, restore=True, folder=tmp_path / "store")
    first_write = next(place for place, what in enumerate(board.log) if what.startswith("write"))
    assert "read sluice_drive.py" in board.log[:first_write]
    assert board.files == {"sluice_drive.py": b"new", "parts/table.mpy": b"table", "main.py": b"keep"}
    assert not any(name.endswith(".new") for name in board.files)
    restore()
    assert board.files == OLD
    assert not (backup_of(rig(board), tmp_path / "store") / INDEX).exists()


def test_without_restore_the_new_one_stays_and_the_backup_goes(new, tmp_path):
    board = FakeBoard(OLD)
    forget = exchange(rig(board), new, restore=False, folder=tmp_path / "store")
    forget()
    assert board.files["sluice_drive.py"] == b"new"
    with pytest.raises(UsageError, match="no backup of an earlier firmware of this board; nothing was changed"):
        exchange(rig(board), None, restore=True, folder=tmp_path / "store")


def test_what_is_held_neither_goes_back_nor_loses_its_backup_by_itself(new, tmp_path):
    board = FakeBoard(OLD)
    assert exchange(rig(board), new, restore=False, hold=True, folder=tmp_path / "store") is None
    assert board.files["sluice_drive.py"] == b"new"
    exchange(rig(board), None, restore=True, folder=tmp_path / "store")
    assert board.files == OLD


@pytest.mark.parametrize("calls", range(1, 16))
def test_after_a_kill_at_any_call_restore_alone_brings_it_back(new, tmp_path, calls):
    board = FakeBoard(OLD)
    board.left = calls
    with contextlib.suppress(LinkError):
        exchange(rig(board), new, restore=True, folder=tmp_path / "store")
    board.left = 10**9
    if (backup_of(rig(board), tmp_path / "store") / INDEX).exists():
        assert exchange(rig(board), None, restore=True, folder=tmp_path / "store") is None
        assert board.files == OLD
    else:  # killed before anything was written
        assert board.files == OLD


def test_a_second_exchange_keeps_the_backup_of_the_first(new, tmp_path):
    board = FakeBoard(OLD)
    exchange(rig(board), new, restore=True, folder=tmp_path / "store")
    (new / "sluice_drive.py").write_bytes(b"newer")
    exchange(rig(board), new, restore=True, folder=tmp_path / "store")()
    assert board.files["sluice_drive.py"] == b"old"


def test_a_second_exchange_saves_what_the_first_did_not_touch(new, tmp_path):
    board = FakeBoard({**OLD, "extra.py": b"old extra"})
    exchange(rig(board), new, restore=True, folder=tmp_path / "store")
    (new / "extra.py").write_bytes(b"new extra")
    (new / "more.py").write_bytes(b"more")
    exchange(rig(board), new, restore=True, folder=tmp_path / "store")()
    assert board.files == {**OLD, "extra.py": b"old extra"}


@pytest.mark.parametrize("there", ["sluice_drive.py", "sluice_drive"])
def test_what_the_board_would_never_import_is_refused_before_anything_is_written(tmp_path, there):
    (tmp_path / "sluice_drive.mpy").write_bytes(b"new")
    board = FakeBoard({there: b"old"})
    with pytest.raises(UsageError) as caught:
        exchange(rig(board), tmp_path, restore=False, folder=tmp_path / "store")
    assert str(caught.value) == (
        f"--firmware {tmp_path}: the board holds {there}, which it would import in place of sluice_drive.mpy: "
        "remove it from the board; nothing was changed"
    )
    assert board.files == {there: b"old"}
    (tmp_path / "sluice_drive.py").write_bytes(b"newer")
    if there.endswith(".py"):
        exchange(rig(board), tmp_path, restore=False, folder=tmp_path / "store")
        assert board.files["sluice_drive.py"] == b"newer"


def test_the_hash_is_of_the_file_that_is_imported():
    board = FakeBoard({"sluice_drive.py": b"left over", "sluice_drive/__init__.mpy": b"imported"})
    stub = SimpleNamespace(board=Reading(board), spec=SimpleNamespace(firmware=SimpleNamespace(module="sluice_drive")))
    assert Rig.firmware_sha256(stub) == hashlib.sha256(b"imported").hexdigest()  # type: ignore[arg-type]


class Reading:
    """A board that says so where a file is not there."""

    def __init__(self, board: FakeBoard) -> None:
        self.board = board

    def read_file(self, name: str) -> bytes:
        if name not in self.board.files:
            raise DeviceError("OSError: 2")
        return self.board.files[name]


def test_a_file_that_arrives_damaged_never_takes_its_place(new, tmp_path):
    board = FakeBoard(OLD, damages=True)
    with pytest.raises(BenchError, match="arrived on the board damaged; the old one is still in place"):
        exchange(rig(board), new, restore=True, folder=tmp_path / "store")
    assert board.files["sluice_drive.py"] == b"old"


def test_a_damaged_backup_is_not_written(new, tmp_path):
    board = FakeBoard(OLD)
    exchange(rig(board), new, restore=True, folder=tmp_path / "store")
    saved = next(
        file
        for file in backup_of(rig(board), tmp_path / "store").glob("*.bin")
        if hashlib.sha256(file.read_bytes()).digest() == hashlib.sha256(b"old").digest()
    )
    saved.write_bytes(b"olt")
    with pytest.raises(BenchError, match="the backup of the firmware is damaged; not written to the board"):
        exchange(rig(board), None, restore=True, folder=tmp_path / "store")
    assert board.files["sluice_drive.py"] == b"new"


def test_the_module_of_the_rig_file_must_be_among_the_files(tmp_path):
    (tmp_path / "other.py").write_text("x")
    (tmp_path / "parts").mkdir()
    (tmp_path / "parts" / "table.py").write_text("x")
    with pytest.raises(UsageError, match=r"no sluice_drive.py there, the module that the rig file names"):
        exchange(rig(FakeBoard(OLD)), tmp_path, restore=False, folder=tmp_path / "store")


def test_backups_are_kept_where_a_restart_of_the_machine_leaves_them(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    assert backup_folder() == tmp_path / "rotorgate" / "firmware"


def test_a_backup_that_cannot_be_dropped_is_told(tmp_path):
    backup = tmp_path / "backup"
    assert forget(backup) == "", "there is none"
    (backup / "index.json").mkdir(parents=True)  # no file: nobody can unlink it
    assert forget(backup).startswith(
        f"{backup}: cannot be removed; remove it, or a later --restore takes what it holds"
    )


def test_a_board_with_firmware_that_a_killed_run_left_is_told_of(new, tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    here = rig(FakeBoard({})).spec
    assert left_behind(identity(), here) == ""
    exchange(rig(FakeBoard(OLD)), new, restore=True)
    backup = backup_of(rig(FakeBoard(OLD)))
    assert "`rotorgate qualify RIG --restore` puts back the one from before" in left_behind(identity(), here)
    assert str(backup) in left_behind(identity(), here)
    assert left_behind(identity("cd"), here) == ""
    assert str(backup) in left_behind(identity(), rig(FakeBoard({}), port="/dev/ttyACM1").spec), (
        "a board with an id is itself wherever it is plugged in"
    )
    assert left_behind(identity("", simulated=True), here) == ""
    (kept,) = kept_backups()
    assert kept.line.startswith(f"board ab12 at {PORT}, 2 files, since 20")
    assert kept.line.endswith(f": {backup}")


def test_boards_without_an_id_never_get_what_another_one_held(new, tmp_path):
    nameless = identity("")
    first, second = FakeBoard({"sluice_drive.py": b"first"}), FakeBoard({"sluice_drive.py": b"second"})
    exchange(rig(first, who=nameless, port="/dev/ttyACM0"), new, restore=True, folder=tmp_path)
    exchange(rig(second, who=nameless, port="/dev/ttyACM1"), new, restore=True, folder=tmp_path)
    exchange(rig(second, who=nameless, port="/dev/ttyACM1"), None, restore=True, folder=tmp_path)
    exchange(rig(first, who=nameless, port="/dev/ttyACM0"), None, restore=True, folder=tmp_path)
    assert (first.files, second.files) == ({"sluice_drive.py": b"first"}, {"sluice_drive.py": b"second"})


@pytest.mark.parametrize("found", [{"sluice_drive.py": b"a third"}, {}])
def test_a_board_that_holds_neither_what_was_saved_nor_what_was_put_on_it_is_another_one(new, tmp_path, found):
    exchange(rig(FakeBoard({**OLD, "parts/table.mpy": b"old"})), new, restore=True, folder=tmp_path)
    other = FakeBoard(found)
    with pytest.raises(BenchError, match=r"another parts/table\.mpy than was saved there or put on it"):
        exchange(rig(other), None, restore=True, folder=tmp_path)
    assert other.files == found
    assert not any(what.startswith(("write", "rename", "remove")) for what in other.log)


@pytest.mark.parametrize("who", [identity(""), identity("cd")])
def test_another_board_or_other_firmware_in_its_place_is_never_taken_for_what_a_killed_run_left(new, tmp_path, who):
    """Exchanged, killed, and then a board at the same port, or of the same id, that holds firmware of its own."""
    exchange(rig(FakeBoard(OLD), who=who), new, restore=True, folder=tmp_path)
    own = FakeBoard({"sluice_drive.py": b"its own"})
    with pytest.raises(BenchError, match=r"another .* than was saved there or put on it"):
        exchange(rig(own, who=who), new, restore=True, folder=tmp_path)
    assert own.files == {"sluice_drive.py": b"its own"}


def test_a_board_with_an_id_is_restored_at_whatever_port_it_is_now(new, tmp_path):
    board = FakeBoard(OLD)
    exchange(rig(board, port="/dev/ttyACM0"), new, restore=True, folder=tmp_path)
    exchange(rig(board, port="/dev/ttyACM1"), None, restore=True, folder=tmp_path)
    assert board.files == OLD


def test_how_a_port_is_spelt_makes_no_other_place_of_it(tmp_path):
    (tmp_path / "ttyACM0").write_text("")
    (tmp_path / "by-id").symlink_to(tmp_path / "ttyACM0")
    places = [
        backup_of(rig(FakeBoard({}), who=identity(""), port=str(tmp_path / name)), tmp_path)
        for name in ("by-id", "ttyACM0", "ttyACM1")
    ]
    assert places[0] == places[1] != places[2]


def test_the_name_of_a_simulated_boards_port_is_soon_another_benchs(tmp_path):
    who = identity("", simulated=True)
    clocks = [SimpleNamespace(address=f"tcp://127.0.0.1:{port}") for port in (4001, 4002, 4001)]
    first, second, again = (backup_of(rig(FakeBoard({}), who=who, clock=clock), tmp_path) for clock in clocks)
    assert first == again != second


@pytest.mark.parametrize("name", ["../main.py", "a b/x.py", "/x.py", "parts//x.py"])
def test_no_name_in_a_backup_leads_out_of_where_firmware_lies(tmp_path, name):
    board = FakeBoard(OLD)
    store = backup_of(rig(board), tmp_path)
    store.mkdir(parents=True)
    (store / INDEX).write_text(json.dumps({"files": [{"name": name, "file": None, "sha256": None}]}))
    with pytest.raises(BenchError, match="the backup of the firmware is damaged"):
        exchange(rig(board), None, restore=True, folder=tmp_path)
    assert board.files == OLD


def test_backups_of_real_boards_are_bounded_and_never_dropped_by_themselves(new, tmp_path):
    for number in range(MOST):
        exchange(rig(FakeBoard(OLD), who=identity(f"{number:04x}")), new, restore=True, folder=tmp_path)
    late = FakeBoard(OLD)
    with pytest.raises(BenchError, match=f"from before of {MOST} boards, as many as are kept"):
        exchange(rig(late, who=identity("ffff")), new, restore=True, folder=tmp_path)
    assert late.files == OLD
    assert len(kept_backups(tmp_path)) == MOST
    again = FakeBoard(OLD)
    exchange(rig(again, who=identity("0000")), new, restore=True, folder=tmp_path)
    assert again.files["sluice_drive.py"] == b"new", "one that is there is added to, however many there are"


def test_of_simulated_boards_the_oldest_go(new, tmp_path, monkeypatch):
    times = iter(datetime(2026, 1, 1, tzinfo=UTC) + timedelta(hours=hour) for hour in range(2 * MOST))
    monkeypatch.setattr(backups, "utc_now", lambda: next(times))
    exchange(rig(FakeBoard(OLD)), new, restore=True, folder=tmp_path)
    exchange(rig(FakeBoard({**OLD, "sluice_drive.py": b"new"})), new, restore=True, folder=tmp_path)
    assert kept_backups(tmp_path)[0].since_utc == "2026-01-01T00:00:00+00:00", "since it was saved first"
    for number in range(MOST + 5):
        exchange(rig(FakeBoard(OLD), who=identity(f"{number:04x}", simulated=True)), new, restore=True, folder=tmp_path)
    kept = kept_backups(tmp_path)
    assert [each.board for each in kept] == ["ab12", *(f"{number:04x}" for number in range(6, MOST + 5))]


@pytest.mark.parametrize("text", ["", "[]", "{}", "7", '{"files": 3}', "[" * 5000, '{"files": [{"name": 1}]}'])
def test_a_backup_that_is_damaged_is_listed_and_never_put_back(new, tmp_path, text):
    board = FakeBoard(OLD)
    store = backup_of(rig(board), tmp_path)
    store.mkdir(parents=True)
    (store / INDEX).write_text(text)
    assert [each.place for each in kept_backups(tmp_path)] == [store]
    with pytest.raises(BenchError, match="the backup of the firmware cannot be read"):
        exchange(rig(board), None, restore=True, folder=tmp_path)
    assert board.files == OLD


def test_a_backup_as_it_was_written_before_boards_were_compared_goes_back(tmp_path):
    store = tmp_path / "ab12"  # where it lay then
    store.mkdir(parents=True)
    (store / "0.bin").write_bytes(b"old")
    files = [{"name": "sluice_drive.py", "file": "0.bin", "sha256": hashlib.sha256(b"old").hexdigest()}]
    (store / INDEX).write_text(json.dumps({"schema": 1, "files": files}))
    board = FakeBoard({"sluice_drive.py": b"new"})
    for other in (identity(""), identity("cd"), identity(simulated=True)):
        with pytest.raises(UsageError, match="no backup of an earlier firmware"):
            exchange(rig(board, who=other, port="/dev/ttyACM7"), None, restore=True, folder=tmp_path)
    exchange(rig(board), None, restore=True, folder=tmp_path)
    assert board.files == {"sluice_drive.py": b"old"}
