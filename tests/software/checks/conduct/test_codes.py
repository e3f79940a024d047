"""What the codes of conduct say, code by code."""

from __future__ import annotations

from harness.checks.catalogue import measurand_of
from harness.checks.conduct.quantities import Following, Trace


def test_every_code_has_its_meaning_and_no_other_number_has_one() -> None:
    following, trace = (measurand_of(f"leaf.conduct.{name}") for name in ("following", "trace"))
    assert following is not None and trace is not None
    for row, codes in ((following, Following), (trace, Trace)):
        assert len(row.meanings) == len(codes)
        assert [row.meaning(value) for value in (len(codes), 0.5, -1.0)] == ["", "", ""]
    assert following.meaning(Following.ONE_WAY) == "one way only"
    assert trace.meaning(Trace.OLD) == "old passes"
