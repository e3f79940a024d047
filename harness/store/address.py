"""Where a store is: a path (one SQLite file) or the URL of a PostgreSQL database."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Self
from urllib.parse import parse_qsl, urlencode, urlsplit, urlunsplit

from harness.base.errors import StoreError

FILE = "store.sqlite"
"""Name of the store in a folder of runs."""
DEFAULT = f"runs/{FILE}"
SCHEMES = ("postgresql", "postgresql+psycopg")
EXPECTED = "expected the path of a file, or postgresql+psycopg://USER@HOST/DATABASE"
UNREADABLE = f"store: not a valid URL: {EXPECTED}, where : / ? # @ of a password are written %3A %2F %3F %23 %40"
SECRET = ("password", "sslpassword", "passfile")
"""Parts of a PostgreSQL URL's query that are never shown."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Address:
    """A store's place. Either `file` (SQLite) or `url` (PostgreSQL) is set."""

    shown: str
    """As shown to people: without a password."""
    file: Path | None = None
    url: str = ""
    raw: Path | None = None
    """Folder of the raw observations; None: they are kept in the database."""

    @classmethod
    def parse(cls, given: str | Path) -> Self:
        """The address that a person gave. Raises StoreError; nothing is opened."""
        text = str(given)
        if not text or not text.isprintable():
            what = "nothing" if not text else "characters that cannot be printed"
            raise StoreError(f"store: {EXPECTED}, found {what}")
        if "://" in text:
            return cls._of_url(text)
        path = Path(text)
        if path.is_dir():
            raise StoreError(f"store {text}: expected a file, found a folder; name a file in it: {path / FILE}")
        return cls(shown=text, file=path, raw=path.with_name(f"{path.name}.raw"))

    @classmethod
    def _of_url(cls, text: str) -> Self:
        try:
            parts = urlsplit(text)
            query = parse_qsl(parts.query, keep_blank_values=True)
            port = f":{parts.port}" if parts.port is not None else ""
        except ValueError:
            # What urllib says may hold part of a password: neither shown nor chained.
            raise StoreError(UNREADABLE) from None
        if "@" in parts.path:
            raise StoreError(UNREADABLE)
        if parts.scheme not in SCHEMES:
            raise StoreError(f"store: {EXPECTED}, found {parts.scheme}://")
        user = f"{parts.username}@" if parts.username else ""
        hidden = [(key, "***" if key in SECRET else value) for key, value in query]
        shown = urlunsplit(
            ("postgresql", f"{user}{parts.hostname or ''}{port}", parts.path, urlencode(hidden, safe="/*"), "")
        )
        if parts.path in ("", "/"):
            raise StoreError(f"store {shown}: names no database; {EXPECTED}")
        folders = [value for key, value in query if key == "raw"]
        if len(folders) > 1 or folders == [""]:
            raise StoreError(f"store {shown}: raw: expected one folder, found {len([one for one in folders if one])}")
        rest = urlencode([(key, value) for key, value in query if key != "raw"])
        url = urlunsplit((SCHEMES[1], parts.netloc, parts.path, rest, ""))
        return cls(shown=shown, url=url, raw=Path(folders[0]) if folders else None)


def beside(folder: Path) -> Address:
    """The store of the folder that holds a run's: `runs/store.sqlite` for `runs/...`."""
    return Address.parse(folder.parent / FILE)
