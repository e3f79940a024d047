"""What imports what in this tree, read from the source: at run time, for types only, and by names that are strings.

Nothing is imported to find this out, so that an import inside a function, or one that only some machines reach, counts
like any other. A package counts for whoever imports something inside it: its `__init__` runs.
"""

from __future__ import annotations

import ast
import re
from collections import deque
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass
from fnmatch import fnmatchcase
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("harness", "rigs_demo", "device_scripts")
FACE = "harness"
"""The public face loads a name when a stranger asks for it. The strings in which it names their homes are no imports of
its own: through their parent package all modules would reach all others. That none of them asks it is a test."""


@dataclass(frozen=True, slots=True)
class Imports:
    """What one module imports by itself, by full name, our own modules and those of others."""

    run_time: frozenset[str]
    types_only: frozenset[str]
    """What stands under `if TYPE_CHECKING:` and is imported nowhere else."""


class Tree:
    """The modules of this tree and what each imports."""

    def __init__(self, root: Path = ROOT) -> None:
        paths = [path for package in PACKAGES for path in sorted((root / package).rglob("*.py"))]
        self.sources = {_name(path.relative_to(root)): path.read_text(encoding="utf-8") for path in paths}
        self.packages = {_name(path.relative_to(root)) for path in paths if path.name == "__init__.py"}
        self.imports = {module: self._read(module) for module in self.sources}

    def with_planted(self, planted: Mapping[str, str]) -> Tree:
        """The same tree with other sources in place of modules, or with modules added."""
        tree = Tree.__new__(Tree)
        tree.sources = {**self.sources, **planted}
        tree.packages = self.packages
        tree.imports = {**self.imports, **{module: tree._read(module) for module in planted}}
        return tree

    def inside(self, *packages: str) -> list[str]:
        """The modules of packages, and these themselves."""
        return sorted(module for module in self.sources if any(lies_in(module, package) for package in packages))

    def runs(self, module: str) -> set[str]:
        """What importing `module` and running it may import directly, parent packages included."""
        names = self.imports[module].run_time | {module}
        return {wanted for name in names for wanted in (name, *parents(name))} - {module}

    def ways(self, inside: Collection[str], unwanted: Callable[[str], bool]) -> list[str]:
        """A shortest way from each module of `inside` that reaches what is `unwanted`, as `a > b > c`."""
        asked_by: dict[str, list[str]] = {}
        for module in self.imports:
            for name in self.runs(module):
                asked_by.setdefault(name, []).append(module)
        nearest = sorted(filter(unwanted, asked_by), key=lambda name: (-name.count("."), name))
        onward = dict.fromkeys(nearest, "")
        waiting = deque(onward)
        while waiting:
            name = waiting.popleft()
            for asking in asked_by.get(name, ()):
                if asking not in onward:
                    onward[asking] = name
                    waiting.append(asking)
        found = []
        for module in sorted(onward.keys() & set(inside)):
            way = [module]
            while onward[way[-1]]:
                way.append(onward[way[-1]])
            found.append(" > ".join(way))
        return found

    def circles(self, package: str) -> list[list[str]]:
        """The groups of modules in a package that each import, by way of the others, themselves."""
        inside = self.inside(package)
        outside = {module: self._beyond(module) for module in inside}
        groups = {
            tuple(other for other in inside if other in outside[module] and module in outside[other])
            for module in inside
        }
        return sorted(list(group) for group in groups if group)

    def _beyond(self, module: str) -> set[str]:
        """What `module` reaches, parent packages left out; itself only where something leads back to it."""
        found: set[str] = set()
        waiting = [module]
        while waiting:
            new = self.imports[waiting.pop()].run_time & self.imports.keys() - found
            found |= new
            waiting += new
        return found

    def _read(self, module: str) -> Imports:
        above = module if module in self.packages else module.rpartition(".")[0]
        run_time: set[str] = set()
        types_only: set[str] = set()
        words: set[str] = set()
        for node, for_types in _nodes(parsed(self.sources[module])):
            if isinstance(node, ast.Import):
                (types_only if for_types else run_time).update(alias.name for alias in node.names)
            elif isinstance(node, ast.ImportFrom):
                (types_only if for_types else run_time).update(self._named_from(node, above))
            elif isinstance(node, ast.Constant | ast.JoinedStr):
                words.update(self._named_in_words(node, above))
        if module != FACE:
            run_time |= words - {module, *parents(module)}
        return Imports(frozenset(run_time), frozenset(types_only - run_time))

    def _named_from(self, node: ast.ImportFrom, above: str) -> Iterator[str]:
        """A module that is imported from its package counts as itself, any other name as the module it is in."""
        start = ".".join(above.split(".")[: 1 - node.level or None]) if node.level else ""
        module = ".".join(part for part in (start, node.module) if part)
        for alias in node.names:
            full = f"{module}.{alias.name}"
            yield full if full in self.sources else module

    def _named_in_words(self, node: ast.Constant | ast.JoinedStr, above: str) -> Iterator[str]:
        """Modules that a string names, whole or but for a part that is left open: whoever has it imports by it."""
        if isinstance(node, ast.JoinedStr):
            pattern = "".join(_pattern(value, above) for value in node.values)
        else:
            words = node.value if isinstance(node.value, str) else ""
            pattern = re.escape(words) + (ANY if words.endswith(".") else "")
        if pattern.startswith(OURS):
            yield from (module for module in self.sources if re.fullmatch(pattern, module))


ANY = r"[\w.]+"
OURS = tuple(re.escape(f"{package}.") for package in PACKAGES)


def lies_in(module: str, place: str) -> bool:
    """Whether a module is `place` or lies in it; a `*` in a part of `place` stands for anything in that part."""
    parts, wanted = module.split("."), place.split(".")
    return len(parts) >= len(wanted) and all(map(fnmatchcase, parts, wanted))


def parents(module: str) -> list[str]:
    """The packages a module lies in, the nearest first."""
    parts = module.split(".")
    return [".".join(parts[:end]) for end in range(len(parts) - 1, 0, -1)]


def _name(path: Path) -> str:
    parts = path.with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


@cache
def parsed(source: str) -> ast.Module:
    """The syntax of a module, parsed once."""
    return ast.parse(source)


def _nodes(tree: ast.Module) -> Iterator[tuple[ast.AST, bool]]:
    """Every node, and whether it is there for type checkers only; strings that are statements are left out."""
    waiting: list[tuple[ast.AST, bool]] = [(tree, False)]
    while waiting:
        node, for_types = waiting.pop()
        yield node, for_types
        if isinstance(node, ast.If) and ast.unparse(node.test) in ("TYPE_CHECKING", "typing.TYPE_CHECKING"):
            waiting += [(child, True) for child in node.body] + [(child, for_types) for child in node.orelse]
        elif isinstance(node, ast.JoinedStr):  # its strings are pieces of one
            waiting += [(child, for_types) for child in node.values if not isinstance(child, ast.Constant)]
        elif not (isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)):
            waiting += [(child, for_types) for child in ast.iter_child_nodes(node)]


def _pattern(value: ast.expr, above: str) -> str:
    """One piece of an f-string as a pattern: a string as it is, `__package__` as what it will be, all else open."""
    if isinstance(value, ast.Constant):
        return re.escape(str(value.value))
    if isinstance(value, ast.FormattedValue) and ast.unparse(value.value) == "__package__":
        return re.escape(above)
    return ANY
