"""The pool file: what it may say, and every problem of it in one go."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.base.errors import PoolFileError
from harness.pool import load_pool
from tests.examples import examples
from tests.software.run.fakes import ROOT

SIMULATED = ROOT / "rigs_demo" / "rigs" / "sluice.toml"


def problems(folder: Path, text: str | bytes) -> list[str]:
    path = folder / "pool.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(PoolFileError) as caught:
        load_pool(path)
    assert all("\n" not in line for line in caught.value.problems)
    return caught.value.problems


def test_rigs_stand_in_order_under_names_of_their_own(tmp_path):
    (tmp_path / "simulated.toml").write_text(SIMULATED.read_text(encoding="utf-8"), encoding="utf-8")
    (tmp_path / "pool.toml").write_text(
        'schema = 1\nrigs = ["simulated.toml", "simulated.toml"]\nstore = "postgresql://lab/benches"\n'
        '[[rig]]\nfile = "simulated.toml"\nname = "sluice-2"\nplant_seed = 7\n[[rig]]\nfile = "simulated.toml"\n',
        encoding="utf-8-sig",
    )
    pool = load_pool(tmp_path / "pool.toml")
    assert [(entry.name, entry.plant_seed) for entry in pool.entries] == [
        ("sluice", None), ("sluice-3", None), ("sluice-2", 7), ("sluice-4", None),
    ]  # fmt: skip
    assert all(entry.simulated for entry in pool.entries)
    assert pool.store is not None and pool.store.shown == "postgresql://lab/benches"


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(PoolFileError, match=r"none\.toml: no such pool file; it is TOML with schema = 1 and rigs = "):
        load_pool(tmp_path / "none.toml")
    with pytest.raises(PoolFileError, match=r": expected a pool file, found a folder"):
        load_pool(tmp_path)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", ["pool.toml: schema: missing key"]),
        ("schema = 1", ['pool.toml: rigs: expected at least one rig file, such as rigs = ["a.toml"], found none']),
        ("schema = 2", ["pool.toml: schema: expected an integer up to 1, found 2"]),
        ("schema = 1\nrigs = [", ["pool.toml: not valid TOML: Invalid value (at end of document)"]),
        (
            f'schema = 1\nrigs = ["{"a" * 5000}"]',
            ['pool.toml: rigs: expected a list of rig files, such as ["a.toml", "b.toml"], found a list of 1'],
        ),
        ("schema = nan", ["pool.toml: schema: expected a finite number, found nan"]),
        (b"schema = 1\n\xff", ["pool.toml: line 2: expected UTF-8 text, found byte 0xff"]),
        (
            'schema = 1\nrigs = ["a\\u001b.toml"]',
            ['pool.toml: rigs[0]: control characters are refused, found "a\\x1b.toml"'],
        ),
        (
            'schema = 1\nrig = 3\nrgis = ["a.toml"]',
            ["pool.toml: rig: expected a section [rig], found 3", "pool.toml: rgis: unknown key; did you mean rigs?"],
        ),
        (
            'schema = 1\nrigs = [1]\n[[rig]]\nfiel = "a"\nplant_seed = -1',
            [
                'pool.toml: rigs: expected a list of rig files, such as ["a.toml", "b.toml"], found a list of 1',
                "pool.toml: rig[0].file: missing key",
                "pool.toml: rig[0].plant_seed: expected an integer from 0, found -1",
                "pool.toml: rig[0].fiel: unknown key; did you mean file?",
            ],
        ),
        (
            'schema = 1\nstore = "store.sqlite"\nrigs = ["none.toml"]',
            [
                "pool.toml: store: expected postgresql://USER@HOST/DATABASE, found a file; SQLite is one host's",
                "no such rig file",
            ],
        ),
    ],
)
def test_problems_come_at_once_one_line_each(tmp_path, text, words):
    found = problems(tmp_path, text)
    assert len(found) == len(words), found
    assert all(word in line for line, word in zip(found, words, strict=True)), found


def test_a_rig_file_with_problems_is_named_with_each_of_them(tmp_path, rig_file):
    rig_file("good", "/dev/ttyACM0")
    bad = rig_file("bad", "/dev/ttyACM1").read_text().replace("deadman_s", "deadman")
    (tmp_path / "bad.toml").write_text(bad)
    assert problems(tmp_path, 'schema = 1\nrigs = ["good.toml", "bad.toml"]') == [
        "pool.toml: rigs[1]: bad.toml: board.deadman_s: missing key",
        "pool.toml: rigs[1]: bad.toml: board.deadman: unknown key; use deadman_s",
    ]


def test_a_device_is_in_one_rig_only_however_it_is_spelled(tmp_path, rig_file):
    rig_file("a", "rfc2217://Bench-3:4000", "TCPIP::10.1.1.1::5025::SOCKET")
    rig_file("b", "socket://bench-3:4000")
    rig_file("c", "/dev/ttyACM0", "tcpip0::10.1.1.1::5025::socket")
    words = "already; a device can be in one rig only"
    assert problems(tmp_path, 'schema = 1\nrigs = ["a.toml", "b.toml", "c.toml"]') == [
        f"pool.toml: rigs[1] (b.toml): network port bench-3:4000 belongs to rigs[0] (a.toml) {words}",
        f"pool.toml: rigs[2] (c.toml): instrument TCPIP0::10.1.1.1::5025::SOCKET belongs to rigs[0] (a.toml) {words}",
    ]


def test_what_only_a_simulated_rig_takes_and_names_that_stand_twice(tmp_path, rig_file):
    rig_file("a", "/dev/ttyACM0")
    rig_file("b", "/dev/ttyACM1")
    entries = '[[rig]]\nfile = "a.toml"\nplant_seed = 1\n[[rig]]\nfile = "b.toml"\nname = "x"\n'
    found = problems(tmp_path, f"schema = 1\n{entries}[[rig]]\nfile = {str(SIMULATED)!r}\nname = 'x'\n")
    assert found == [
        "pool.toml: rig[0]: plant_seed: only for a rig of the simulated bench, and a.toml is a real one",
        "pool.toml: rig[2]: name: expected a name of its own, found x a second time",
    ]


scalars = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8)


@examples(60)
@given(st.data())
def test_no_toml_whatever_it_says_is_a_traceback(tmp_path_factory, data):
    def written(value: object) -> str:
        if isinstance(value, bool):
            return str(value).lower()
        if isinstance(value, str):
            return '"' + "".join(f"\\U{ord(mark):08x}" for mark in value if not 0xD800 <= ord(mark) < 0xE000) + '"'
        return "[]" if value is None else str(value)

    keys = st.sampled_from(["schema", "rigs", "rig", "store", "rig.file", "other"])
    table = data.draw(st.dictionaries(keys, scalars | st.lists(scalars, max_size=3), max_size=4))
    text = "".join(
        f"{key} = [{', '.join(map(written, value))}]\n" if isinstance(value, list) else f"{key} = {written(value)}\n"
        for key, value in table.items()
    )
    folder = tmp_path_factory.mktemp("any")
    assert problems(folder, text)
