"""What every instrument has, whatever its class: a session that is named, entered and closed."""

from __future__ import annotations

from types import TracebackType
from typing import Self

from harness.bench.visa import Session


class Connected:
    """An opened instrument; a context manager that closes its connection."""

    session: Session

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the connection."""
        self.session.close()

    @property
    def identity(self) -> str:
        """The *IDN? text."""
        return self.session.identity
