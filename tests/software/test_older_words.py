"""Words of earlier versions are read where a rig file, a record or a store says them, and stand nowhere else."""

from __future__ import annotations

import random
import re
import subprocess
from pathlib import Path

import pytest

from harness.bench.simulated import scenario_of
from harness.record import read
from harness.rigfile import loads
from rigs_demo.streams import stream_of

ROOT = Path(__file__).parents[2]
OLDER = ROOT / "tests" / "software" / "record" / "schema_1_of_2026_11_29"
SLUICE = (ROOT / "rigs_demo" / "rigs" / "sluice.toml").read_text(encoding="utf-8")
READ_OR_OLD = re.compile(
    r"harness/record/older\.py|tests/software/test_older_words\.py|tests/software/record/(schema_1_|test_older)|"
    r"tests/software/store/version_1\.sql|tests/software/record/store"
)
OTHERWISE = re.compile(r"^OLDER_\w+ = |\(-1: virtual\)|virtual environment|virtualenv")
"""The name under which what is old is read; a term of MicroPython's timers; Python's environments."""


def test_a_rig_file_with_the_older_scheme_is_read() -> None:
    spec = loads(SLUICE.replace("simulated:", "virtual:").encode(), "sluice.toml")
    assert scenario_of(spec) == "sluice"
    assert spec.instrument["supply"].address == "virtual:sluice/supply"


def test_a_record_of_schema_1_says_that_it_is_simulated_in_todays_words() -> None:
    record = read(OLDER)
    assert record.simulated is True
    assert b'"virtual": true' in record.data, "the file itself is never rewritten"
    assert record.risk.runs_sharing_risk >= 1


def files() -> list[str]:
    done = subprocess.run(
        ["git", "ls-files", "-co", "--exclude-standard"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    if done.returncode:
        pytest.skip("no git here to list the files")
    names = done.stdout.splitlines()
    # Whatever a person calls the environment in a clone, its files are Python's.
    environments = tuple(name.removesuffix("pyvenv.cfg") for name in names if name.endswith("/pyvenv.cfg"))
    return [name for name in names if not READ_OR_OLD.match(name) and not name.startswith(environments)]


def test_the_older_word_stands_nowhere_else() -> None:
    found = []
    for name in files():
        path = ROOT / name
        if "virtual" in name:
            found.append(name)
        try:
            lines = path.read_text(encoding="utf-8").splitlines()
        except (UnicodeDecodeError, OSError):
            continue
        found += [
            f"{name}: {line.strip()[:80]}" for line in lines if "virtual" in line.lower() and not OTHERWISE.search(line)
        ]
    assert found == []


@pytest.mark.parametrize("name", ["run 1 leaf", "plant 7 motor.leaf.resistance_ohm", "run 3 meter_leaf.voltage"])
def test_streams_of_noise_are_those_from_before_the_motor_had_its_name(name: str) -> None:
    assert stream_of(name).random() == random.Random(name.replace("leaf", "gate")).random()
