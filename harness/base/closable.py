"""What is opened is closed, on every way out."""

from __future__ import annotations

from typing import Self


class Closable:
    """A context manager that closes itself."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close; a second time does nothing."""
        raise NotImplementedError
