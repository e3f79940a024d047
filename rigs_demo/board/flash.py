"""The board's flash: a temporary folder that outlives resets."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from pathlib import Path


class Flash:
    """Files of the simulated board."""

    def __init__(self, files: Mapping[str, str]) -> None:
        """Create it with `files` (name: text)."""
        self._folder = tempfile.TemporaryDirectory(prefix="rotorgate-flash-")
        self.path = Path(self._folder.name)
        for name, text in files.items():
            target = self.path / name
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_text(text, encoding="utf-8")

    def close(self) -> None:
        """Remove the folder."""
        self._folder.cleanup()
