"""The page of one board: everything on it comes from its records, and it claims no more than they say."""

from __future__ import annotations

import re

import pytest

from harness.base.errors import UsageError
from harness.lot.certificate import certificate, write_certificates
from harness.lot.gathered import gather
from harness.lot.quantities import quantities
from harness.lot.reference import compare_with_reference
from harness.nouns.coverage import safe_half_width
from harness.report.certificate import certificate_page
from tests.software.lot.records import NAME, boards, rise, run

AGREES = [{"name": NAME, "outcome": "agrees"}, {"name": NAME, "outcome": "conforming", "requirement": {"high": 6.0}}]
NOT_RUN = {"name": "leaf.step.delay", "outcome": "not run", "reason": "needs a known torque: add [motor.leaf.load]"}


def page(runs, board="B01", reference=None):
    lot = gather("spring", runs)
    found = quantities(lot)
    beside = compare_with_reference(lot, reference, found) if reference else None
    made = certificate(lot, board, found, "2026-02-03T04:05:06+00:00", beside)
    return made, certificate_page(made)


def two(value=3.7, **options):
    own = {"verdicts": [*AGREES, NOT_RUN], **options}
    return [
        run(k, "B01", {NAME: rise(value, 0.02, instrument__meter_leaf__voltage=0.05)}, repeat=(k, 2), **own)
        for k in (1, 2)
    ]


def test_the_page_says_what_was_measured_on_what_by_which_rule_and_where_it_ends():
    made, text = page(two())
    assert made.claim == "accepted"
    (line,) = [line for line in made.lines if line.word == "conforming"]
    half, u = 0.0999, (0.05**2 + 0.02**2 / 2) ** 0.5
    found = re.fullmatch(r"3\.700 ± (0\.\d+) K", line.value)
    assert found is not None
    assert float(found[1]) == pytest.approx(half, abs=0.012)
    assert float(line.factor) == pytest.approx(float(found[1]) / u, rel=0.02)
    assert (line.runs, line.required) == ("2", "at most 6 K")
    for said in (
        "Board B01 conforms in all that was measured and judged",
        "lot spring",
        "idB01",
        "drive 2.0",
        "f1",
        "ab" * 32,
        "Maker,Multimeter,SN200,1.0",
        "gravity arm of 0.205 kg at 0.03 m",
        "2026-01-01T00:01:00+00:00",
        "1 of 2",
        "uid2",
        "JCGM 106:2012",
        "ISO 14253-1",
        "agrees in 2 of 2",
        "needs a known torque: add [motor.leaf.load]",
        "issued by no accredited laboratory",
        "on the reference motor (leaf and wheel)",
        "signature",
        "2026-02-03T04:05:06+00:00",
    ):
        assert said in text, said
    assert "SIMULATED" not in text
    assert "<script" not in text
    assert "http" not in text.replace("http-equiv", "")
    assert "size: A4" in text


def test_a_simulated_board_is_called_so_first_and_last():
    text = page(two(simulated=True, plant_seed=None))[1]
    assert text.index("SIMULATED BENCH: board, motors and instruments are simulated") < text.index("<main>")
    assert "it says nothing about hardware" in text


@pytest.mark.parametrize(
    ("options", "claim", "words"),
    [
        ({"value": 6.9}, "refused", "Board B01 does not conform"),
        ({"value": 6.02}, "open", "No decision on board B01"),
        ({"exit_code": 2}, "open", "No decision on board B01"),
        ({"verdicts": [{"name": NAME, "outcome": "differs"}]}, "refused", "Board B01 does not conform"),
        (
            {"verdicts": [*AGREES, {"name": "leaf.step.limits", "outcome": "nonconforming", "reason": "too fast"}]},
            "refused",
            "Board B01 does not conform",
        ),
    ],
)
def test_the_page_claims_no_more_than_the_records(options, claim, words):
    made, text = page(two(**options))
    assert made.claim == claim
    assert f"<h1>{words}</h1>" in text
    assert f'<header class="{claim}">' in text


def test_one_run_that_found_something_refuses_the_board_though_its_mean_conforms():
    runs = two()
    runs[0] = run(1, "B01", {NAME: rise(3.7)}, repeat=(1, 2), verdicts=[{"name": NAME, "outcome": "differs"}])
    made, text = page(runs)
    assert made.claim == "refused"
    assert "differs in 1 of 2" in text


def test_strangers_text_is_harmless():
    hostile = "<script>alert(1)</script>\x1b[31m"
    text = page(two(machine=hostile, verdicts=[*AGREES, {**NOT_RUN, "reason": hostile}]))[1]
    assert "<script>" not in text
    assert "\x1b" not in text
    assert "&lt;script&gt;alert(1)&lt;/script&gt;\\x1b[31m" in text


def test_beside_a_reference_board_each_quantity_has_its_difference():
    runs = [*two(), *[run(10 + k, "B00", {NAME: rise(3.4 + 0.01 * (k % 3), 0.02)}) for k in range(6)]]
    made, text = page(runs, reference="B00")
    assert "Less board B00" in text
    assert "6 mountings of it" in text
    assert made.lines[0].apart.endswith(": equivalent")
    assert re.match(r"0\.2\d+ ± 0\.\d+ K", made.lines[0].apart)
    own = page(runs, board="B00", reference="B00")[0]
    assert own.lines[0].apart == ""


def test_a_page_for_each_board_is_written_and_a_folder_that_cannot_be_is_told(tmp_path):
    lot = gather("spring", boards(3))
    paths = write_certificates(lot, quantities(lot), tmp_path / "out" / "pages", "2026-01-01")
    assert [path.name for path in paths] == [f"certificate-B0{k}.html" for k in (1, 2, 3)]
    assert "board B02, lot spring" in paths[1].read_text(encoding="utf-8")
    assert write_certificates(lot, quantities(lot), tmp_path / "out" / "pages", "2026-01-02") == paths
    other = gather("summer", boards(3))
    with pytest.raises(UsageError, match=r"certificate-B01.html: is there, and no page of board B01 of lot summer"):
        write_certificates(other, quantities(other), tmp_path / "out" / "pages", "2026-01-02")
    twins = gather("spring", [run(k, name, {NAME: rise(3.7)}) for k, name in ((1, "b1"), (2, "B1"))])
    with pytest.raises(UsageError, match="differ in capitals alone"):
        write_certificates(twins, [], tmp_path / "twins", "2026-01-02")
    (tmp_path / "file").write_text("")
    with pytest.raises(UsageError, match=r"--out .*file: cannot write"):
        write_certificates(lot, [], tmp_path / "file", "2026-01-01")


def test_the_guard_band_is_that_of_the_rule():
    lot = gather("spring", [run(1, "B01", {NAME: rise(5.9, 0.05)})])
    (found,) = quantities(lot)
    verdict = found.boards["B01"].verdict
    mean = found.boards["B01"].mean
    assert verdict.margin == pytest.approx(0.1 - safe_half_width(mean, 0.10))
