"""What every instrument has, whatever its class: a session that is named, entered and closed."""

from __future__ import annotations

from harness.base.closable import Closable
from harness.bench.visa import Session


class ConnectedInstrument(Closable):
    """An opened instrument; a context manager that closes its connection."""

    session: Session

    def close(self) -> None:
        """Close the connection."""
        self.session.close()

    @property
    def identity(self) -> str:
        """The *IDN? text."""
        return self.session.identity
