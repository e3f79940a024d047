"""The device scripts that are shipped with the harness."""

from __future__ import annotations

from importlib.resources import files


def device_scripts() -> dict[str, bytes]:
    """The shipped device scripts: name -> content."""
    folder = files("device_scripts")
    return {
        entry.name: entry.read_bytes()
        for entry in sorted(folder.iterdir(), key=lambda entry: entry.name)
        if entry.name.endswith(".py") and entry.name != "__init__.py"
    }
