"""The pytest plugin, in pytest runs of their own: with fakes for the rig, and with no rig at all."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import xml.etree.ElementTree as ET

import pytest

from harness.store import Store
from tests import warm
from tests.patience import PATIENCE_S
from tests.software.run.fakes import ROOT, SLUICE

RIG = f"--rig={SLUICE}"  # as two words its path would take part in pytest's choice of a root folder

CONFTEST = """
import pytest, sys
sys.path.insert(0, {root!r})
from harness.base.errors import *
from harness.plugin import MEANS
from tests.software.run.fakes import FakeChecks, FakeRig, means_of
checks, rig = FakeChecks({checks}), FakeRig({rig})
@pytest.hookimpl(tryfirst=True)
def pytest_configure(config):
    config.stash[MEANS] = means_of(checks, rig, {opening})
def pytest_unconfigure(config):
    print("EVENTS", rig.events, "RAN", checks.ran)
"""

OWN_TEST = """
import pytest
from harness import agrees

@pytest.mark.bench
def test_own(rig, measured, expectation):
    delay = measured("leaf", "step.delay")
    assert agrees(delay, expectation("leaf", "step.delay"))
    assert delay.value < 2e-3
"""


@pytest.fixture
def run(tmp_path, monkeypatch):
    def of(
        *words: str,
        checks: str = "",
        rig: str = "",
        opening: str = "None",
        files: dict[str, str] | None = None,
        plugins: tuple[str, ...] = (),
        fakes: bool = True,
        ini: str = "",
    ) -> subprocess.CompletedProcess[str]:
        if fakes:
            made = CONFTEST.format(root=str(ROOT), checks=checks, rig=rig, opening=opening)
            (tmp_path / "conftest.py").write_text(made)
        for name, text in (files or {}).items():
            (tmp_path / name).write_text(text)
        (tmp_path / "pytest.ini").write_text("[pytest]\n" + ini)
        environment = {**os.environ, "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1", "PYTHONPATH": str(ROOT)}
        environment.pop("PYTEST_ADDOPTS", None)
        chosen = [word for name in ("harness.plugin", *plugins) for word in ("-p", name)]
        return warm.run("pytest", [*chosen, "-p", "no:cacheprovider", *words], tmp_path, environment, PATIENCE_S)

    return of


def test_own_tests_measure_what_they_need_first_and_only_that(run):
    done = run(RIG, "--rig-out", "out", "test_own.py", files={"test_own.py": OWN_TEST})
    assert done.returncode == 0, done.stdout
    assert "RAN ['leaf.states', 'wheel.states', 'leaf.commutation', 'leaf.conduct', 'leaf.step']" in done.stdout
    assert "sluice (SIMULATED): " in done.stdout
    assert "record out, report out/report.html" in done.stdout
    assert "'make safe', 'closed'" in done.stdout


def test_a_failing_comparison_prints_measured_expected_uncertainty_and_margin(run):
    done = run(RIG, "test_own.py", checks="changes={'leaf.step.delay': 1.5e-3}", files={"test_own.py": OWN_TEST})
    assert done.returncode == 1
    for words in ("measured 0.0015", "expected 0.001", "u = ", "margin "):
        assert words in done.stdout, done.stdout


def test_without_a_rig_bench_tests_are_skipped_with_the_reason(run):
    done = run("-rs", files={"test_own.py": OWN_TEST}, fakes=False)
    assert done.returncode == 0
    assert "needs a rig: give --rig=FILE" in done.stdout
    assert "1 skipped" in done.stdout


def test_without_the_instrument_a_test_is_skipped_with_what_to_add(run):
    files = {
        "test_own.py": "def test_a(supply): pass\ndef test_b(thermometer): pass\n"
        "def test_c(multimeter): multimeter('leaf')\n"
    }
    done = run("-rs", RIG, "test_own.py", rig="has=()", files=files)
    assert "3 skipped" in done.stdout
    for words in ("no supply: add an", "no thermometer: add an", "no multimeter at leaf: add one"):
        assert words in done.stdout


def test_shipped_checks_join_only_when_no_path_is_given(run):
    files = {"test_own.py": OWN_TEST}
    done = run(RIG, "--co", "-q", files=files)
    assert "test_own.py::test_own" in done.stdout
    assert "test_quantity[wheel.thermal.rise]" in done.stdout
    done = run(RIG, "--co", "-q", "test_own.py", files=files)
    assert "1 test collected" in done.stdout
    done = run("--co", "-q", "test_own.py", files=files, ini=f"rotorgate_rig = {SLUICE}\n")
    assert "1 test collected" in done.stdout
    done = run("--co", "-q", files=files, ini=f"rotorgate_rig = {SLUICE}\n")
    assert "1 test collected" in done.stdout  # named in the ini only: nothing moves unless a test asks for it
    done = run("--pyargs", "harness.checks", RIG, "--co", "-q")
    assert "19 tests collected" in done.stdout


def test_verdicts_become_outcomes(run, tmp_path):
    done = run(
        RIG,
        "--rig-out",
        "out",
        "--junitxml",
        "junit.xml",
        "--pyargs",
        "harness.checks",
        checks="changes={'leaf.stiffness.open_loop': 1.4, 'leaf.thermal.rise': 60.0}, "
        "raises={'leaf.step': MeasurementError('nothing moved'), 'wheel.step': MissingCapability('add a trace hook')}",
    )
    assert done.returncode == 1, done.stdout
    assert "leaf.stiffness.open_loop: differs" in done.stdout
    cases = {case.get("name"): case for case in ET.parse(tmp_path / "junit.xml").getroot().iter("testcase")}
    assert len(cases) == 19

    def message(name: str, kind: str) -> str:
        found = cases[name].find(kind)
        assert found is not None, ET.tostring(cases[name])
        return found.get("message", "")

    stiffness = "test_quantity[leaf.stiffness.open_loop]"
    assert "Differs: leaf.stiffness.open_loop: differs" in message(stiffness, "failure")
    assert "CannotTell: leaf.step.delay: cannot tell" in message("test_quantity[leaf.step.delay]", "failure")
    assert "Differs" in message("test_quantity[leaf.thermal.rise]", "failure")
    assert "not run: add a trace hook" in message("test_quantity[wheel.step.delay]", "skipped")
    properties = {entry.get("name"): entry.get("value") for entry in cases[stiffness].iter("property")}
    assert properties["bench"] == "SIMULATED"
    assert properties["verdict"] == "differs"


def test_bench_trouble_is_an_error_not_a_failure(run):
    done = run(RIG, "--pyargs", "harness.checks", checks="raises={'leaf.step': InstrumentError('silent')}")
    assert done.returncode == 1
    assert "1 error" in done.stdout
    assert "failed" not in done.stdout.splitlines()[-1]
    assert "'make safe'" in done.stdout


def test_where_making_safe_fails_the_summary_begins_with_the_order_to_a_person(run):
    done = run(
        RIG,
        "test_own.py",
        checks="raises={'leaf.commutation': InstrumentError('supply: silent')}",
        rig="unsafe={'supply off': 'supply: silent'}",
        files={"test_own.py": OWN_TEST},
    )
    words = (
        r"=+ rotorgate =+\nSWITCH THE POWER OFF BY HAND: supply may still be on \(supply off FAILED: supply: silent\)\n"
    )
    assert re.search(words, done.stdout), done.stdout
    assert (
        done.stderr.strip()
        == "SWITCH THE POWER OFF BY HAND: supply may still be on (supply off FAILED: supply: silent)"
    )


def test_a_stop_by_the_board_is_a_failure(run):
    done = run(RIG, "--pyargs", "harness.checks", checks="raises={'leaf.step': StoppedByBoard('too fast')}")
    assert "1 failed" in done.stdout
    assert "Nonconforming" in done.stdout
    assert "too fast" in done.stdout
    assert "error" not in done.stdout.splitlines()[-1]


def test_a_stop_by_the_board_fails_the_test_that_asked_for_a_number(run):
    files = {
        "test_own.py": "def test_a(measured): measured('leaf', 'step.delay')\n"
        "def test_b(measured): measured('leaf', 'thermal.rise')\n"
        "def test_c(measured): measured('wheel', 'step.delay')\n"
    }
    done = run(RIG, "test_own.py", files=files, checks="raises={'leaf.step': StoppedByBoard('too fast')}")
    assert "1 failed, 1 passed, 1 skipped" in done.stdout
    assert "leaf.step.limits: nonconforming" in done.stdout


def test_what_cannot_be_told_fails_the_test_that_asked_and_says_so(run, tmp_path):
    files = {
        "test_own.py": "def test_a(measured): measured('leaf', 'step.delay')\n"
        "def test_b(measured): measured('wheel', 'step.delay')\n"
    }
    done = run(
        RIG,
        "test_own.py",
        "--junitxml",
        "junit.xml",
        files=files,
        checks="raises={'leaf.step': MeasurementError('nothing moved'), 'wheel.step': MissingCapability('add a hook')}",
    )
    assert "1 failed, 1 skipped" in done.stdout
    (failure,) = ET.parse(tmp_path / "junit.xml").getroot().iter("failure")
    message = failure.get("message", "")
    assert "CannotTell: leaf.step.delay: cannot tell; " in message and "(nothing moved)" in message
    (skipped,) = ET.parse(tmp_path / "junit.xml").getroot().iter("skipped")
    assert skipped.get("message") == "wheel.step.delay: not run: add a hook"


def test_a_quantity_too_wide_for_what_the_rig_file_must_see_does_not_agree(run):
    done = run(RIG, "test_own.py", checks="widths={'leaf.step.delay': 0.5e-3}", files={"test_own.py": OWN_TEST})
    assert "1 failed" in done.stdout, done.stdout
    assert "leaf.step.delay: cannot tell; measured 0.001 " in done.stdout
    assert "must see 0.0012" in done.stdout


@pytest.mark.skipif(not __import__("importlib").util.find_spec("xdist"), reason="needs pytest-xdist")
def test_several_workers_on_one_rig_are_refused_before_anything(run):
    done = run("-n", "2", RIG, plugins=("xdist",))
    assert done.returncode == 4
    assert "--rig: one rig serves one process; leave out -n (nothing was energised)" in done.stderr + done.stdout
    assert "'open" not in done.stdout


def test_a_bad_rig_file_is_wrong_use(run, tmp_path):
    (tmp_path / "bad.toml").write_text("schema = 1\n")
    done = run("--rig", "bad.toml", "--pyargs", "harness.checks")
    assert done.returncode == 4
    assert "bad.toml: rig: missing section; add [rig]" in done.stderr + done.stdout
    assert "Traceback" not in done.stderr + done.stdout


def test_an_unknown_quantity_or_motor_is_named(run):
    files = {
        "test_own.py": "def test_a(measured): measured('leaf', 'step.dleay')\n"
        "def test_b(measured): measured('leaves', 'step.delay')\n"
    }
    done = run(RIG, "test_own.py", files=files)
    assert "\nno quantity 'step.dleay'; the nearest is 'step.delay'\n" in done.stdout
    assert "plugin.py" not in done.stdout
    assert "Error" not in done.stdout
    assert "no motor 'leaves' on this rig; there are leaf, wheel" in done.stdout


def test_sigterm_closes_the_rig(run, tmp_path):
    if os.name != "posix":
        pytest.skip("POSIX signals")
    files = {
        "test_own.py": "import os, signal\n"
        "def test_a(rig): os.kill(os.getpid(), signal.SIGTERM)\ndef test_b(rig): pass\n"
    }
    done = run(RIG, "--rig-out", "out", "test_own.py", files=files)
    assert done.returncode == 2, done.stdout
    assert "'make safe', 'closed'" in done.stdout
    assert (tmp_path / "out" / "report.html").exists()


@pytest.mark.parametrize("words", [(), ("--rigs=pool.toml",)])
def test_a_firmware_without_one_rig_to_put_it_on_is_wrong_use(tmp_path, words):
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "harness.plugin", "--rig-firmware=new", *words],
        cwd=tmp_path, capture_output=True, text=True, check=False,
        env={**os.environ, "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"},
    )  # fmt: skip
    assert done.returncode == 4
    assert "--rig-firmware: expected one rig to put it on: give --rig=FILE" in done.stderr


def test_switched_off_nothing_is_registered(tmp_path):
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "no:rotorgate", "--rig", "x"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 4
    assert "unrecognized arguments: --rig" in done.stderr


def test_the_plugin_loads_nothing_heavy():
    heavy = ["numpy", "scipy", "pyvisa", "serial", "pydantic", "jinja2", "rich", "filelock", "harness.run.session"]
    program = (
        "import sys, pytest\nbefore = set(sys.modules)\nimport harness.plugin\n"
        f"found = [name for name in {heavy!r} if name in sys.modules and name not in before]\n"
        "print(len(set(sys.modules) - before))\nsys.exit(repr(found) if found else 0)\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert int(done.stdout) < 15


def test_a_run_without_a_rig_stays_light(tmp_path):
    (tmp_path / "test_light.py").write_text(
        "import sys\ndef test_light():\n"
        "    assert not {'numpy', 'scipy', 'pyvisa', 'serial', 'pydantic', 'jinja2', 'rich'} & set(sys.modules)\n"
    )
    environment = {**os.environ, "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"}
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "harness.plugin", "-p", "no:cacheprovider"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
        env=environment,
    )
    assert done.returncode == 0, done.stdout


def test_a_gauge_too_coarse_for_a_requirement_fails_and_says_so(run, tmp_path):
    entry = {"name": "leaf.thermal.rise", "grr": 5.0, "mean": 40.0, "largest": "", "binding": True}
    with Store.open(tmp_path / "store.sqlite", make=True) as store:
        store.studies.add("gauge", "sluice", True, {"quantities": [entry], "instruments": []})
    done = run(RIG, "--rig-out", "out", "--pyargs", "harness.checks", "-k", "thermal")
    assert done.returncode == 1, done.stdout
    assert "1 failed, 1 passed" in done.stdout
    assert "undecided" in done.stdout
    assert "the gauge takes 75 % of the tolerance (study 1 of" in done.stdout


@pytest.mark.parametrize("asked", ["shipped", "own"])
def test_a_bench_that_cannot_be_opened_is_one_line(run, asked):
    words = "/dev/ttyNONE: no such port; look at the cable"
    files = {"test_own.py": "def test_free(): pass\n" + "".join(f"def test_{n}(rig): pass\n" for n in range(20))}
    chosen = ("--pyargs", "harness.checks") if asked == "shipped" else ("test_own.py",)
    done = run(RIG, "--rig-out", "out", *chosen, files=files, opening=f"LinkError({words!r})")
    assert done.returncode == 1
    assert "1 error" in done.stdout and "skipped" in done.stdout
    assert "Traceback" not in done.stdout and "session.py" not in done.stdout
    assert sum(words in line for line in done.stdout.splitlines()) <= 2  # with pytest's own short summary
    assert len(done.stdout.splitlines()) < 25, done.stdout


def junit(tmp_path, name):
    (suite,) = ET.parse(tmp_path / "junit.xml").getroot().iter("testsuite")
    (case,) = [case for case in suite.iter("testcase") if case.get("name") == name]
    properties = {entry.get("name"): entry.get("value") for entry in case.iter("property")}
    return properties, [entry.get("value") for entry in suite.findall("./properties/property")]


def test_junit_carries_value_uncertainty_expectation_margin_and_cause(run, tmp_path):
    words = ("--junitxml", "junit.xml", "--rig-out", "out")
    done = run(RIG, *words, "--pyargs", "harness.checks", checks="changes={'leaf.stiffness.closed_loop': 1.0}")
    assert done.returncode == 1, done.stdout
    carried, causes = junit(tmp_path, "test_quantity[leaf.stiffness.closed_loop]")
    assert carried["verdict"] == "differs"
    assert carried["unit"] == "1"
    assert (float(carried["value"]), float(carried["expectation"])) == (1.0, 2.0)
    assert 0.0 < float(carried["uncertainty"]) < 0.1
    assert float(carried["margin"]) < 0.0
    assert "off" in carried["reason"]
    assert any("loop gain" in cause for cause in causes), causes


def test_junit_of_a_requirement_says_its_limit_and_margin(run, tmp_path):
    run(RIG, "--junitxml", "junit.xml", "--rig-out", "out", "--pyargs", "harness.checks", "-k", "thermal")
    carried, _ = junit(tmp_path, "test_quantity[leaf.thermal.rise]")
    assert carried["requirement verdict"] == "conforming"
    assert float(carried["requirement maximum"]) > float(carried["value"])
    assert float(carried["requirement margin"]) > 0.0


def test_junit_of_a_persons_own_test_carries_what_it_asked_for(run, tmp_path):
    files = {"test_own.py": OWN_TEST + "\ndef test_other(): pass\n"}
    done = run(RIG, "--junitxml", "junit.xml", "--rig-out", "out", "test_own.py", files=files)
    assert done.returncode == 0, done.stdout
    carried, _ = junit(tmp_path, "test_own")
    assert float(carried["leaf.step.delay value"]) == pytest.approx(1e-3)
    assert carried["leaf.step.delay verdict"] == "agrees"
    assert junit(tmp_path, "test_other")[0] == {}


def test_a_failing_comparison_is_short_and_two_quantities_are_not_one(run):
    files = {
        "test_own.py": "from harness import agrees\n"
        "def test_a(measured, expectation):\n"
        "    assert agrees(measured('leaf', 'step.delay'), expectation('wheel', 'step.delay'))\n"
        "def test_b(measured, expectation):\n"
        "    assert agrees(measured('leaf', 'step.delay'), expectation('leaf', 'step.delay'))\n"
    }
    done = run(RIG, "test_own.py", files=files, checks="changes={'leaf.step.delay': 1.5e-3}")
    assert "found leaf.step.delay measured and wheel.step.delay expected" in done.stdout
    assert "<leaf.step.delay: 0.0015 1 (u = " in done.stdout
    assert "Contribution(" not in done.stdout
