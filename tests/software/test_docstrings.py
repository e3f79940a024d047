"""Docstrings of the numerics: their examples run, and every parameter is explained."""

from __future__ import annotations

import ast
import doctest
import re
from collections.abc import Iterator
from functools import cache
from importlib import import_module
from pathlib import Path

import pytest

from tests.results import ROOT

HARNESS = ROOT / "harness"
ROOMS = ("nouns", "fits", "corrections", "physics")
"""Rooms whose parameters are all explained."""
WITH_EXAMPLES = (
    "base.words", "nouns.names", "nouns.standing",
    "nouns.quantity", "nouns.coverage", "nouns.monte_carlo", "corrections.cogging", "fits.field_fit", "fits.pulse",
    "fits.regression",
    "fits.sliding", "fits.swings", "corrections.dead_time", "corrections.resistance", "physics.drive",
    "physics.holding", "physics.motor", "physics.swing", "compare.between", "compare.difference", "compare.drift",
    "compare.runlength", "study.anova", "study.limits", "lot.capability",
)  # fmt: skip
"""Modules whose functions a reader tries out."""
OF_A_BENCH = {"RigSpec", "Observation", "Record", "Sweep", "FieldFit", "Measurement", "Word", "Terms", "BaselineLevel"}
"""Types that no example builds in a line: what takes one is shown by its tests."""
EVIDENT = {
    "motor": "a motor's name in the rig file",
    "unit": "an SI unit as text, `1` for a ratio",
    "source": "the name under which an uncertainty stands in a budget",
    "remedy": "what would shrink an uncertainty, in a few words",
}
"""Names that mean the same everywhere."""
UNITS = (
    "s",
    "rad",
    "rad_s",
    "hz",
    "v",
    "a",
    "ohm",
    "h",
    "v_s",
    "n_m",
    "n_m_s",
    "kg",
    "m",
    "kg_m2",
    "m_s2",
    "c",
    "k",
    "w",
)
SUFFIX = re.compile(rf"_(?:{'|'.join(UNITS)})$")


@pytest.mark.parametrize("module", WITH_EXAMPLES)
def test_examples_run(module: str) -> None:
    found = doctest.testmod(import_module(f"harness.{module}"))
    assert found.attempted > 0, "an example is expected"
    assert found.failed == 0


@pytest.mark.parametrize("module", WITH_EXAMPLES)
def test_every_function_that_takes_plain_things_has_one(module: str) -> None:
    path = HARNESS.joinpath(*module.split(".")).with_suffix(".py")
    without = [
        name
        for name, function in functions(path)
        if "." not in name and ">>>" not in (ast.get_docstring(function) or "") and not OF_A_BENCH & types_in(function)
    ]
    assert without == []


def types_in(function: ast.FunctionDef) -> set[str]:
    """Names in the types of its parameters."""
    return set(re.findall(r"\w+", ast.unparse(function.args)))


@cache
def classes() -> set[str]:
    """Names of all classes of the harness: a parameter of such a type is explained by its class."""
    trees = (ast.parse(path.read_text(encoding="utf-8")) for path in HARNESS.rglob("*.py"))
    return {node.name for tree in trees for node in ast.walk(tree) if isinstance(node, ast.ClassDef)}


def functions(path: Path) -> Iterator[tuple[str, ast.FunctionDef]]:
    """Public functions of a module, and public methods of its public classes, with their names."""
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        holder = node.body if isinstance(node, ast.ClassDef) and not node.name.startswith("_") else [node]
        prefix = f"{node.name}." if isinstance(node, ast.ClassDef) else ""
        for each in holder:
            if isinstance(each, ast.FunctionDef) and not each.name.startswith("_"):
                yield prefix + each.name, each


def unexplained(function: ast.FunctionDef, known: set[str]) -> list[str]:
    """Parameters of which a reader cannot say what to give.

    Explained is what the docstring calls by its name, or by the words that make it; what ends in a unit; what is of
    the project's own types; and what means the same everywhere.
    """
    docstring = (ast.get_docstring(function) or "").casefold()
    given = function.args
    every = [*given.posonlyargs, *given.args, given.vararg, *given.kwonlyargs, given.kwarg]
    found = []
    for each in every:
        if each is None or each.arg in {"self", "cls"} or each.arg in EVIDENT or SUFFIX.search(each.arg):
            continue
        words = re.escape(each.arg.replace("_", " "))
        named = re.search(rf"\b(?:{re.escape(each.arg)}|{words})\b", docstring)
        types = set(re.findall(r"\w+", ast.unparse(each.annotation))) if each.annotation is not None else set()
        if not named and not types & known:
            found.append(each.arg)
    return found


@pytest.mark.parametrize("room", ROOMS)
def test_every_parameter_is_explained(room: str) -> None:
    known = classes()
    missing = {
        f"{path.relative_to(HARNESS)}: {name}": names
        for path in sorted((HARNESS / room).rglob("*.py"))
        for name, function in functions(path)
        if (names := unexplained(function, known))
    }
    assert not missing


@pytest.mark.parametrize(
    ("source", "missing"),
    [
        ("def f(size: float): ...", ["size"]),
        ('def f(size: float):\n    "Of a step of this size."', []),
        ('def f(size: float):\n    "Resized."', ["size"]),
        ('def f(pole_pairs: int):\n    "So many pole pairs."', []),
        ("def f(dead_time_s: float, motor: str): ...", []),
        ("def f(q: Quantity, those: Mapping[str, Quantity], *rest: float): ...", ["rest"]),
    ],
)
def test_what_counts_as_explained(source: str, missing: list[str]) -> None:
    (function,) = ast.parse(source).body
    assert isinstance(function, ast.FunctionDef)
    assert unexplained(function, {"Quantity"}) == missing
