"""What turns with a shaft: its rotor, and an arm by the parallel-axis theorem, as far as the rig file knows them."""

from __future__ import annotations

import re

import pytest

from harness.corrections.inertia import turning
from harness.rigfile import loads
from tests.software.checks.windings import RIG

ROTOR, ARM = 4.6e-5, 1.0e-5 + 0.205 * 0.0300**2


@pytest.mark.parametrize(
    ("left_out", "expected"),
    [
        (r"^$", ROTOR + ARM),
        (r"^\[motor\.leaf\.load\][^\[]*", ROTOR),
        (r"^mass_kg = .*\n", ROTOR),
        (r"^length_m = .*\n", ROTOR),
        (r"^rotor_inertia_kg_m2 = .*\n", None),
    ],
)
def test_what_the_rig_file_knows_is_in_it(left_out: str, expected: float | None) -> None:
    text = re.sub(left_out, "", RIG, flags=re.MULTILINE)
    found = turning(loads(text.encode(), "rig.toml"), "leaf")
    assert (None if found is None else found.value) == (None if expected is None else pytest.approx(expected))
