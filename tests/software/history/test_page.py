"""The page of histories: what it says of every version, where a click leads, and what it never carries."""

from __future__ import annotations

import json
import re
import shutil
import zlib
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy

from harness.history import entry, read_history, render
from harness.history.decision_view import view_of
from harness.history.plot import band_of
from harness.history.runs import Span
from harness.store import Store
from harness.store.decisions import StoredDecision
from harness.store.histories import ReleaseLevel
from tests.software.compare.records import quantity
from tests.software.compare.records import record as compared
from tests.software.history.stores import DELAY, SAG, SHA, STIFFNESS, decided, filled, run
from tests.software.record.contents import BOARD, DECLARED, RIG, edited, record_of, saved
from tests.software.report import sample
from tests.software.report.test_page import HOSTILE, outline

"""The module, whose name in its package is that of its function."""


def page_of(store: Store, folder: Path, **options: Any) -> str:
    return render(read_history(store, **options), beside=folder)


def plain(page: str) -> str:
    """What a reader sees, without tags."""
    return " ".join(" ".join(outline(page.partition("<body>")[2].partition("</body>")[0]).words).split())


@pytest.fixture
def store(tmp_path):
    with filled(tmp_path / "runs") as opened:
        yield opened


def figure(page: str, name: str) -> str:
    """What belongs to one quantity of the rig that is the only one."""
    return page[page.index(f'<figure id="s1-{name.replace(".", "-")}"') :].partition("</figure>")[0] + "</figure>"


def test_each_version_has_its_runs_endings_and_days(store, tmp_path):
    text = plain(page_of(store, tmp_path, rig="sluice"))
    assert "History of rig sluice" in text
    assert "10 runs of 1 rig, 2026-01-02 to 2026-01-02" in text
    table = text[text.index("Release gate") : text.index("Drift and steps Nobody")]
    assert table.index("sluice_drive 1.5.0 4 2026-01-02 1 3 × exit 0, 1 × exit 1") < table.index("sluice_drive 1.4.0 6")
    assert text.count("none yet") == 2


def test_every_decision_on_a_version_is_told_beside_it_with_its_build(store, tmp_path):
    decided(store, word="release", firmware_sha256="9d" * 32)
    decided(store, word="refuse", firmware_sha256="b1" * 32)
    page = page_of(store, tmp_path, rig="sluice")
    text = plain(page)
    cell = text[text.index("sluice_drive 1.5.0 4 2026-01-02") :].partition("sluice_drive 1.4.0")[0]
    assert cell.index("▲ refuse") < cell.index("● release"), "the newest first"
    assert 'href="#s1-d1">release' in page
    assert 'href="#s1-d2">refuse' in page
    assert "on runs 8, 9, build 9d9d9d9d" in text
    assert "on runs 8, 9, build b1b1b1b1" in text


def test_numbers_of_a_quantity_by_version(store, tmp_path):
    rows = re.findall(r"<tr>(.*?)</tr>", figure(page_of(store, tmp_path, rig="sluice"), STIFFNESS))[1:]
    cells = [re.sub(r"<[^>]+>", "|", row).replace("||", "|").strip("|").split("|") for row in rows]
    assert cells[0][:5] == ["sluice_drive 1.5.0", "4", "0.600 N m/rad", "0 N m/rad", "–"]
    assert cells[0][5:] == ["0.600 N m/rad to 0.600 N m/rad", "0"]
    # mean 0.6527, s 0.00187; 0.6527 +- 2.571 s sqrt(7/6) (Student's quantile for 5 degrees of freedom)
    assert cells[1][:4] == ["sluice_drive 1.4.0", "6", "0.6527 N m/rad", "1.87 mN m/rad"]
    assert cells[1][4:] == ["0.6475 to 0.6579 N m/rad", "0.6502 to 0.6552 N m/rad", "0"]


def test_a_band_holds_the_next_run_as_often_as_it_says():
    """Against draws, not against its own formula."""
    import numpy as np

    draws = np.random.default_rng(7).normal(3.0, 0.2, (4000, 7))
    inside = 0
    for values in draws:
        own = values[:6]
        level = ReleaseLevel(
            release=("", None, None), runs=6, mean=float(own.mean()), s=float(own.std(ddof=1)), low=0.0, high=0.0,
            refused=0,
        )  # fmt: skip
        low, high = band_of(level) or (0.0, 0.0)
        inside += bool(low <= values[6] <= high)
    assert 0.94 < inside / len(draws) < 0.96


def test_limits_are_those_of_the_newest_whole_run_and_the_requirement_is_told(store, tmp_path):
    store.keep(run(tmp_path / "runs" / "killed", 20, verdicts=[], finished=False, exit_code=None))
    page = page_of(store, tmp_path, rig="sluice")
    text = plain(figure(page, DELAY).join(("<body>", "</body>")))
    assert "accepted by the model (run 11): 0.700 ms to 1.50 ms" in text
    overshoot = plain(figure(page, "leaf.step.overshoot").join(("<body>", "</body>")))
    assert "required: at most 0.950" in overshoot
    assert 'class="required"' in figure(page, "leaf.step.overshoot") or "beyond the drawing" in overshoot


def test_limits_far_out_are_told_and_not_drawn(store, tmp_path):
    page = page_of(store, tmp_path, rig="sluice")
    near, far = figure(page, STIFFNESS), figure(page, DELAY)
    assert 'class="accept"' in near
    assert "beyond the drawing" not in near
    assert 'class="accept"' not in far
    assert "these limits lie beyond the drawing" in far


def test_a_mark_leads_to_the_quantity_on_the_page_of_its_run_else_to_its_row(store, tmp_path):
    shutil.rmtree(tmp_path / "runs" / "a3")
    (tmp_path / "runs" / "a4" / "report.html").unlink()
    other = tmp_path / "runs" / "a5" / "record.json"  # of the same start, but not what was kept
    other.write_text(other.read_text(encoding="utf-8").replace('"seed": 5', '"seed": 6'), encoding="utf-8")
    page = page_of(store, tmp_path, rig="sluice")
    links = re.findall(r'<a href="([^"]+)" tabindex="-1">', figure(page, STIFFNESS))
    assert links[:6] == [
        *(f"runs/a{number}/report.html#q-leaf-stiffness-open_loop" for number in range(3)),
        *(f"#s1-run-{number}" for number in (4, 5, 6)),
    ]
    runs = page[page.index('id="s1-runs"') :]
    assert '<a href="runs/a2/report.html">run 3</a>' in runs
    assert '<tr id="s1-run-4"><th scope="row" class="number">run 4</th>' in runs
    assert "rotorgate fetch RUN --store" in runs
    identities = [attributes["id"] for _, attributes in outline(page).tags if attributes.get("id")]
    assert len(identities) == len(set(identities))
    for _, attributes in outline(page).tags:
        link = attributes.get("href") or ""
        assert not link.startswith("#") or link[1:] in identities, link


def test_links_go_from_where_the_page_lies(store, tmp_path):
    (tmp_path / "runs").rename(tmp_path / "bench 1")
    with Store.open(tmp_path / "bench 1" / "store.sqlite") as moved:
        assert 'href="../bench%201/a0/report.html"' in page_of(moved, tmp_path / "pages", rig="sluice")
        assert 'href="a0/report.html"' in page_of(moved, tmp_path / "bench 1", rig="sluice")


def test_marks_say_by_their_shape_what_was_found(store, tmp_path):
    page = page_of(store, tmp_path, rig="sluice")
    assert figure(page, DELAY).count('class="run off"') == 10  # differs in every run of the sample
    assert figure(page, STIFFNESS).count('class="run fine"') == 10
    assert figure(page, "leaf.stiffness.friction").count('class="run unjudged"') == 10
    kinds = ("off", "fine", "unjudged")
    shapes = {re.search(rf'd="M[-\d. ]+(m[^"]*)" class="run {kind}"', page)[1] for kind in kinds}
    assert len(shapes) == 3
    assert "run 1: 3.12 ms, differs" in page


def test_a_run_says_its_words_and_what_was_exchanged_before_it(store, tmp_path):
    rows = re.findall(r'<tr id="s1-run-\d+">(.*?)</tr>', page_of(store, tmp_path, rig="sluice"))
    exchanged = [re.search(r'data-is="exchanged before it">(.*?)</td>', row)[1] for row in rows]
    assert exchanged == ["–", "–", "–", "firmware", *["–"] * 6]
    assert "1 agrees, 1 conforming, 1 differs, 1 not judged, 1 not run" in rows[0]
    assert "▲</span> exit 1" in rows[1]


def test_decisions_with_reasons_and_waivers_stand_at_their_version(store, tmp_path):
    decided(store)
    page = page_of(store, tmp_path, rig="sluice")
    text = plain(page)
    assert '<a href="#s1-d1">refuse</a>' in page
    assert "▲ refuse : sluice_drive 1.5.0 decision 1" in text
    said = "leaf.step.delay: different waived: step.decay by A. Person until 2026-12-31: known"
    assert f"on runs 8, 9, build {SHA['1.5.0'][:8]} {said}" in text
    assert "schema = 1" in text


@pytest.mark.parametrize(
    "content",
    [
        {}, [], "words", None, 7, {"reasons": "one"}, {"reasons": [1, None, ["x"]], "waivers": ["x", 3]},
        {"waivers": [{}, {"quantity": ["a"], "used": ["b"], "by": None}], "policy": ["x"]},
        {"reasons": [HOSTILE], "waivers": [{"quantity": HOSTILE, "why": HOSTILE}], "policy": HOSTILE + "\n" + HOSTILE},
    ],
)  # fmt: skip
def test_whatever_a_decision_says_the_page_is_written(store, tmp_path, content):
    decided(store, content=content)
    page = page_of(store, tmp_path, rig="sluice")
    assert "decision 1" in page
    assert not [tag for tag, _ in outline(page).tags if tag in {"script", "img"}]
    assert "\x1b" not in page
    json.dumps(entry(read_history(store)))


def test_a_damaged_decision_is_said_and_costs_nothing_else(store, tmp_path):
    decided(store)
    with store._database._engine.begin() as connection:
        connection.exec_driver_sql("DROP TRIGGER decision_no_update")
        connection.execute(sqlalchemy.text("UPDATE decision SET json = :bad"), {"bad": b"nothing"})
    found = read_history(store, rig="sluice")
    remark = found.rigs[0].remarks[-1]
    assert remark.startswith("decisions of the release gate are left out: ")
    assert "a decision is damaged" in remark
    page = render(found, beside=tmp_path)
    assert "a decision is damaged" in page
    assert "10 runs of 1 rig" in page


def test_a_damaged_record_costs_only_the_limits_and_is_said(store, tmp_path):
    with store._database._engine.begin() as connection:
        connection.exec_driver_sql("DROP TRIGGER record_no_update")
        bad = {"bad": zlib.compress(b"{}")}
        connection.execute(sqlalchemy.text("UPDATE record SET json = :bad WHERE run_id = 11"), bad)
    found = read_history(store, rig="sluice")
    (remark,) = found.rigs[0].remarks
    assert remark.startswith("no limits are shown: ")
    assert "accepted by the model" not in render(found, beside=tmp_path)


def test_a_missing_raw_file_does_not_matter(store, tmp_path):
    before = page_of(store, tmp_path)
    shutil.rmtree(tmp_path / "runs" / "store.sqlite.raw", ignore_errors=True)
    assert page_of(store, tmp_path) == before


def test_the_baseline_in_force_is_shown_with_its_mean(store, tmp_path):
    decided(store)
    shown = figure(page_of(store, tmp_path, rig="sluice"), STIFFNESS)
    assert "baseline spring, revision 1: mean 0.653 N m/rad" in shown
    assert 'class="base"' in shown
    remarks = read_history(store, rig="sluice").rigs[0].remarks
    assert len(remarks) == 1  # the sample has no rig file, so no margin
    assert remarks[0].startswith("baseline spring, revision 1: no margins are shown: ")
    store.baselines.retire("spring", by_whom="M. Keeper", why="a test")
    assert "baseline spring" not in page_of(store, tmp_path, rig="sluice").partition('id="s1-decisions"')[0]


def test_of_several_baselines_in_force_the_one_accepted_last_is_shown_and_that_is_said(store, tmp_path):
    store.baselines.accept("autumn", [1, 2, 3], by_whom="M. Keeper", why="first units")
    store.baselines.accept("spring", [4, 5, 6], by_whom="M. Keeper", why="new units")
    (rig,) = read_history(store, rig="sluice").rigs
    stiffness = next(history for history in rig.quantities if history.name == STIFFNESS)
    assert stiffness.reference is not None
    assert stiffness.reference.title == "baseline spring, revision 1"
    assert "of 2 baselines in force the one accepted last is shown" in rig.remarks


def kept_for_comparison(folder: Path, values: list[float]) -> Store:
    """Records that can be compared: the demo's rig file, budgets by source."""
    store = Store.open(folder / "store.sqlite", make=True)
    for number, value in enumerate(values):
        kept = compared({STIFFNESS: quantity(value)}, number)
        kept = edited(kept, exit_code=0, started_utc=f"2026-01-02T{number:02d}:00:00+00:00")
        store.keep(saved(kept, folder / f"{number}"))
    return store


LEVELS = [0.648, 0.652, 0.651, 0.649, 0.653, 0.647, 0.650, 0.650]


def test_a_step_is_found_and_said_where_it_is(tmp_path):
    with kept_for_comparison(tmp_path, [*LEVELS, 0.60, 0.602, 0.601, 0.599]) as store:
        (finding,) = read_history(store).rigs[0].watched.findings
        assert (finding.kind, finding.run, finding.name) == ("step", 9, STIFFNESS)
        text = plain(page_of(store, tmp_path))
    assert "Looked for over the newest 12 finished runs of 12" in text
    assert "With fewer than 30 runs a sudden change of 5 standard deviations is missed" in text
    assert "leaf · stiffness · open loop : the mean makes a step of −49.5 mN m/rad at run 9; nothing that" in text


def test_where_nothing_drifts_it_says_so_and_over_how_many(tmp_path):
    with kept_for_comparison(tmp_path, [*LEVELS]) as store:
        assert "newest 6 finished runs of 8, values referred to 20 °C and the nominal supply: nothing found." in plain(
            page_of(store, tmp_path, span=Span(watched=6))
        )


def test_it_is_the_newest_runs_that_are_looked_over(tmp_path):
    with kept_for_comparison(tmp_path, [0.60, 0.602, 0.601, 0.599, *LEVELS]) as store:
        (rig,) = read_history(store, span=Span(watched=8)).rigs
        assert rig.watched.findings == [], "the step lies before them"


def test_what_cannot_be_compared_is_a_reason_and_no_error(store, tmp_path):
    """The sample has no rig file, which comparing needs."""
    (rig,) = read_history(store, rig="sluice").rigs
    assert rig.watched.runs == 0
    assert "its rig file does not read" in rig.watched.why_not
    (other,) = read_history(store, rig="handwheel").rigs
    assert other.watched.why_not == "looked for with 5 finished runs or more, found 1"


def test_what_is_not_drawn_one_by_one_is_said(store, tmp_path):
    page = page_of(store, tmp_path, rig="sluice", span=Span(drawn=5))
    assert "The newest 5 of 10 runs are drawn and listed one by one; the others are in the bands" in plain(page)
    assert figure(page, STIFFNESS).count("<a href") == 5
    assert page.count('<tr id="s1-run-') == 5
    assert figure(page, STIFFNESS).count('class="reach"') == 1  # of 1.4.0 only one run is drawn
    assert read_history(store, rig="sluice").rigs[0].quantities[0].levels  # bands are over all runs
    page = page_of(store, tmp_path, rig="sluice", span=Span(drawn=5, versions=1))
    assert "The newest 1 firmware versions are shown, 1 older ones are not." in plain(page)
    assert "sluice_drive 1.4.0" not in figure(page, STIFFNESS)


def test_simulated_says_so_and_real_does_not(store, tmp_path):
    assert "SIMULATED BENCH" in page_of(store, tmp_path)
    with filled(tmp_path / "real", simulated=False) as real:
        page = page_of(real, tmp_path)
    assert "SIMULATED" not in page


def test_every_rig_has_its_section_and_its_own_numbers(store, tmp_path):
    page = page_of(store, tmp_path)
    assert re.findall(r"<h2>Rig (\w+) \(SIMULATED\)", page) == ["handwheel", "sluice"]
    sections = page.split("<h2>Rig ")
    assert "1.500 ± 0.012 N m/rad" in sections[1]
    assert "1.500 ± 0.012 N m/rad" not in sections[2]


def test_strangers_text_is_shown_and_never_obeyed(tmp_path):
    with Store.open(tmp_path / "store.sqlite", make=True) as store:
        poisoned = {
            "declared": {"leaf": {**DECLARED, "name": HOSTILE, "version": HOSTILE}},
            "board": {**BOARD, "unique_id": HOSTILE},
            "measurements": [sample.number(f"leaf.{HOSTILE}.x y", 1.0, HOSTILE, 0.1)], "verdicts": [],
        }  # fmt: skip
        content = sample.record(**poisoned)
        content["rig"] = {**RIG, "name": HOSTILE}
        store.keep(saved(record_of(content), tmp_path / "run"))
        page = page_of(store, tmp_path)
    parsed = outline(page)
    assert not [tag for tag, _ in parsed.tags if tag in {"script", "img", "iframe", "link", "object"}]
    assert not [attributes for _, attributes in parsed.tags if any(name.startswith("on") for name in attributes)]
    for character in ("\x1b", "\u202e"):
        assert character not in page
    assert "{{7*7}}" in page
    assert "default-src 'none'" in page


def test_a_version_that_is_not_stated_and_long_ones_have_a_column(tmp_path):
    with Store.open(tmp_path / "store.sqlite", make=True) as store:
        for number, declared in enumerate([{}, {"leaf": {**DECLARED, "version": "2.0.0-" + "x" * 60}}]):
            store.keep(run(tmp_path / str(number), number))
            content = sample.record(declared=declared, started_utc=f"2026-02-0{number + 1}T00:00:00Z")
            store.keep(saved(record_of(content), tmp_path / f"n{number}"))
        page = page_of(store, tmp_path)
    assert ">not stated</text>" in page
    assert "…</text>" in page


def test_data_for_programs_are_those_of_the_page(store):
    decided(store)
    said = json.loads(json.dumps(entry(read_history(store, rig="sluice"))))
    (rig,) = said["rigs"]
    assert (said["simulated"], rig["rig"], rig["runs"]) == (True, "sluice", 10)
    assert [(version["version"], version["runs"], version["endings"]) for version in rig["versions"]] == [
        ("1.4.0", 6, {"0": 6}),
        ("1.5.0", 4, {"0": 3, "1": 1}),
    ]
    stiffness = next(history for history in rig["quantities"] if history["name"] == STIFFNESS)
    assert [level["version"] for level in stiffness["versions"]] == [0, 1]
    assert stiffness["versions"][0]["mean"] == pytest.approx(0.6527)
    assert stiffness["versions"][1]["band95"] is None
    assert stiffness["newest"][-1] == [11, 0.60, 0.006]
    assert stiffness["limits"]["model"] == [0.58, 0.74]
    assert stiffness["baseline"]["mean"] == pytest.approx(0.6527)
    assert rig["decisions"][0]["reasons"] == ["leaf.step.delay: different"]
    words = {"agrees": 1, "conforming": 1, "differs": 1, "not judged": 1, "not run": 1}
    assert rig["newest_runs"][-1]["verdicts"] == words
    assert SAG not in {history["name"] for history in rig["quantities"]}


def test_a_decision_reads_whatever_its_content_is():
    columns = {
        "id": 1, "made_utc": "x", "rig": "r", "simulated": True, "word": "release", "exit_code": 0,
        "firmware_name": None, "firmware_version": None, "firmware_sha256": None, "baseline_id": 1,
        "policy_sha256": "", "runs": (),
    }  # fmt: skip
    view = view_of(StoredDecision(**columns, content={"waivers": [{"quantity": 3, "used": False}]}))
    assert view.waivers == [{"quantity": "3", "by": "", "why": "", "until": "", "used": "not used"}]
