"""The public face: exactly these names, sorted, each of them there, and none of them loaded before it is asked for."""

import subprocess
import sys

import harness


def test_public_names_are_these_and_all_there():
    assert harness.__all__ == [
        "Detect", "Expectation", "Measurement", "Outcome", "Quantity", "Record", "RigSpec", "Verdict",
        "agrees", "load", "read",
    ]  # fmt: skip
    assert all(getattr(harness, name) is not None for name in harness.__all__)
    assert not hasattr(harness, "anything_else")


def test_importing_the_package_loads_nothing():
    program = (
        "import sys, harness; sys.exit(repr(sorted(n for n in sys.modules if n.startswith('harness.'))) if any("
        "n.startswith('harness.') or n in ('numpy', 'pydantic') for n in sys.modules) else 0)"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
