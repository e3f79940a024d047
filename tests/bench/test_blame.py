"""Whose fault it is: slips of a firmware against its contract end with 1, named, and with no cause beside them.

Each is a change of the demo's firmware and is found by what the contract says, not by where it was made.
"""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest
import serial

from harness.bench.opening import open_rig
from harness.nouns.results import Outcome, VerdictKind
from harness.record import read
from harness.rigfile import load
from tests.bench.conftest import WHOLE_S, environment, rotorgate, stand_alone
from tests.one_motor import rig_of_one

pytestmark = [pytest.mark.board, pytest.mark.slow]

ROOT = Path(__file__).resolve().parents[2]
FIRMWARE = ROOT / "rigs_demo" / "firmware" / "sluice_drive.py"
PASS = "    error = (m.target"
CLOSED = "    m.timer = Timer(-1)\n"
OFF = "    m.enable(0)\n"
CALLBACK = "callback=lambda _: _pass(m)"
QUIET = """\
def _quiet(m):
    try:
        nowhere
    except Exception:
        pass


def declare("""


def slipped(folder: Path, *changes: tuple[str, str]) -> None:
    """The demo's firmware with changes, each at the first place of its text."""
    text = FIRMWARE.read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    folder.mkdir(parents=True)
    (folder / "sluice_drive.py").write_text(text, encoding="utf-8")


@pytest.mark.parametrize(
    ("changes", "check", "name", "words"),
    [
        (
            [(PASS, f"    nowhere\n{PASS}")],
            "stiffness",
            "exception",
            r"the firmware raised NameError: .*nowhere.* \(sluice_drive.py, line 109, in _pass, called from "
            r"sluice_drive.py, line \d+, in <lambda>\)",
        ),
        (
            [(CLOSED, f"    while True:\n        time.sleep_ms(1)\n{CLOSED}")],
            "step",
            "returns",
            r"in conduct: the firmware did not return for \d+ ms: interrupted in sluice_drive.py, line \d+, in start",
        ),
        (
            [(CLOSED, f"    time.sleep_ms(900)\n{CLOSED}")],
            "step",
            "start_time",
            r"in conduct: start took (899|900) ms, 100 allowed",
        ),
        (
            [(PASS, f"    time.sleep_ms(20)\n{PASS}")],
            "stiffness",
            "passes",
            r"in conduct: loop: a pass every 2[01]\d\d\d us, period 1000 us",
        ),
        (
            [(OFF, f"    time.sleep_ms(300)\n{OFF}")],
            "commutation",
            "off_time",
            "in states: off took 300 ms, 100 allowed",
        ),
        (
            [(OFF, f"{OFF}    nowhere\n")],
            "commutation",
            "exception",
            "in states: the firmware raised NameError: .*nowhere.* \\(sluice_drive.py, line 198, in off",
        ),
    ],
    ids=["pass-raises", "start-hangs", "start-late", "pass-long", "off-late", "off-raises"],
)
def test_a_fault_of_the_firmware_ends_with_1_and_is_its_own_cause(tmp_path, changes, check, name, words):
    (tmp_path / "rig.toml").write_text(rig_of_one(), encoding="utf-8")
    slipped(tmp_path / "new", *changes)
    options = ("--only", check, "--seed", "5", "--firmware", "new", "--restore", "--out", "run")
    done = rotorgate("qualify", "rig.toml", *options, cwd=tmp_path)
    assert done.returncode == 1, done.stdout + done.stderr
    record = read(tmp_path / "run")
    [fault] = [verdict for verdict in record.verdicts if verdict.outcome is Outcome.NONCONFORMING]
    assert (fault.name, fault.kind) == (f"leaf.conduct.{name}", VerdictKind.CONDUCT)
    assert re.search(words, fault.reason), fault.reason
    assert f"the firmware is at fault, {fault.name}: {fault.reason}" in done.stdout
    assert (record.causes, record.diagnosis.words, record.stop) == ((), "", None)
    assert "SWITCH" not in done.stdout
    assert not list((tmp_path / "state").rglob("*.json")), "the firmware from before is back"


def test_a_pass_that_raises_unseen_is_told_from_a_loop_that_ignores_its_set_point(tmp_path):
    (tmp_path / "rig.toml").write_text(rig_of_one(), encoding="utf-8")
    slipped(tmp_path / "new", ("def declare(", QUIET), (CALLBACK, "callback=lambda _: _quiet(m)"))
    options = ("--only", "stiffness", "--seed", "5", "--firmware", "new", "--restore", "--out", "run")
    done = rotorgate("qualify", "rig.toml", *options, cwd=tmp_path)
    assert done.returncode == 1, done.stdout + done.stderr
    record = read(tmp_path / "run")
    differs = {verdict.name for verdict in record.verdicts if verdict.outcome is Outcome.DIFFERS}
    assert differs == {"leaf.conduct.following", "leaf.conduct.trace"}
    [cause] = record.causes
    assert cause.words.startswith("leaf: no pass of the loop is seen")


def test_a_start_that_does_not_answer_an_interrupt_is_trouble_of_the_bench(tmp_path):
    (tmp_path / "rig.toml").write_text(rig_of_one(), encoding="utf-8")
    deaf = f"    import micropython\n    micropython.kbd_intr(-1)\n    while True:\n        time.sleep_ms(1)\n{CLOSED}"
    slipped(tmp_path / "new", (CLOSED, deaf))
    options = ("--only", "step", "--seed", "5", "--firmware", "new", "--out", "run")
    done = rotorgate("qualify", "rig.toml", *options, cwd=tmp_path)
    assert done.returncode == 3, done.stdout + done.stderr


@pytest.mark.parametrize("layout", ["helper", "package"])
def test_a_firmware_of_several_modules_is_qualified_as_one_of_a_single_one(tmp_path, layout):
    """The drive in another file than the one that is named: its outputs, too, are set up anew in each script."""
    (tmp_path / "rig.toml").write_text(rig_of_one(), encoding="utf-8")
    text = FIRMWARE.read_text(encoding="utf-8")
    head, declares, rest = text.partition("def declare(")
    names = "_motors, _pass, _put_field, _read, _thermometer"
    helper, named, other = {
        "helper": ("power.py", "sluice_drive.py", "power"),
        "package": ("sluice_drive/power.py", "sluice_drive/__init__.py", "sluice_drive.power"),
    }[layout]
    for file, content in (
        (helper, head),
        (named, f"from {other} import *\nfrom {other} import {names}\n\n\n{declares}{rest}"),
    ):
        path = tmp_path / "new" / file
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(content, encoding="utf-8")
    options = ("--only", "commutation", "stiffness", "--seed", "5", "--firmware", "new", "--restore", "--out", "run")
    done = rotorgate("qualify", "rig.toml", *options, cwd=tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
    outcomes = {verdict.name: verdict.outcome for verdict in read(tmp_path / "run").verdicts}
    assert outcomes["leaf.stiffness.closed_loop"] is Outcome.AGREES


def test_a_firmware_that_runs_from_main_py_is_stopped_and_qualified(tmp_path):
    """A loop closed by main.py, which imported the drive, and its timer at work when the host comes."""
    with stand_alone(tmp_path, "sluice", "--wall-clock") as bench:
        with open_rig(load(bench.rig_file), seed=1) as rig:
            # A pass in 50 ms: a simulated board that runs by the wall clock is slow to answer beside one in 1 ms.
            slow = "d._motors[0].timer.init(period=50, callback=lambda _: d._pass(d._motors[0]))"
            main = f"import time\nimport sluice_drive as d\nd.start(0)\n{slow}\nwhile True:\n time.sleep(1)\n"
            rig.board.write_file("main.py", main.encode())
        with serial.serial_for_url(load(bench.rig_file).board.port, timeout=5.0) as port:
            port.write(b"\x04")  # at the friendly prompt: a soft reset, after which main.py runs
            assert b"soft reboot" in port.read_until(b"soft reboot")
        # A machine that is busy with other tests may be silent for longer than the demo's board allows.
        text = bench.rig_file.read_text(encoding="utf-8")
        bench.rig_file.write_text(text.replace("deadman_s = 0.3", "deadman_s = 2.0"), encoding="utf-8")
        options = ("--only", "commutation", "--seed", "5", "--out", "run")
        done = rotorgate("qualify", str(bench.rig_file), *options, cwd=tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr


def test_inspect_and_pytest_take_a_firmware_too_and_put_the_old_one_back(tmp_path):
    (tmp_path / "rig.toml").write_text(rig_of_one(), encoding="utf-8")
    slipped(tmp_path / "new", ('VERSION = "1.4.0"', 'VERSION = "1.9.0"'))
    slipped(tmp_path / "keyless", ('        "dead_time_ns": 150,\n', ""))
    slipped(tmp_path / "broken", ("def declare(motor):", "def declare(motor:"))
    found = rotorgate("inspect", "rig.toml", "--firmware", "new", cwd=tmp_path)
    assert found.returncode == 0, found.stdout + found.stderr
    assert "firmware sluice_drive 1.9.0, leaf" in found.stdout
    for name, words in (("keyless", "dead_time_ns is missing"), ("broken", "cannot be imported or asked: SyntaxError")):
        found = rotorgate("inspect", "rig.toml", "--firmware", name, cwd=tmp_path)
        assert (found.returncode, words in found.stdout) == (1, True), found.stdout + found.stderr
    assert rotorgate("inspect", "--firmware", "new", cwd=tmp_path).returncode == 4
    command = [sys.executable, "-m", "pytest", "-q", "--rig=rig.toml", "--rig-firmware=new", "--rig-out=run"]
    done = subprocess.run(
        [*command, "--pyargs", "harness.checks", "-k", "direction"],
        cwd=tmp_path, capture_output=True, text=True, check=False, env=environment(tmp_path), timeout=WHOLE_S,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert read(tmp_path / "run").declared["leaf"].version == "1.9.0"
    assert not list((tmp_path / "state").rglob("*.json")), "the firmware from before is back"
