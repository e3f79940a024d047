"""Firmware exchange on the simulated bench's board: a real file system, real renames, and the way back."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import pytest

from harness.base.errors import FirmwareFault
from harness.bench.backups import exists
from harness.bench.exchange import backup_of, exchange
from harness.bench.opening import open_rig
from harness.bench.rig import Rig
from harness.release.trial import restore_or_forget
from harness.rigfile import load
from harness.run.means import Means
from harness.run.session import Settings
from tests.bench.conftest import stand_alone

pytestmark = pytest.mark.board

ROOT = Path(__file__).resolve().parents[2]
SLUICE = ROOT / "rigs_demo" / "rigs" / "sluice.toml"
FIRMWARE = ROOT / "rigs_demo" / "firmware" / "sluice_drive.py"


class Watched:
    """An exchange that notes what is on the board after everything was put back: the bench ends with its host."""

    def __init__(self, path: Path, store: Path) -> None:
        self._path = path
        self._store = store
        self.left = b""

    def __call__(self, rig: Rig) -> Callable[[], None]:
        put_back = exchange(rig, self._path, restore=True, folder=self._store)

        def at_end() -> None:
            put_back()
            self.left = rig.board.read_file("sluice_drive.py")

        return at_end


def test_the_new_firmware_declares_itself_and_the_old_one_comes_back(bench, tmp_path):
    old = FIRMWARE.read_bytes()
    (tmp_path / "new").mkdir()
    (tmp_path / "new" / "sluice_drive.py").write_bytes(old.replace(b"1.4.0", b"1.5.0"))
    watched = Watched(tmp_path / "new", tmp_path / "store")
    with open_rig(load(bench.rig_file), seed=1, before_firmware=watched) as rig:
        assert rig.declared["leaf"].version == "1.5.0"
        assert not rig.supply.output_enabled()
    assert watched.left == old


def test_a_firmware_that_cannot_be_imported_is_put_back(bench, tmp_path):
    (tmp_path / "sluice_drive.py").write_text("this is no Python\n")
    watched = Watched(tmp_path / "sluice_drive.py", tmp_path / "store")
    with (
        pytest.raises(FirmwareFault, match="SyntaxError"),
        open_rig(load(bench.rig_file), seed=1, before_firmware=watched),
    ):
        pass
    assert watched.left == FIRMWARE.read_bytes()


@pytest.mark.parametrize("alone", [True, False])
def test_a_module_that_was_not_there_before_is_taken_off_again_and_nothing_is_asked_of_it(tmp_path, monkeypatch, alone):
    """A refusal is a refusal, whether the board outlives the gate's runs or comes up anew for each, as simulated."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    new = tmp_path / "new" / "own_drive.py"
    new.parent.mkdir()
    new.write_bytes(FIRMWARE.read_bytes())
    with stand_alone(tmp_path, "sluice", *(["--wall-clock"] if alone else [])) as bench:
        text = bench.rig_file.read_text(encoding="utf-8") if alone else SLUICE.read_text(encoding="utf-8")
        rig_file = tmp_path / "own.toml"
        rig_file.write_text(text.replace('module = "sluice_drive"', 'module = "own_drive"'), encoding="utf-8")
        spec = load(rig_file)
        with open_rig(spec, seed=1, before_firmware=lambda rig: exchange(rig, new, restore=False, hold=True)) as rig:
            backup = backup_of(rig)
        session = SimpleNamespace(backup=backup, spec=spec, settings=Settings(rig=rig_file), seed=1, means=Means())
        assert restore_or_forget([session], released=False) == ""  # type: ignore[list-item]
        assert not backup.exists()
        with open_rig(spec, seed=1, ask_firmware=False) as rig:
            assert not exists(rig.board, "own_drive.py")


@pytest.mark.parametrize("released", [False, True])
def test_a_held_firmware_is_put_back_by_a_later_opening_of_the_board_or_forgotten(tmp_path, monkeypatch, released):
    """One bench for any number of users, as a real board is: what a gate does when its runs are over."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    new = tmp_path / "new" / "sluice_drive.py"
    new.parent.mkdir()
    new.write_bytes(FIRMWARE.read_bytes().replace(b"1.4.0", b"1.5.0"))
    with stand_alone(tmp_path, "sluice", "--wall-clock") as bench:
        spec = load(bench.rig_file)
        with open_rig(spec, seed=1, before_firmware=lambda rig: exchange(rig, new, restore=False, hold=True)) as rig:
            backup = backup_of(rig)
        assert (backup / "index.json").exists()
        session = SimpleNamespace(
            backup=backup, spec=spec, settings=Settings(rig=bench.rig_file), seed=1, means=Means()
        )
        assert restore_or_forget([session], released=released) == ""  # type: ignore[list-item]
        assert not backup.exists()
        with open_rig(spec, seed=1) as rig:
            assert rig.declared["leaf"].version == ("1.5.0" if released else "1.4.0")
            assert rig.board.read_file("sluice_drive.py") == (new if released else FIRMWARE).read_bytes()
