"""Baselines in the store: whatever is accepted and retired, no revision is lost or changed."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from harness.base.errors import HarnessError, StoreError, UsageError
from harness.store import Store
from harness.store.baselines import LONGEST_NAME, name_of, text_of
from tests.examples import examples
from tests.software.store.conftest import schema
from tests.software.store.records import written

WHO = {"by_whom": "A. Person", "why": "first units"}


@pytest.fixture
def store(place, tmp_path):
    """A store with four runs of one rig and one of another."""
    with Store.open(place, make=True) as opened:
        for seed in range(1, 5):
            opened.keep(written(tmp_path / str(seed), seed=seed))
        opened.keep(written(tmp_path / "other", rig="handwheel"))
        yield opened


def test_what_is_accepted_comes_back_with_who_and_why(store):
    made = store.baselines.accept("spring", [3, 1], mountings=["a", "b"], despite="a cold room", **WHO)
    assert store.baselines.get("spring") == made
    assert store.baselines.all() == [made]
    assert (made.name, made.revision, made.rig, made.simulated) == ("spring", 1, "sluice", True)
    assert (made.runs, made.mountings) == ((1, 3), ("b", "a"))  # each label stays with its run
    assert (made.by_whom, made.why, made.despite) == ("A. Person", "first units", "a cold room")
    assert (made.state, made.retirement) == ("in force", None)
    assert made.accepted_utc.endswith("+00:00")


def test_without_labels_each_run_is_a_mounting_of_its_own(store):
    made = store.baselines.accept("spring", [1, 2, 3], **WHO)
    assert made.mountings == tuple(store.run(run).uid for run in (1, 2, 3))


def test_a_second_acceptance_is_the_next_revision_and_the_first_stays(store):
    first = store.baselines.accept("spring", [1, 2], **WHO)
    second = store.baselines.accept("spring", [2, 3], by_whom="B", why="new firmware")
    assert (second.revision, second.state) == (2, "in force")
    assert store.baselines.get("spring") == second
    kept = store.baselines.get("spring", 1)
    assert kept.state == "superseded"
    assert (kept.runs, kept.by_whom, kept.why, kept.accepted_utc) == (
        first.runs, first.by_whom, first.why, first.accepted_utc,
    )  # fmt: skip
    assert store.baselines.accept("autumn", [1], **WHO).revision == 1


def test_a_retired_one_stays_marked_and_its_name_falls_back_to_nothing_older(store):
    store.baselines.accept("spring", [1, 2], **WHO)
    store.baselines.accept("spring", [2, 3], **WHO)
    retired = store.baselines.retire("spring", by_whom="B", why="its arm was bent")
    assert (retired.revision, retired.state) == (2, "retired")
    assert (retired.retirement.by_whom, retired.retirement.why) == ("B", "its arm was bent")
    assert store.baselines.get("spring") == retired
    assert store.baselines.get("spring", 1).state == "superseded"
    with pytest.raises(StoreError, match=r"baseline spring, revision 2: retired already, \d{4}-\d\d-\d\d by B"):
        store.baselines.retire("spring", by_whom="C", why="again")
    assert store.baselines.accept("spring", [1], **WHO).state == "in force"


@pytest.mark.parametrize(
    ("act", "kind", "words"),
    [
        (lambda b: b.get("sprin"), StoreError, r"no baseline sprin; did you mean spring\?"),
        (lambda b: b.get("zzz"), StoreError, "no baseline zzz; there are spring"),
        (lambda b: b.get("spring", 2), StoreError, "baseline spring has revisions 1 to 1, found 2"),
        (lambda b: b.retire("autumn", **WHO), StoreError, "no baseline autumn"),
        (lambda b: b.accept("x", [77], **WHO), StoreError, "no run 77"),
        (lambda b: b.accept("x", [], **WHO), UsageError, "needs runs, each once"),
        (lambda b: b.accept("x", [1, 1], **WHO), UsageError, "needs runs, each once"),
        (lambda b: b.accept("x", [1], mountings=["a", "b"], **WHO), UsageError, "a mounting each"),
        (lambda b: b.accept("x", [1, 5], **WHO), StoreError, r"run 5 of rig handwheel .*: a baseline is of one rig"),
        (lambda b: b.accept("spring", [5], **WHO), StoreError, "these runs of rig handwheel .*: choose another name"),
        (lambda b: b.accept("a b", [1], **WHO), UsageError, "baseline 'a b': expected a name of up to 60 letters"),
        (lambda b: b.accept("x", [1], by_whom=" ", why="y"), UsageError, "--by: expected .*, found nothing"),
        (lambda b: b.accept("x", [1], by_whom="x", why="\x1b[2J"), UsageError, r"--why: .*found \\x1b\[2J"),
        (lambda b: b.retire("spring", by_whom="x", why=""), UsageError, "--why: expected"),
    ],
)
def test_what_is_refused_leaves_no_trace(store, act, kind, words):
    made = store.baselines.accept("spring", [1, 2], **WHO)
    with pytest.raises(kind, match=words) as caught:
        act(store.baselines)
    assert "\n" not in str(caught.value)
    assert store.baselines.all() == [made]


def test_simulated_beside_real_is_refused(store, tmp_path):
    folder = written(tmp_path / "real", seed=9)
    path = folder / "record.json"
    path.write_text(path.read_text().replace('"simulated": true', '"simulated": false'))
    real = store.keep(folder).id
    with pytest.raises(StoreError, match=r"rig sluice \(simulated\), run 6 of rig sluice \(real\)"):
        store.baselines.accept("spring", [1, real], **WHO)
    store.baselines.accept("spring", [1], **WHO)
    with pytest.raises(StoreError, match="choose another name"):
        store.baselines.accept("spring", [real], **WHO)


def test_no_baselines_yet(store):
    assert store.baselines.all() == []
    with pytest.raises(StoreError, match="no baseline spring; there are none; `rotorgate baseline accept` makes one"):
        store.baselines.get("spring")


def test_one_name_is_one_however_its_letters_are_spelled():
    assert name_of("e\u0301te\u0301") == name_of("\u00e9t\u00e9")


@given(st.text())
def test_a_name_or_a_text_is_kept_whole_or_refused_in_one_line(text):
    for read in (name_of, lambda given: text_of(given, "--why")):
        try:
            kept = read(text)
        except UsageError as error:
            assert str(error).isprintable()
        else:
            assert kept.isprintable()
            assert read(kept) == kept
            assert kept
    assert len(name_of("x" * LONGEST_NAME)) == LONGEST_NAME


NAMES = st.sampled_from(["spring", "autumn", "not a name"])
RUNS = st.lists(st.integers(1, 6), max_size=4)
LABELS = st.one_of(st.none(), st.lists(st.sampled_from(["a", "b", ""]), max_size=4))
TEXT = st.text(max_size=10)
STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("accept"), NAMES, RUNS, LABELS, TEXT),
        st.tuples(st.just("retire"), NAMES, st.one_of(st.none(), st.integers(0, 4)), TEXT),
        st.tuples(st.just("reopen")),
    ),
    max_size=12,
)


def any_steps_lose_and_change_nothing(place: str, steps: list[tuple[object, ...]]) -> None:
    """What was acknowledged is a dictionary here; the store must say the same after every step."""
    accepted: dict[tuple[str, int], tuple[object, ...]] = {}
    retired: dict[tuple[str, int], str] = {}
    with tempfile.TemporaryDirectory() as home:
        store = Store.open(place, make=True)
        try:
            for seed in range(1, 5):
                store.keep(written(Path(home) / str(seed), seed=seed, observations=()))
            store.keep(written(Path(home) / "other", rig="handwheel", observations=()))
            for act, *words in steps:
                try:
                    if act == "reopen":
                        store.close()
                        store = Store.open(place)
                    elif act == "accept":
                        name, runs, labels, text = words
                        made = store.baselines.accept(name, runs, by_whom=f"by {len(text)}", why=text, mountings=labels)
                        key = (made.name, made.revision)
                        assert key not in accepted
                        assert made.revision == 1 + sum(other[0] == name for other in accepted)
                        assert sorted(runs) == list(made.runs)
                        accepted[key] = (made.runs, made.mountings, made.by_whom, made.why, made.accepted_utc)
                    else:
                        name, revision, text = words
                        gone = store.baselines.retire(name, revision, by_whom="x", why=text)
                        assert (gone.name, gone.revision) not in retired
                        retired[gone.name, gone.revision] = gone.retirement.why
                except HarnessError as error:
                    assert str(error).isprintable()
                found = {(revision.name, revision.revision): revision for revision in store.baselines.all()}
                assert {
                    key: (revision.runs, revision.mountings, revision.by_whom, revision.why, revision.accepted_utc)
                    for key, revision in found.items()
                } == accepted  # fmt: skip
                assert {
                    key: revision.retirement.why for key, revision in found.items() if revision.retirement
                } == retired
                for name in {key[0] for key in accepted}:
                    newest = max(key[1] for key in accepted if key[0] == name)
                    assert store.baselines.get(name).revision == newest
        finally:
            store.close()


@examples(30)
@given(STEPS)
def test_any_sequence_of_accepting_and_retiring(steps):
    with tempfile.TemporaryDirectory() as home:
        any_steps_lose_and_change_nothing(f"{home}/store.sqlite", steps)


@settings(examples(10), suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(STEPS)
def test_any_sequence_of_accepting_and_retiring_on_postgresql(cluster, steps):
    any_steps_lose_and_change_nothing(schema(cluster), steps)
