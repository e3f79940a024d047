"""Records: on disk when taken, whole at any moment, readable unfinished, refused in words when damaged."""

import json
import math
import os
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.base.errors import HarnessError, RecordError
from harness.nouns.observation import Column, Observation
from harness.nouns.quantity import Contribution, Quantity, exact
from harness.nouns.results import Curve, Expectation, Measurement, Outcome, Requirement, Unmeasured, Verdict
from harness.record import read
from harness.record.entries import DiagnosisEntry, StopEntry
from harness.record.forms import clean, curve_entry, expectation_entry, measurement_entry
from harness.record.results import curve_from, expectation_from, measurement_from
from harness.record.write import GROWING
from tests.software.record.contents import content_of
from tests.software.record.contents import writer as writer_of


def observation(name: str = "leaf.step.small") -> Observation:
    data = np.array([(1, -5), (2, 7)], dtype=[("t", "<u4"), ("count", "<i2")])
    columns = (Column(name="t", unit="s", scale=1e-6), Column(name="count", unit="rad", scale=1e-3))
    return Observation(name=name, columns=columns, data=data, conditions={"amplitude": np.float32(0.5), "at": (1, 2)})


def test_an_observation_is_there_before_the_run_ends(tmp_path):
    writer = writer_of(tmp_path / "run")
    writer.keep(observation())
    record = read(tmp_path / "run")
    assert not record.finished
    taken = record.observation("leaf.step.small")
    assert taken.data.tolist() == [(1, -5), (2, 7)]
    assert taken.si("t").tolist() == pytest.approx([1e-6, 2e-6])
    assert taken.conditions == {"amplitude": 0.5, "at": [1, 2]}
    assert [entry.name for entry in record.observations()] == ["leaf.step.small"]


def test_a_killed_run_leaves_a_readable_record(tmp_path):
    program = (
        "import os, sys; from pathlib import Path\n"
        "from tests.software.record.test_record import observation, writer_of\n"
        f"w = writer_of(Path({str(tmp_path / 'run')!r}))\n"
        "for k in range(5): w.keep(observation(f'leaf.step.n{k}'))\n"
        "print('kept', flush=True); os.kill(os.getpid(), 9)\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
    if os.name == "posix":
        assert done.returncode == -9, done.stderr
    assert len(read(tmp_path / "run").observations()) == 5


def test_results_come_back_as_they_were(tmp_path):
    quantity = Quantity(value=1.5, unit="N m", budget={"a": Contribution(u=-0.1, dof=4.0), "b": Contribution(u=0.2)})
    measurement = Measurement(name="leaf.step.delay", quantity=quantity, observations=("o",), note="n")
    expectation = Expectation(
        name="leaf.step.delay", quantity=exact(1.0, "N m"), interval=(0.9, 1.1), inputs={"r": 5.6}
    )
    silent = Expectation(name="leaf.step.decay", needs=("motor.leaf.flux_linkage_v_s", "supply.voltage_v"))
    absent = Unmeasured(name="leaf.step.decay", outcome=Outcome.NOT_RUN, reason="because")
    writer = writer_of(tmp_path)
    writer.add(results=[measurement, absent], expectations=[expectation, silent])
    writer.add(
        verdicts=[
            Verdict(
                name="leaf.step.delay",
                outcome=Outcome.CONFORMING,
                limits=(-math.inf, 2.0),
                requirement=Requirement(name="x", high=2.0),
                e_n=math.inf,
            )
        ]
    )
    writer.add(
        curves=[
            Curve(
                name="leaf.step.small",
                title="t",
                x_label="x",
                x_unit="s",
                y_label="y",
                y_unit="rad",
                series={"up": ((0.0, 1.0),)},
                models={"up": ((0.0, 1.0, 0.1), (0.5, 1.2, 0.2))},
            )
        ]
    )
    writer.finish(0, "2026-01-01T00:00:00Z")
    record = read(tmp_path)
    assert record.finished
    assert record.results == [measurement, absent]
    assert record.expectations == [expectation, silent]
    (curve,) = record.curves
    assert curve.models == {"up": ((0.0, 1.0, 0.1), (0.5, 1.2, 0.2))}
    content = content_of(record)
    assert content["verdicts"][0]["limits"] == [None, 2.0]
    assert content["measurements"][0]["budget"][0]["source"] == "b"
    json.loads((tmp_path / "record.json").read_text(), parse_constant=lambda word: pytest.fail(f"{word} in JSON"))


def test_the_one_model_of_a_curve_of_before_is_that_of_all_its_series():
    entry = curve_entry(Curve(name="a.b.c", title="", x_label="", x_unit="", y_label="", y_unit="", series={"up": ()}))
    assert curve_from(entry).models == {}
    older = {**{key: value for key, value in entry.items() if key != "models"}, "model": [[0.0, 1.0, 0.1]]}
    assert curve_from(older).models == {"": ((0.0, 1.0, 0.1),)}
    assert curve_from({**older, "model": []}).models == {}


floats = st.floats(-1e6, 1e6)
quantities = st.builds(
    Quantity,
    value=floats,
    unit=st.just("rad"),
    budget=st.dictionaries(
        st.text(max_size=5),
        st.builds(Contribution, u=floats, dof=st.floats(0.5, 100) | st.just(math.inf), remedy=st.text(max_size=5)),
        max_size=4,
    ),
)


@given(quantities, st.text(max_size=5))
def test_any_quantity_survives_json(quantity, note):
    measurement = Measurement(name="a.b.c", quantity=quantity, note=note)
    entry = json.loads(json.dumps(clean(measurement_entry(measurement)), allow_nan=False))
    assert measurement_from(entry) == measurement
    expectation = Expectation(name="a.b.c", quantity=quantity)
    assert expectation_from(json.loads(json.dumps(clean(expectation_entry(expectation))))) == expectation


def test_what_is_on_disk_is_what_the_writer_holds_after_every_change(tmp_path):
    writer = writer_of(tmp_path, lot='odd \u00e9 "name"')
    changes = [
        lambda: writer.keep(observation("a")),
        lambda: writer.begin("leaf step"),
        lambda: writer.explain([], DiagnosisEntry(words="none"), whole=True),
        lambda: writer.add(results=[Unmeasured(name="a.b", outcome=Outcome.NOT_RUN, reason="r")]),
        writer.add,
        lambda: writer.keep(observation("b")),
        lambda: writer.add(expectations=[Expectation(name="x.y.z"), Expectation(name="x.y.w")]),
        lambda: writer.stop("bench", "line\nbreak"),
        lambda: writer.finish(3, "2026-01-01T00:00:00Z"),
    ]
    seen = []
    for change in [lambda: None, *changes]:
        change()
        text = (tmp_path / "record.json").read_text()
        assert text.encode() == writer.read().data
        seen.append(text)
    assert len(set(seen)) == len(seen) - 1  # only the empty `add` changed nothing
    content = json.loads(text)
    grown = [max(1, len(content[name])) for name in GROWING]
    assert len(text.splitlines()) == 2 + len(content) - len(grown) + sum(grown) + 2 * len(grown)  # an entry a line


def test_a_first_stop_stands(tmp_path):
    writer = writer_of(tmp_path)
    writer.stop("bench", "the board does not answer")
    writer.stop("defect", "what followed")
    writer.finish(3, "2026-01-01T00:00:00Z")
    record = read(tmp_path)
    assert not record.finished
    assert record.stop == StopEntry(kind="bench", message="the board does not answer")
    writer.stop("bench", "what followed", by_hand="SWITCH OFF")
    stop = content_of(read(tmp_path))["stop"]
    assert next(iter(stop.items())) == ("by_hand", "SWITCH OFF")
    assert stop["message"] == "the board does not answer"


def test_what_is_refused(tmp_path):
    writer = writer_of(tmp_path)
    with pytest.raises(RecordError, match="holds a record already; choose another folder with --out"):
        writer_of(tmp_path)
    writer.keep(observation())
    with pytest.raises(HarnessError, match=r"leaf.step.small: kept already"):
        writer.keep(observation())
    with pytest.raises(HarnessError, match="expected a dotted name"):
        writer.keep(observation("../outside"))
    with pytest.raises(HarnessError, match="holds Python objects"):
        writer.keep(Observation(name="a", columns=(), data=np.array([({},)], dtype=[("x", "O")])))
    (tmp_path / "plain").write_text("")
    with pytest.raises(RecordError, match="cannot make a folder"):
        writer_of(tmp_path / "plain" / "run")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda c: c.update(schema=4), "schema 4, written by a newer rotorgate; this one reads up to 3"),
        (lambda c: c.update(schema=0), "expected a schema number from 1, found 0"),
        (lambda c: c.pop("schema"), "not a record: expected a schema number"),
        (lambda c: c.update(verdicts=None), "damaged: expected verdicts as list, found NoneType"),
    ],
)
def test_damage_is_named(tmp_path, change, message):
    writer_of(tmp_path)
    _change_record(tmp_path, change)
    with pytest.raises(RecordError, match=message):
        read(tmp_path)


def test_no_record_and_no_json(tmp_path):
    with pytest.raises(RecordError, match="no record here; expected a folder that holds"):
        read(tmp_path)
    (tmp_path / "record.json").write_text("{")
    with pytest.raises(RecordError, match="damaged: not valid JSON"):
        read(tmp_path)


def test_files_outside_and_pickles_are_not_read(tmp_path):
    writer = writer_of(tmp_path / "run")
    writer.keep(observation())
    np.save(tmp_path / "outside.npy", np.zeros(2))
    for name in ["../outside.npy", str(tmp_path / "outside.npy"), ".", "", "a\0", "observations/../../outside.npy"]:
        _change_record(tmp_path / "run", lambda c, name=name: c["observations"][0].update(file=name))
        with pytest.raises(RecordError, match=r"damaged record: \S+: expected a file observations/NAME.npy, found"):
            read(tmp_path / "run").observations()
    np.save(tmp_path / "run" / "observations" / "pickle.npy", np.array([{}], dtype=object), allow_pickle=True)
    _change_record(tmp_path / "run", lambda c: c["observations"][0].update(file="observations/pickle.npy"))
    with pytest.raises(RecordError, match="cannot read the observation"):
        read(tmp_path / "run").observations()


def _change_record(folder, change):
    path = folder / "record.json"
    content = json.loads(path.read_text())
    change(content)
    path.write_text(json.dumps(content))
