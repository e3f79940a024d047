"""Every string that comes from outside, hostile, through every output: shown, kept, and never obeyed."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from markupsafe import escape

from harness.base.errors import ExitCode, HarnessError
from harness.base.words import file_stem, visible
from harness.command.main import main
from harness.record.record import FILE, Record
from harness.release.junit import junit
from harness.release.summary import LIVE, markdown, plain
from harness.report.page import render
from harness.store import Store
from tests.hostile import HOSTILE, STRINGS, assert_harmless_page, assert_harmless_text, outside_code, put, texts
from tests.software.gate.test_decision import NAMES, RING, decided, found, policy, run
from tests.software.release.test_outcome import SUBJECT
from tests.software.report import sample
from tests.software.rigfile.test_load import SLUICE
from tests.software.store.records import written

CONTENT = sample.record()
PLACES = sorted(set(texts(CONTENT)), key=str)
ALL = " ".join(STRINGS.values())
FREE = [
    place for place in PLACES
    if place[-1] not in ("outcome", "shape", "started_utc", "ended_utc", "text", "pace", "sensor_path", "name", "file")
]  # fmt: skip
"""Where any words may stand, and the record is one still."""


def page_of(content: Any) -> str:
    return render(Record(Path("run"), json.dumps(content).encode()))


@pytest.mark.parametrize("place", PLACES, ids=lambda place: ".".join(map(str, place)))
def test_a_page_shows_any_text_of_a_record_and_obeys_none(place: tuple[str | int, ...]) -> None:
    """Or says that it is no such record."""
    content = json.loads(json.dumps(CONTENT))
    put(content, place, ALL)
    try:
        page = page_of(content)
    except HarnessError as error:
        assert error.exit_code is ExitCode.USAGE
        assert_harmless_text(str(error))
    else:
        assert_harmless_page(page)


@HOSTILE
def test_a_page_is_harmless_whatever_all_of_it_is_called(words: str) -> None:
    content = json.loads(json.dumps(CONTENT))
    for place in FREE:
        put(content, place, words)
    content["instruments"] = {words: content["instruments"]["supply"]}
    content["declared"] = {words: content["declared"]["leaf"]}
    content["hashes"]["scripts"] = {words: words}
    content["versions"] = {words: words}
    page = page_of(content)
    assert_harmless_page(page)
    assert escape(visible(words)) in page


def strange(folder: Path, words: str) -> Path:
    """A record with these words wherever a person, a firmware or a board may say any."""
    path = written(folder) / FILE
    content = json.loads(path.read_text())
    content["rig"].update(name=words, description=words, file=words, text=SLUICE)
    content["board"].update(name=words, machine=words, unique_id=words)
    content["declared"]["leaf"].update(name=words, version=words)
    content["lot"] = words
    content["measurements"][0].update(unit=words, note=words)
    content["verdicts"][0].update(reason=words, unit=words)
    content["unmeasured"][0].update(reason=words)
    path.write_text(json.dumps(content))
    return path


def test_the_commands_say_it_and_the_store_keeps_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)

    def say(*command: str) -> None:
        store = () if command[0] == "report" else ("--store", "store.sqlite")
        code = main([*command, *store])
        said = capsys.readouterr()
        assert code != ExitCode.DEFECT, (command, said.err)
        assert_harmless_text(said.out + said.err)

    paths = [strange(tmp_path / "runs" / name, words) for name, words in STRINGS.items()]
    for number, path in enumerate(paths, 1):
        say("report", str(path.parent))
        say("keep", str(path.parent))
        say("fetch", str(number), "--out", f"again/{number}")
        assert (tmp_path / "again" / str(number) / FILE).read_bytes() == path.read_bytes()
    for name, words in STRINGS.items():
        say("study", "capability", f"--lot={visible(words)}", "--out", f"pages/{name}")
    accepted = ("--by", "a", "--why", "b", "--despite", "c")
    for command in (
        ("history",), ("history", "--json", "--out", "again/history.html"), ("baseline", "accept", "a", "1", *accepted),
        ("baseline", "list"), ("baseline", "show", "a", "2"), ("study", "gauge", "1", "2", "3"),
    ):  # fmt: skip
        say(*command)
    pages = list(tmp_path.rglob("*.html"))
    assert len(pages) > 2 * len(STRINGS)
    for page in pages:
        assert_harmless_page(page.read_text(encoding="utf-8"))
    with Store.open("store.sqlite") as store:
        for words in map(visible, STRINGS.values()):
            (kept,) = store.runs(rig=words, lot=words, board_name=words, board_id=words, firmware_version=words)
            assert kept.firmware_name == words
    ours = {"runs", "again", "pages", "store.sqlite", "store.sqlite.raw", "history.html"}
    assert {path.name for path in tmp_path.iterdir()} <= ours


@HOSTILE
def test_a_summary_calls_nobody_and_points_nowhere(words: str) -> None:
    """Outside code there is nothing that a forge makes something of, and no markup but our own."""
    shown = plain(words)
    assert_harmless_text(shown)
    assert "\n" not in shown
    outside = outside_code(shown)
    assert not LIVE.search(outside), outside
    assert not re.search(r"(?<!\\)[\[\]<>*_#|`]", outside.replace("\\\\", "")), outside
    assert_harmless_text(summary(words))
    assert len(summary(words).splitlines()) == len(summary("plain").splitlines())


def summary(words: str) -> str:
    subject = replace(SUBJECT, rig=words, firmware=words, baseline=words, remarks=[words], runs={words: words})
    return markdown(decided(run((RING, "differs", words))), policy(), subject, [found(name) for name in NAMES])


@HOSTILE
def test_junit_is_xml_whatever_is_in_it(words: str) -> None:
    subject = replace(SUBJECT, rig=words, firmware=words, baseline=words)
    made = decided(run((RING, "differs", words)))
    tree = ElementTree.fromstring(junit(made, subject, [replace(found(NAMES[0]), reason=words)], [words, *NAMES]))
    for part in tree.iter():
        for said in (part.text or "", *part.attrib.values()):
            assert_harmless_text(said)


@HOSTILE
def test_a_name_of_a_file_stays_in_its_folder_and_is_its_own(words: str, tmp_path: Path) -> None:
    stem = file_stem(words)
    assert re.fullmatch(r"[A-Za-z0-9._-]+", f"x{stem}")
    assert (tmp_path / f"certificate-{stem}.html").parent == tmp_path
    assert len({file_stem(other) for other in STRINGS.values()}) == len(STRINGS)
