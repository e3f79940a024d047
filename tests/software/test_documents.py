"""What documents say of the code is so: their tables, links and paths, the map, the recipes."""

from __future__ import annotations

import ast
import inspect
import re
import struct
from pathlib import Path

import pytest

from harness.checks.catalogue import CHECK_NAMES, CHECKS
from harness.judge.causes import CAUSES
from harness.nouns.contract import PARTS, DeclarationError, parse_declared
from harness.nouns.effects import FREE, HAPPENS, Becomes, Near, OneOf, Shift
from harness.store import tables
from tests.documents import ROOT, TABLES, cell, current, filled
from tests.software.device_scripts.board import Board, Drive
from tests.software.store.test_store import to_next

VERSION = tables.VERSION
DOCUMENTS = sorted(
    path for path in (*ROOT.glob("*.md"), *(ROOT / "harness").rglob("*.md"), *(ROOT / "rigs_demo").rglob("*.md"))
)


@pytest.mark.parametrize("document", TABLES)
def test_tables_are_those_of_the_code(document: str) -> None:
    assert (ROOT / document).read_text(encoding="utf-8") == current(document), (
        "write it anew: python -m tests.documents"
    )


def test_every_cause_part_of_the_contract_and_quantity_has_its_row() -> None:
    causes, contract = current("harness/judge/CAUSES.md"), current("harness/nouns/CONTRACT.md")
    quantities = current("harness/checks/QUANTITIES.md")
    assert [cause.name for cause in CAUSES if f"| {cause.name} |" not in causes] == []
    assert re.findall(r"^## (\w+)$", causes, re.MULTILINE) == list(CHECK_NAMES)
    assert [part.name for part in PARTS if f"| `{part.call}` | {part.meaning} |" not in contract] == []
    assert [
        measurand.name for row in CHECKS for measurand in row.quantities if f"| {measurand.words}" not in quantities
    ] == []


@pytest.mark.parametrize(
    ("effect", "shown"),
    [
        *((None, ""), (0.0, ""), (Near(0.4), ""), (1.0, "^1"), (-0.5, "^-0.5"), (FREE, "any"), (HAPPENS, "stops")),
        *((Shift(), "+ size"), (Shift(-2.0, by="age"), "+ -2 age")),
        (Becomes(lambda _, __: 0.0, "reversed"), "reversed"),
        (OneOf((2, 7)), "2 or 7"),
    ],
)
def test_an_effect_is_shown_in_a_word(effect, shown: str) -> None:
    assert cell(effect) == shown


def test_a_table_keeps_the_words_around_it() -> None:
    text = "before\n<!-- table a -->\nold\n<!-- end -->\nafter <!-- table b -->\n<!-- end -->\n"
    assert filled(text, "a", "| new |") == text.replace("old", "\n| new |\n")
    with pytest.raises(ValueError, match="expected <!-- table c -->"):
        filled(text, "c", "| new |")


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_links_lead_somewhere(document: Path) -> None:
    text = document.read_text(encoding="utf-8")
    headings = {_anchor(words) for words in re.findall(r"^#+ (.*)$", text, re.MULTILINE)}
    for target in re.findall(r"\]\(([^)]+)\)", text):
        assert "://" not in target, f"{target}: documents link to the tree only"
        path, _, anchor = target.partition("#")
        place = document.parent / path  # whether results are there is told by test_results.py
        assert (place.parent if place.name == "RESULTS.md" else place).exists(), target
        assert path or anchor in headings, target


def _anchor(heading: str) -> str:
    """The anchor of a heading: small letters, words joined by hyphens, other signs dropped."""
    return re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-")


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_paths_are_those_of_the_tree(document: Path) -> None:
    text = document.read_text(encoding="utf-8")
    for named in re.findall(r"`((?:harness|rigs_demo|device_scripts|tests)/[^\s`]+|\w+\.py)`", text):
        assert matches(named, document.parent), named


@pytest.mark.parametrize("document", [path for path in DOCUMENTS if path.name == "README.md" and path.parent != ROOT],
                         ids=lambda path: path.parent.name)  # fmt: skip
def test_what_a_room_lists_is_in_it(document: Path) -> None:
    lists = re.findall(r"^    (\S.*?)  +\S.*$", document.read_text(encoding="utf-8"), re.MULTILINE)
    for named in (name for names in lists for name in re.split(r",? ", names)):
        assert [*document.parent.glob(named), *document.parent.glob(f"{named}.py")], named


@pytest.mark.parametrize("room", ["harness", "rigs_demo", "device_scripts", "tests"])
def test_paths_that_sources_name_are_those_of_the_tree(room: str) -> None:
    written = {
        "tests/bench/RESULTS.md",
        "tests/bench/EXAMPLES.md",
        "tests/bench/BREAKS.md",
        "tests/bench/SLIPS.md",
    }  # by scripts that take long
    named = {
        (path.relative_to(ROOT).as_posix(), found)
        for path in (ROOT / room).rglob("*.py")
        for found in re.findall(r"(?<![\w/.])(?:harness|rigs_demo|device_scripts|tests)/[\w/]+\.(?:py|md|toml)",
                                path.read_text(encoding="utf-8"))
    }  # fmt: skip
    assert [(file, found) for file, found in named if found not in written and not (ROOT / found).exists()] == []


def matches(named: str, folder: Path = ROOT) -> list[Path]:
    """Files and folders that a path in a document may mean, `<...>` for any name: from the root, from the document's
    folder, and of a bare name from anywhere."""
    pattern = re.sub(r"<\w+>", "*", named)
    found = [*ROOT.glob(pattern), *folder.glob(pattern)]
    if "/" not in named:
        found += [path for room in ("harness", "device_scripts", "rigs_demo") for path in (ROOT / room).rglob(pattern)]
    return found


def test_an_error_about_the_contract_names_the_document_that_tells_it() -> None:
    with pytest.raises(DeclarationError) as found:
        parse_declared("gate", {})
    (named,) = re.findall(r"harness/\S+\.md", str(found.value))
    assert all(f"`{part.call}`" in (ROOT / named).read_text(encoding="utf-8") for part in PARTS)


# --- DEVELOPERS.md ---------------------------------------------------------------------------------------

DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
ROOMS = sorted(path.parent for path in (ROOT / "harness").glob("*/__init__.py"))


def test_it_stays_short_and_begins_with_where_to_begin() -> None:
    assert len(DEVELOPERS.encode()) <= 13 * 1024
    first, *_ = DEVELOPERS.split("\n\n")
    links = re.findall(r"\]\(([^)]+)\)", first)
    assert links == ["harness/checks/stiffness", "harness/judge/verdict.py", "harness/run/qualification.py"]


def test_every_room_is_on_the_map_and_links_to_what_tells_of_it() -> None:
    links = re.findall(r"\]\(([^)]+)\)", section("Map"))
    for room in ROOMS:
        own = f"harness/{room.name}"
        assert {own, f"{own}/README.md"} & set(links), own
        assert f"{own}/README.md" in links or not (room / "README.md").exists(), f"{own}: link to its README.md"


def test_a_large_room_tells_what_it_promises_and_by_what_that_is_shown() -> None:
    """Rooms of a few modules are told of beside the one that they belong to."""
    for room in (*ROOMS, ROOT / "rigs_demo"):
        text = (room / "README.md").read_text(encoding="utf-8") if (room / "README.md").exists() else ""
        assert text or len([*room.glob("*.py")]) <= 6, f"{room.name}: a README.md"
        assert not text or (len(text.splitlines()) > 10 and "tests/" in text), f"{room.name}: say what shows it"


@pytest.mark.parametrize(
    ("asked", "where", "found"),
    [
        ("deadman", "device_scripts/safety.py", "def _fell_silent"),
        ("risk of one decision", "harness/nouns/coverage.py", "def shared_risk"),
        ("counting and exit code", "harness/judge/tally.py", "def exit_code"),
        ("which goes first", "harness/base/errors.py", "PRECEDENCE ="),
        ("plots", "harness/report/plots.py", "def "),
        ("why a check is not run", "harness/run/README.md", "## Why a check was not run"),
    ],
)
def test_a_stranger_finds_it_from_the_map_in_one_step(asked: str, where: str, found: str) -> None:
    (row,) = [line for line in section("Map").splitlines() if asked in line]
    folder, _, file = where.rpartition("/")
    assert f"({folder}" in row and file in row
    assert found in (ROOT / where).read_text(encoding="utf-8")


def test_every_room_says_what_it_is_in_its_first_line() -> None:
    for room in (*ROOMS, ROOT / "rigs_demo", ROOT / "device_scripts"):
        text = ast.get_docstring(ast.parse((room / "__init__.py").read_text(encoding="utf-8")))
        if room.name == "checks":  # importing a check's rows runs it, and a wall would fall by what it imports
            assert text is None
        else:
            assert text is not None and len(text.splitlines()[0]) > 20, room


def test_the_public_face_has_a_map_of_all_rooms() -> None:
    source = (ROOT / "harness" / "__init__.py").read_text(encoding="utf-8")
    comments = " ".join(line for line in source.splitlines() if line.startswith("#"))
    assert {room.name for room in ROOMS} - set(re.findall(r"\w+", comments)) == set()


def section(title: str) -> str:
    """The text under a heading, up to the next of its level or above."""
    found = re.search(rf"^(#+) {re.escape(title)}\n(.*?)(?=^#{{1,3}} |\Z)", DEVELOPERS, re.MULTILINE | re.DOTALL)
    assert found, title
    return found[2]


def files_of(recipe: str) -> list[str]:
    """The paths that a recipe ends in."""
    _, _, listed = section(recipe).partition("\nFiles: ")
    return re.findall(r"`([^` ]+/[^` ]+)`", listed)


RECIPES = re.findall(r"^### (.*)$", DEVELOPERS, re.MULTILINE)


def test_there_is_a_recipe_for_everything_that_is_added_often() -> None:
    assert [
        *("A check", "A quantity", "A cause", "A device script", "An instrument class", "A rig fault"),
        "A version of the store",
    ] == RECIPES


@pytest.mark.parametrize("recipe", RECIPES)
def test_a_recipe_ends_in_files_that_exist(recipe: str) -> None:
    files = files_of(recipe)
    assert len(files) >= 3
    assert [file for file in files if not list(ROOT.glob(re.sub(r"<\w+>", "*", file)))] == []


EXAMPLES = re.findall(r"^```python\n(.*?)^```$", DEVELOPERS, re.MULTILINE | re.DOTALL)


def example(words: str) -> str:
    """The one example of the recipes that has these words."""
    (found,) = [text for text in EXAMPLES if words in text]
    return found


@pytest.mark.parametrize(
    ("words", "file"),
    [
        ("Measurand(", "harness/checks/stiffness/quantities.py"),
        ("Cause(", "harness/checks/stiffness/causes.py"),
        ("Fault(", "rigs_demo/faults.py"),
    ],
)
def test_an_example_is_a_row_of_the_tree(words: str, file: str) -> None:
    (row,) = ast.parse(example(words)).body
    assert isinstance(row, ast.Expr)
    rows = [ast.dump(node) for node in ast.walk(ast.parse((ROOT / file).read_text(encoding="utf-8")))]
    assert rows.count(ast.dump(row.value)) == 1, f"{file} has another one: {ast.unparse(row)}"


def test_the_example_of_a_store_is_what_a_test_raises_one_by() -> None:
    raising, versions = ast.parse(example("def _to_3")).body
    assert isinstance(raising, ast.FunctionDef) and isinstance(versions, ast.Assign)
    assert ast.unparse(raising.body) == ast.unparse(ast.parse(inspect.getsource(to_next)).body[0].body)  # type: ignore[attr-defined]
    assert ast.literal_eval(ast.unparse(versions.value).replace("_to_", "")) == {
        n: n + 1 for n in (*tables.RAISES, VERSION)
    }


def test_every_version_before_this_one_is_kept() -> None:
    kept = [list(ROOT.glob(f"tests/software/store/version_{number}.sql")) for number in range(1, VERSION)]
    assert [*tables.RAISES] == [*range(1, VERSION)] and all(kept)


def test_the_example_of_a_device_script_runs() -> None:
    board = Board()
    guard = board.guard(Drive(board))
    names = board.modules()
    exec(example("def watch"), names)
    names["watch"](guard, 0, samples=200)  # type: ignore[operator]
    assert len(board.rows) == 200, "longer than the deadman would wait for a host that nobody listens to"
    assert all(struct.pack("<IH", *row) for row in board.rows)


@pytest.mark.parametrize(
    ("recipe", "like", "but"),
    [
        # What was added by the recipe before is named in these files only; `but` are those that name it for another
        # reason: uses of an instrument in a check, a plant's own words.
        ("A quantity", r"torque_per_ampere", r"harness/physics/"),
        ("A cause", r"static amplitude", r"^$"),
        ("An instrument class", r"thermometer", r"harness/checks/|harness/compare|harness/corrections|/plant/|/board/|"
                                                r"firmware/|rigs_demo/README"),
        ("A device script", r"[\"']pair[\"']", r"^$"),
        ("A rig fault", r"loose-winding", r"^$"),
        ("A version of the store", r"def _to_\d", r"^$"),
    ],
)  # fmt: skip
def test_a_recipe_names_every_file_that_the_last_one_added_by_it_touches(recipe: str, like: str, but: str) -> None:
    listed = {path for file in files_of(recipe) for path in ROOT.glob(re.sub(r"<\w+>", "*", file))}
    sources = [path for room in ("harness", "rigs_demo", "device_scripts") for path in (ROOT / room).rglob("*.*")]
    naming = [
        path
        for path in sources
        if path.suffix in (".py", ".toml", ".md") and re.search(like, path.read_text(encoding="utf-8"), re.IGNORECASE)
    ]
    assert [str(path) for path in naming if path not in listed and not re.search(but, path.as_posix())] == []
