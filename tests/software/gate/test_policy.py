"""The policy file: every problem at once, one line each; who may waive, and until when."""

from __future__ import annotations

import hashlib
from datetime import date

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from harness.base.errors import ExitCode, PolicyError
from harness.gate.policy import Policy, load_policy, loads_policy

WHOLE = """\
schema = 1
name = "releases"
repeats = 2
time_budget_s = 900.0
required = ["stiffness.closed_loop", "leaf.step.delay", "commutation"]

[risks]
difference = 0.02

[margins]
"stiffness.closed_loop" = { percent = 10 }
"leaf.step.delay" = { absolute = 1.0e-3 }

[waivers]
by = ["M. Keeper", "A. Warden"]
until = 2027-06-30

[[waiver]]
quantity = "leaf.step.overshoot"
by = "M. Keeper"
why = "rings more by design"
until = 2026-12-31

[[waiver]]
quantity = "step.settling_time"
by = "A. Warden"
why = "the same"
until = 2027-06-30
"""
MOTORS = ("leaf", "wheel")
TODAY = date(2026, 11, 27)


def policy(text: str = WHOLE) -> Policy:
    return loads_policy(text.encode(), "policy.toml")


def problems(text: str) -> list[str]:
    with pytest.raises(PolicyError) as caught:
        policy(text).check_names(MOTORS)
    assert caught.value.exit_code is ExitCode.USAGE
    return str(caught.value).splitlines()


def test_a_whole_policy():
    found = policy()
    found.check_names(MOTORS)
    assert (found.repeats, found.time_budget_s, found.risks.difference, found.risks.equivalence) == (
        2,
        900.0,
        0.02,
        0.05,
    )
    assert found.margins["stiffness.closed_loop"].percent == 10
    assert (found.file, found.text) == ("policy.toml", WHOLE)
    assert len(found.sha256) == 64


def test_what_is_required():
    names = ["leaf.stiffness.closed_loop", "wheel.stiffness.closed_loop", "leaf.step.delay", "wheel.step.delay",
             "wheel.commutation.offset", "together.supply_sag", "leaf.stiffness.ratio"]  # fmt: skip
    assert policy().required_of(names) == [names[0], names[1], names[2], names[4]]


def test_a_waiver_stands_to_its_last_day_and_for_its_quantity_only():
    found = policy()
    assert found.standing("leaf.step.overshoot", date(2026, 12, 31)).by == "M. Keeper"
    assert found.standing("leaf.step.overshoot", date(2027, 1, 1)) is None
    assert found.standing("wheel.step.overshoot", TODAY) is None
    assert found.standing("wheel.step.settling_time", TODAY).by == "A. Warden"
    assert found.standing("leaf.step.limits", TODAY) is None
    assert found.standing("overleaf.step.overshoot", TODAY) is None, "the name of another motor that ends like it"


@pytest.mark.parametrize("name", ["m. keeper", "M. Keeper ", "M.  Keeper", "\u041c. Keeper", "M.\u00a0Keeper"])
def test_nobody_waives_under_a_name_that_only_looks_like_one_of_the_list(name):
    (line,) = problems(WHOLE.replace('by = "M. Keeper"', f'by = "{name}"', 1))
    assert line.startswith("policy.toml: waiver[0].by: expected one of those in waivers.by (M. Keeper, A. Warden)")


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("schema = 1", "schema = 2", "schema: expected an integer up to 1, found 2"),
        ('name = "releases"\n', "", "name: missing key"),
        ("repeats = 2", "repeats = 0", "repeats: expected an integer from 1, found 0"),
        ("repeats = 2", "repeats = true", "repeats: expected an integer from 1 to 20, found true"),
        ("900.0", "nan", "time_budget_s: expected a finite number, found nan"),
        ("difference = 0.02", "difference = 0.6", "risks.difference: expected a number up to 0.49, found 0.6"),
        (
            "{ percent = 10 }",
            "{ percents = 10 }",
            'margins."stiffness.closed_loop".percents: unknown key; did you mean percent?',
        ),
        ("repeats", "repeat", "repeat: unknown key; did you mean repeats?"),
        ('"leaf.step.delay", ', '"leaf.step.dealy", ', "required[1]: no such quantity; did you mean step.delay?"),
        ('"commutation"]', '"comutation"]', "required[2]: no such quantity; did you mean commutation?"),
        (
            '"leaf.step.delay" =',
            '"leaves.step.delay" =',
            'margins."leaves.step.delay": no such quantity; did you mean step.delay?',
        ),
        (
            '"leaf.step.overshoot"',
            '"leaf.step.limits"',
            "waiver[0].quantity: no such quantity; see harness/checks/QUANTITIES.md",
        ),
        (
            'by = "M. Keeper"',
            'by = "M. Keepr"',
            "waiver[0].by: expected one of those in waivers.by (M. Keeper, A. Warden), found M. Keepr",
        ),
        (
            "until = 2026-12-31",
            "until = 2027-12-31",
            "waiver[0].until: expected at most waivers.until, 2027-06-30, found 2027-12-31",
        ),
        (
            "until = 2026-12-31",
            'until = "2026-12-31"',
            'waiver[0].until: expected a day, such as 2027-06-30 without quotes, found "2026-12-31"',
        ),
        (
            "until = 2026-12-31",
            "until = 2026-12-31\nwhen = 1",
            "waiver[0].when: unknown key; known here: quantity, by, why, until",
        ),
        ('why = "rings more by design"\n', "", "waiver[0].why: missing key"),
        (
            'by = ["M. Keeper", "A. Warden"]',
            "by = []",
            "waivers.by: expected a list of people who may waive, found a list of 0",
        ),
        (
            '[waivers]\nby = ["M. Keeper", "A. Warden"]\nuntil = 2027-06-30\n',
            "",
            "waiver[0]: nobody may waive by this policy; add [waivers] with by and until, or leave the waiver out",
        ),
        ("[[waiver]]", "[waiver]", None),
        ("releases", "re\\u001bleases", 'name: control characters are refused, found "re\\x1bleases"'),
    ],
)
def test_what_is_wrong_is_said_in_a_line_each(old, new, words):
    assert old in WHOLE
    found = problems(WHOLE.replace(old, new, 1))
    assert words is None or f"policy.toml: {words}" in found
    assert all(line.startswith("policy.toml: ") for line in found)


def test_all_problems_come_at_once():
    found = problems(WHOLE.replace("repeats = 2", "repeats = 0").replace("2026-12-31", "7").replace("900.0", "-1"))
    assert [line.split(": ")[1] for line in found] == ["repeats", "time_budget_s", "waiver[0].until"]


def test_one_entry_that_should_be_several():
    assert problems(WHOLE.partition("[[waiver]]")[0] + '[waiver]\nquantity = "step.delay"\n') == [
        "policy.toml: waiver: expected entries that begin with [[waiver]], found a table with quantity"
    ]


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("absent.toml", "absent.toml: no such policy file"),
        ("", ": expected a policy file, found a folder"),
        ("bytes.toml", "bytes.toml: line 2: expected UTF-8 text, found byte 0xff"),
        ("half.toml", "half.toml: not valid TOML: "),
    ],
)
def test_a_file_that_is_none(tmp_path, name, words):
    (tmp_path / "bytes.toml").write_bytes(b"schema = 1\nname = '\xff'\n")
    (tmp_path / "half.toml").write_text("schema = 1\nname = [\n")
    with pytest.raises(PolicyError) as caught:
        load_policy(tmp_path / name)
    assert words in str(caught.value)
    assert len(str(caught.value).splitlines()) == 1


def test_a_mark_at_its_beginning_and_the_ends_of_its_lines_do_not_matter():
    assert loads_policy(b"\xef\xbb\xbf" + WHOLE.replace("\n", "\r\n").encode(), "p").repeats == 2


def test_the_hash_is_of_the_file_as_it_lies_there():
    content = WHOLE.replace("\n", "\r\n").encode()
    assert loads_policy(content, "p").sha256 == hashlib.sha256(content).hexdigest()


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5) | st.dates(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)


@given(key=st.sampled_from(sorted(Policy.model_fields)), value=VALUES)
@example(key="waiver", value=[{}])
def test_any_value_in_any_place_is_a_policy_or_lines_that_say_why(key, value):
    import tomllib

    from pydantic import ValidationError

    from harness.rigfile.problems import of_validation, once_a_place

    raw = {**tomllib.loads(WHOLE), {"schema_": "schema"}.get(key, key): value}
    try:
        Policy.model_validate(raw)
    except ValidationError as error:
        found = once_a_place("policy.toml", of_validation(error, raw, Policy))
        assert found
        assert all(line.startswith("policy.toml: ") and line.isprintable() for line in found)
