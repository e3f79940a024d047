"""Where a store is: a path (one SQLite file) or the URL of a PostgreSQL database.

A URL is of the form that is allowed here or refused: a driver would take more from it than was meant. What looks like a
URL is no path: a slip of the pen would make a file of that name, password and all. No part of a password is shown.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Self
from urllib.parse import parse_qsl, urlencode

from harness.base.addresses import HIGHEST_PORT, HOST
from harness.base.errors import StoreError

FILE = "store.sqlite"
"""Name of the store in a folder of runs."""
DEFAULT = f"runs/{FILE}"
EXPECTED = "expected the path of a file, or postgresql+psycopg://USER@HOST/DATABASE"
UNREADABLE = f"store: not a valid URL: {EXPECTED}, where : / ? # @ of a password are written %3A %2F %3F %23 %40"
_DRIVE = re.compile(r"[A-Za-z]:[\\/](?![\\/])")
_LIKE_URL = re.compile(r"(?P<scheme>[A-Za-z][A-Za-z0-9+.-]*):|[^/\\]*:|.*://|.*:.*@", re.DOTALL)
"""A colon before the first slash, `://`, or an `@` behind a colon, as behind a password."""
_PART = r"[^:/?#@\[\]\s]"
_URL = re.compile(
    rf"postgresql(?:\+psycopg)?://(?P<server>(?:(?P<user>{_PART}+)(?P<password>:{_PART}*)?@)?"
    rf"(?P<host>(?:{HOST})?)(?::(?P<port>[0-9]{{1,5}}))?)(?:/(?P<database>{_PART}*))?(?:\?(?P<query>[^#]*))?"
)
_WORD = re.compile(r"[a-z-]+")
_ANY = re.compile(r".+", re.DOTALL)
PARAMETERS: Mapping[str, re.Pattern[str]] = {
    "raw": re.compile(r".*", re.DOTALL),
    "host": re.compile(rf"{HOST}|/.*"),
    "port": re.compile(r"[0-9]{1,5}"),
    "options": re.compile(r"-c ?search_path=[A-Za-z0-9_]+"),
    "application_name": re.compile(r"[A-Za-z0-9 ._-]{1,63}"),
    "target_session_attrs": _WORD,
    "channel_binding": _WORD,
    "gssencmode": _WORD,
    "sslmode": _WORD,
    "sslrootcert": _ANY,
    "sslcert": _ANY,
    "sslkey": _ANY,
    "sslpassword": _ANY,
    "passfile": _ANY,
    "password": _ANY,
}
"""What may follow the database's name, with its forms: ours (`raw`), and of PostgreSQL's (manual, 34.1.2) those that
say where a server is, which schema is meant, and how it is spoken with in private."""
SHOWN = ("raw", "host", "port", "options", "application_name", "target_session_attrs", "sslmode")
"""Those whose values are shown."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Address:
    """A store's place. Either `file` (SQLite) or `url` (PostgreSQL) is set."""

    shown: str
    """As shown to people: without a password."""
    file: Path | None = None
    url: str = field(default="", repr=False)
    """With its password."""
    raw: Path | None = None
    """Folder of the raw observations; None: they are kept in the database."""

    @classmethod
    def parse(cls, given: str | Path) -> Self:
        """The address that a person gave. Raises StoreError; nothing is opened."""
        text = str(given)
        if not text or not text.isprintable():
            what = "nothing" if not text else "characters that cannot be printed"
            raise StoreError(f"store: {EXPECTED}, found {what}")
        if text.startswith(("postgresql://", "postgresql+psycopg://")):
            return cls._of_url(text)
        like_url = None if _DRIVE.match(text) and "@" not in text else _LIKE_URL.match(text)
        if like_url is not None:
            scheme = like_url["scheme"]
            found = "something like a URL" if scheme is None else f"{scheme}:{'//' if '://' in text else ''}"
            raise StoreError(f"store: {EXPECTED}, found {found}; a path with a colon in it begins with ./ or /")
        path = Path(text)
        if path.is_dir():
            raise StoreError(f"store {text}: expected a file, found a folder; name a file in it: {path / FILE}")
        return cls(shown=text, file=path, raw=path.with_name(f"{path.name}.raw"))

    @classmethod
    def _of_url(cls, text: str) -> Self:
        parts = _URL.fullmatch(text)
        if parts is None or int(parts["port"] or 0) > HIGHEST_PORT:
            raise StoreError(UNREADABLE)
        query = parse_qsl(parts["query"] or "", keep_blank_values=True)
        server = parts["server"].replace(f"{parts['password'] or ''}@", "@", 1)
        place = f"postgresql://{server}/{parts['database'] or ''}".removesuffix("/")
        if any(key not in PARAMETERS for key, _ in query):
            # Not which: it may be a part of a password with a ? in it.
            raise StoreError(f"store {place}: a parameter that is not allowed; those are {', '.join(PARAMETERS)}")
        hidden = [(key, value if key in SHOWN else "***") for key, value in query]
        shown = place + ("?" if query else "") + urlencode(hidden, safe="/*")
        if not parts["database"]:
            raise StoreError(f"store {shown}: names no database; {EXPECTED}")
        folders = [value for key, value in query if key == "raw"]
        if len(folders) > 1 or folders == [""]:
            raise StoreError(f"store {shown}: raw: expected one folder, found {len(list(filter(None, folders)))}")
        for key in dict(query):
            values = [value for other, value in query if other == key]
            if len(values) > 1 or not PARAMETERS[key].fullmatch(values[0]):
                raise StoreError(f"store {place}: {key}: expected one, of the form that PostgreSQL's manual says")
        rest = urlencode([(key, value) for key, value in query if key != "raw"])
        url = f"postgresql+psycopg://{parts['server']}/{parts['database']}" + (f"?{rest}" if rest else "")
        return cls(shown=shown, url=url, raw=Path(folders[0]) if folders else None)


def beside(folder: Path) -> Address:
    """The store of the folder that holds a run's: `runs/store.sqlite` for `runs/...`."""
    return Address.parse((folder.parent / FILE).absolute() if ":" in str(folder) else folder.parent / FILE)
