"""Which release of what is running."""

from __future__ import annotations

import sys
from importlib.metadata import PackageNotFoundError, version

LIBRARIES = ("numpy", "scipy", "pyvisa", "pyvisa-py", "pyserial", "pydantic", "pytest")
"""Those that a number may depend on."""


def version_of(package: str) -> str:
    """Installed version of a package."""
    try:
        return version(package)
    except PackageNotFoundError:
        return "not installed"


def versions() -> dict[str, str]:
    """Of Python and of the libraries."""
    return {"python": sys.version.split()[0], **{name: version_of(name) for name in LIBRARIES}}
