"""The rig file of a running bench, and what a person who writes one of their own must know."""

from __future__ import annotations

import tomllib

import pytest

from rigs_demo.__main__ import main
from rigs_demo.scenario import Scenario


def test_the_clock_of_a_bench_stands_under_what_it_means() -> None:
    scenario = Scenario.load("sluice")
    addresses = dict.fromkeys(scenario.rig["instrument"], "x")
    text = scenario.rig_file("/dev/port", addresses, "127.0.0.1:9")
    before, _, after = text.partition("\n[clock]\n")
    assert before.rpartition("\n\n")[2].startswith("# This bench owns the time, and ends with its first user.")
    assert "--wall-clock" in before.rpartition("\n\n")[2]
    assert after == 'address = "127.0.0.1:9"\n'
    assert tomllib.loads(text)["clock"] == {"address": "127.0.0.1:9"}
    assert "[clock]" not in scenario.rig_file("/dev/port", addresses, None)


def test_help_says_what_becomes_of_a_bench_without_a_wall_clock(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["--help"])
    said = " ".join(capsys.readouterr().out.split())
    assert "without this option the bench ends with its first user" in said
    assert "must copy [clock]" in said
