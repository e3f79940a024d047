"""What the harness defines: each type once, nothing that only tests call, no module with two subjects."""

from __future__ import annotations

import ast
import re
from collections import defaultdict
from collections.abc import Iterator, Mapping

import pytest

from tests.software.imports import ROOT, parsed

SOURCES = {
    path.relative_to(ROOT).as_posix(): path.read_text(encoding="utf-8")
    for path in sorted((ROOT / "harness").rglob("*.py"))
}
PAGES = "\n".join(path.read_text(encoding="utf-8") for path in sorted((ROOT / "harness").rglob("*.html")))
TEMPLATES = "\n".join(re.findall(r"{[{%].*?[%}]}", PAGES))
"""What templates ask for."""
LONGEST = 400
"""Lines, from which on there are two subjects (DEVELOPERS.md)."""
OF_EACH_CHECK = {"Stimulus"}
"""Types of which each check has its own."""
FOR_READERS = {
    "harness/nouns/monte_carlo.py: monte_carlo": "what `propagate` names for who finds a contribution of a bend large",
}
"""Used by nobody here, with the reason for which they are there."""
CALLED_BY = re.compile(r"pytest_\w+|test_\w+|__\w+__")
"""Names that somebody else calls: pytest, Python."""
ENTRY = re.compile(r"[\w.]+:\w+")
"""A string that names what a door of its own loads, `module:name`."""


def types(sources: Mapping[str, str]) -> dict[str, list[str]]:
    """Where each class is defined, by its name."""
    found = defaultdict(list)
    for path, source in sources.items():
        for node in ast.walk(parsed(source)):
            if isinstance(node, ast.ClassDef):
                found[node.name].append(path)
    return found


def callables(source: str) -> Iterator[tuple[str, bool]]:
    """Functions and classes of a module, and (true) methods and properties of its classes; what a decorator hands on
    left out."""
    for node in parsed(source).body:
        members = node.body if isinstance(node, ast.ClassDef) else []
        for each in (node, *members):
            if isinstance(each, ast.ClassDef) or (isinstance(each, ast.FunctionDef) and not _handed_on(each)):
                yield each.name, each is not node


def _handed_on(function: ast.FunctionDef) -> bool:
    """Whether a decorator registers it somewhere: a fixture, a validator, a listener."""
    own = {"property", "staticmethod", "classmethod", "cache", "lru_cache", "cached_property", "contextmanager"}
    return any(
        ast.unparse(decorator).partition("(")[0].rpartition(".")[2] not in own for decorator in function.decorator_list
    )


def uses(sources: Mapping[str, str]) -> tuple[set[str], set[str]]:
    """Names that are asked for: by themselves, and of something or in the tables of a class."""
    nodes = [node for source in sources.values() for node in ast.walk(parsed(source))]
    rows = [row for node in nodes if isinstance(node, ast.ClassDef) for row in node.body]
    tables = [node for row in rows if not isinstance(row, ast.FunctionDef) for node in ast.walk(row)]
    of_something = {node.attr for node in nodes if isinstance(node, ast.Attribute)}
    in_tables = {node.id for node in tables if isinstance(node, ast.Name)}
    return {node.id for node in nodes if isinstance(node, ast.Name)}, of_something | in_tables


def idle(sources: Mapping[str, str]) -> set[str]:
    """What nobody asks for, `path: name`. By name alone: a namesake that is asked for hides it."""
    alone, of_something = uses(sources)
    nodes = [node for source in sources.values() for node in ast.walk(parsed(source)) if isinstance(node, ast.Constant)]
    entries = {str(node.value).rpartition(":")[2] for node in nodes if ENTRY.fullmatch(str(node.value))}
    known = of_something | entries | set(re.findall(r"\w+", TEMPLATES))
    return {
        f"{path}: {name}"
        for path, source in sources.items()
        for name, member in callables(source)
        if name not in known | (set() if member else alone) and not CALLED_BY.fullmatch(name)
    }


def test_no_module_has_a_second_subject_by_its_length() -> None:
    lengths = {path: len(source.splitlines()) for path, source in SOURCES.items()}
    assert {path: length for path, length in lengths.items() if length > LONGEST} == {}


def test_the_name_of_a_type_says_one_thing() -> None:
    twice = {name: paths for name, paths in types(SOURCES).items() if len(paths) > 1 and name not in OF_EACH_CHECK}
    assert twice == {}


def test_there_is_nothing_that_only_tests_call() -> None:
    assert idle(SOURCES) == set(FOR_READERS)


@pytest.mark.parametrize("source", ["def alone(): ...", "class Alone: ...", "class Used:\n    def alone(self): ..."])
def test_what_nobody_calls_is_seen(source: str) -> None:
    found = idle({"a.py": f"{source}\nUsed()"})
    assert {word.rpartition(" ")[2].lower() for word in found} == {"alone"}
    assert idle({"a.py": f"{source}\nalone, Alone, Used().alone"}) == set()
