"""One corpus of strings that mean something to whatever shows, keeps or reads them; every output is tested with all."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

CORPUS = Path(__file__).with_name("hostile.toml")
_FILE = tomllib.loads(CORPUS.read_text(encoding="utf-8"))
STRINGS: Mapping[str, str] = _FILE["strings"]
HOSTILE = pytest.mark.parametrize("words", STRINGS.values(), ids=STRINGS)
Place = tuple[str | int, ...]
ALLOWED_TAGS = frozenset(_FILE["tags"])
"""Of our own pages."""


def texts(value: Any, place: Place = ()) -> Iterator[Place]:
    """Where texts stand in a JSON value."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from texts(inner, (*place, key))
    elif isinstance(value, list):
        for number, inner in enumerate(value):
            yield from texts(inner, (*place, number))
    elif isinstance(value, str):
        yield place


def put(value: Any, place: Place, words: str) -> None:
    """Put words at a place of a JSON value."""
    for step in place[:-1]:
        value = value[step]
    value[place[-1]] = words


class _Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))


def assert_harmless_page(page: str) -> None:
    """Only our tags, no handler, no address that leads out, no character that changes what is shown."""
    hidden = sorted({mark for mark in page if not mark.isprintable() and mark != "\n"})
    assert not hidden, hidden
    tags = _Tags()
    tags.feed(page)
    assert {tag for tag, _ in tags.found} <= ALLOWED_TAGS, {tag for tag, _ in tags.found} - ALLOWED_TAGS
    for tag, attributes in tags.found:
        assert not [name for name in attributes if name.startswith("on") or name in ("src", "action")], attributes
        leads = attributes.get("href")
        assert leads is None or leads.startswith("#") or tag == "a", attributes
        assert leads is None or ":" not in leads.partition("/")[0], attributes


def outside_code(text: str) -> str:
    """A line of Markdown without its spans of code, which stand between spaces (CommonMark 0.31, 6.1)."""
    return re.sub(r"(?:^|(?<= ))(`+)(?!`).*?(?<!`)\1(?= |$)", "", text)


def assert_harmless_text(said: str) -> None:
    """Lines of characters that are seen as they are."""
    assert said.replace("\n", "").isprintable(), sorted({mark for mark in said if not mark.isprintable()})
