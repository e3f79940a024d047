"""What documents say of the code is so: their tables, their links."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from harness.checks.catalogue import CHECK_NAMES
from harness.judge.causes import CAUSES
from harness.nouns.contract import PARTS, DeclarationError, parse_declared
from harness.nouns.effects import FREE, HAPPENS, Becomes, Near, Power, Shift
from tests.documents import ROOT, TABLES, cell, current, filled

DOCUMENTS = sorted(
    path for path in (*ROOT.glob("*.md"), *(ROOT / "harness").rglob("*.md"), *(ROOT / "rigs_demo").rglob("*.md"))
)


@pytest.mark.parametrize("document", TABLES)
def test_tables_are_those_of_the_code(document: str) -> None:
    assert (ROOT / document).read_text(encoding="utf-8") == current(document), (
        "write it anew: python -m tests.documents"
    )


def test_every_cause_and_every_part_of_the_contract_has_its_row() -> None:
    causes, contract = (current(document) for document in TABLES)
    assert [cause.name for cause in CAUSES if f"| {cause.name} |" not in causes] == []
    assert re.findall(r"^## (\w+)$", causes, re.MULTILINE) == list(CHECK_NAMES)
    assert [part.name for part in PARTS if f"| `{part.call}` | {part.meaning} |" not in contract] == []


@pytest.mark.parametrize(
    ("effect", "shown"),
    [
        *((None, ""), (0.0, ""), (Near(0.4), ""), (1.0, "^1"), (-0.5, "^-0.5"), (FREE, "any"), (HAPPENS, "stops")),
        *((Shift(), "+ size"), (Shift(-2.0, by="age"), "+ -2 age"), (Power(0.5, by="age"), "^0.5 of age")),
        (Becomes(lambda _, __: 0.0, "reversed"), "reversed"),
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
        assert (document.parent / path).exists(), target
        assert path or anchor in headings, target


def _anchor(heading: str) -> str:
    """The anchor of a heading: small letters, words joined by hyphens, other signs dropped."""
    return re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-")


def test_an_error_about_the_contract_names_the_document_that_tells_it() -> None:
    with pytest.raises(DeclarationError) as found:
        parse_declared("gate", {})
    (named,) = re.findall(r"harness/\S+\.md", str(found.value))
    assert all(f"`{part.call}`" in (ROOT / named).read_text(encoding="utf-8") for part in PARTS)
