"""A rig file that says less: what it leaves out widens what needs it, or is asked for; never a number that is wrong.

Each key that may be left out is left out in turn. Most are of the analysis alone, which goes over the observations of
one run again; those that a procedure goes by are left out of a run of their own.
"""

from __future__ import annotations

import json
import math
import re
import subprocess
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import pytest

from harness.base.errors import MeasurementError
from harness.checks.registry import check_named
from harness.nouns.coverage import interval
from harness.nouns.names import Name
from harness.nouns.quantity import Quantity
from harness.nouns.results import Measurement, Unmeasured
from harness.record import Record, read
from harness.rigfile import RigSpec, loads
from harness.run.judge_again import groups
from tests.bench.conftest import rotorgate
from tests.conftest import is_quick
from tests.results import ROOT

pytestmark = pytest.mark.slow
RIGS = ("sluice", "handwheel")
COVERED = 0.999
"""Of the intervals that must hold the true value: one in a thousand of some thousands may not by chance, which is the
same chance on every run (arbitrary)."""
ANGLES = ("offset", "hang_reading")
NO_INPUT = ("rig", "board", "limits", "detect", "requirements", "clock")
"""Sections in which no input of a formula stands."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """A qualification of a rig's nominal plant, and its true values."""

    record: Record
    truth: Mapping[str, float]

    def wrong(self, name: str, quantity: Quantity) -> str:
        """What is wrong with a number, "" where its interval holds the true value."""
        if name not in self.truth:
            return ""
        off = quantity.value - self.truth[name]
        if Name(name).quantity in ANGLES:
            off = math.remainder(off, math.tau)
        low, high = interval(quantity, COVERED)
        half = (high - low) / 2.0 + 1e-9 * abs(self.truth[name])
        return "" if abs(off) <= half else f"{name}: {quantity}, truly {self.truth[name]:.5g}"


def qualified(rig_file: Path, scenario: str, folder: Path, *only: str) -> Done:
    """Run it, whatever it ends with."""
    options = ["--seed", "1", "--no-store", "--out", str(folder / "run"), *(("--only", *only) if only else ())]
    done = rotorgate("--quiet", "qualify", str(rig_file), *options, cwd=folder)
    if not (folder / "run/record.json").exists():
        pytest.skip(f"no simulated bench here: {done.stderr.strip()}")
    printed = subprocess.run(
        [sys.executable, "-m", "rigs_demo", "truth", scenario], capture_output=True, text=True, check=True, cwd=ROOT
    )
    truth = {name: entry["value"] for name, entry in json.loads(printed.stdout).items()}
    return Done(record=read(folder / "run"), truth=truth)


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Done]:
    """One run of each rig; filled by `run_of`."""
    return {}


def run_of(rig: str, runs: dict[str, Done], factory: pytest.TempPathFactory) -> Done:
    """The run of a rig as its file is, made once."""
    if rig not in runs:
        runs[rig] = qualified(ROOT / f"rigs_demo/rigs/{rig}.toml", rig, factory.mktemp(rig))
    return runs[rig]


def keys_of(text: str) -> Iterator[tuple[str, int]]:
    """(dotted key, number of its line) of a rig file."""
    section = ""
    for number, line in enumerate(text.splitlines()):
        if line.startswith("["):
            section = line[1:].partition("]")[0]
        elif (found := re.match(r"([a-z_0-9]+) *=", line)) and section.partition(".")[0] not in NO_INPUT:
            yield f"{section}.{found.group(1)}", number


def without(text: str, *keys: str) -> str:
    """A rig file less these keys, or less whole sections of that name."""
    gone = {number for key, number in keys_of(text) if key in keys or key.rpartition(".")[0] in keys}
    lines = [line for number, line in enumerate(text.splitlines()) if number not in gone]
    return "\n".join(line for line in lines if line.strip("[]") not in keys) + "\n"


def optional(rig: str) -> list[str]:
    """Keys and sections of a rig file that it is still whole without."""
    text = (ROOT / f"rigs_demo/rigs/{rig}.toml").read_text(encoding="utf-8")
    sections = ["room", *(f"motor.{motor}.{part}" for motor in ("leaf", "wheel") for part in ("thermal", "load"))]
    found = []
    for key in [*(key for key, _ in keys_of(text)), *sections]:
        try:
            loads(without(text, key).encode(), "less.toml")
        except Exception:  # whatever says that it is needed
            continue
        found.append(key)
    return found


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Every key of every rig; the quick form, which runs none of them, does not look for them."""
    if "key" in metafunc.fixturenames:
        asked = () if is_quick(metafunc.config) else RIGS
        left_out = [(rig, key) for rig in asked for key in optional(rig)]
        metafunc.parametrize(("rig", "key"), left_out, ids=[f"{rig}-{key}" for rig, key in left_out])


def results_by(spec: RigSpec, done: Done, key: str) -> Iterator[tuple[str, Measurement | Unmeasured | str]]:
    """What today's analysis makes of the run by another rig file, for the motor of the key; a whole check's error."""
    for group in groups(done.record):
        if not group.whole or (key.startswith("motor.") and group.motor not in (key.split(".")[1], "together")):
            continue
        try:
            results = check_named(group.check).analysis(group.observations, spec, group.motor)
        except MeasurementError as error:
            yield f"{group.motor}.{group.check}", str(error)
            continue
        for result in results:
            yield result.name, result


def test_what_a_rig_file_leaves_out_is_in_the_budget_or_asked_for(
    rig: str, key: str, runs: dict[str, Done], tmp_path_factory: pytest.TempPathFactory
) -> None:
    done = run_of(rig, runs, tmp_path_factory)
    spec = loads(without(done.record.spec.text, key).encode(), "less.toml")
    wrong, count = [], 0
    for name, result in results_by(spec, done, key):
        if isinstance(result, Measurement):
            count += 1
            wrong.append(done.wrong(name, result.quantity))
        elif isinstance(result, str):  # not one number of the check: then it must say which key it needs
            assert key.rpartition(".")[2] in result or "load" in key, (name, result)
    assert [words for words in wrong if words] == []
    assert count > 0


PLACES = ("load.hang_reading_rad", "electrical_offset_rad", "direction")
UNPLACED = {
    "places": tuple(f"motor.{motor}.{key}" for motor in ("leaf", "wheel") for key in PLACES),
    "load": ("motor.leaf.load",),
}
"""Where things are, by which a procedure goes."""


@pytest.mark.parametrize("rig", RIGS)
@pytest.mark.parametrize("left_out", sorted(UNPLACED))
def test_what_a_procedure_goes_by_is_measured_where_the_file_is_silent(rig: str, left_out: str, tmp_path: Path) -> None:
    text = (ROOT / f"rigs_demo/rigs/{rig}.toml").read_text(encoding="utf-8")
    (tmp_path / "less.toml").write_text(without(text, *UNPLACED[left_out]), encoding="utf-8")
    done = qualified(tmp_path / "less.toml", rig, tmp_path, "commutation", "stiffness", "together")
    measurements = done.record.measurements
    found = [done.wrong(name, measurement.quantity) for name, measurement in measurements.items()]
    assert [words for words in found if words] == []
    assert {verdict.outcome.value for verdict in done.record.verdicts}.isdisjoint({"differs", "nonconforming"})
    for observation in done.record.observations():
        if observation.states("hang_rad"):
            hang = done.truth[f"{Name(observation.name).motor}.commutation.hang_reading"]
            assert abs(observation.number("hang_rad") - hang) < 0.1
    if left_out == "load":
        assert "a load pulls on this shaft" in measurements["leaf.commutation.pole_pairs"].note
