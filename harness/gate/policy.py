"""The policy file: by what a release is let through, written down before anything is measured. TOML, schema 1.

schema = 1
name = "releases of the gate drive"
repeats = 2                                # qualifications that decide together, fixed beforehand
time_budget_s = 18000.0                    # after which none is begun any more; `rotorgate plan` says what they take
required = ["stiffness.closed_loop", "step.delay"]   # must be measured and shown to be as in the baseline

[margins]                                  # where it is silent: [detect] of the baseline's rig file
"stiffness.closed_loop" = { percent = 10 }

[waivers]                                  # without it nobody may waive anything
by = ["M. Keeper"]
until = 2027-06-30                         # no waiver outlasts this day

[[waiver]]
quantity = "leaf.step.overshoot"
by = "M. Keeper"
why = "rings more by design since 1.5"
until = 2026-12-31
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Annotated

from pydantic import BeforeValidator, Field, PlainValidator, ValidationError

from harness.base.errors import PolicyError
from harness.base.words import visible
from harness.nouns.names import Name
from harness.nouns.results import Detect
from harness.rigfile import fields, problems, toml
from harness.rigfile.crosscheck import named
from harness.rigfile.fields import integer, listed, number, text
from harness.rigfile.spec import PersonsFile, SpecSection

WHAT = "policy file"
SCHEMA = 1
MOST_REPEATS = 20
"""Arbitrary: more says little more about a board that stays mounted."""

NameField = Annotated[str, text("text of 1 to 200 characters", r"\S.{0,199}")]
WhyField = Annotated[str, text("a reason of 1 to 1000 characters", r"\S.{0,999}", longest=1000)]
DayField = Annotated[date, PlainValidator(fields.day)]
QuantityField = Annotated[str, PlainValidator(fields.name_of_quantity)]


def _person(value: object) -> str:
    if not isinstance(value, str) or not value.strip() or len(value) > 200:
        raise fields.refuse("names of people, each of 1 to 200 characters")
    return value


def _entries(value: object) -> object:
    if not isinstance(value, list):
        raise fields.refuse("entries that begin with [[waiver]]")
    return tuple(value)


class Risks(SpecSection):
    """[risks] of the comparison with the baseline."""

    difference: Annotated[float, number(1e-6, 0.49)] = 0.01
    """That an unchanged board is called different in any of its quantities."""
    equivalence: Annotated[float, number(1e-6, 0.49)] = 0.05
    """That a quantity off by its margin is called equivalent."""


class Waivers(SpecSection):
    """[waivers]: who may waive, and until when at most."""

    by: Annotated[tuple[str, ...], listed("a list of people who may waive", _person, 1, 50)]
    until: DayField


class Waiver(SpecSection):
    """[[waiver]]: what somebody answers for. Nobody checks who wrote it: the name is self-declared."""

    quantity: QuantityField
    by: NameField
    why: WhyField
    until: DayField

    def covers(self, name: str) -> bool:
        """Whether it speaks of a quantity, given by full name."""
        return self.quantity in (name, Name(name).suffix)


class Policy(PersonsFile):
    """A policy. Made by `load`."""

    schema_: Annotated[int, integer(SCHEMA, SCHEMA)] = Field(alias="schema")
    name: NameField
    repeats: Annotated[int, integer(1, MOST_REPEATS)]
    time_budget_s: Annotated[float, number(1.0, 1e6)]
    required: Annotated[
        tuple[str, ...], listed("a list of 1 to 200 names of checks or quantities", fields.name_of_quantity, 1, 200)
    ]
    risks: Risks = Risks()
    margins: Mapping[str, Annotated[Detect, PlainValidator(fields.detect)]] = Field(default_factory=dict)
    waivers: Waivers | None = None
    waiver: Annotated[tuple[Waiver, ...], BeforeValidator(_entries)] = ()

    def check_names(self, motors: Sequence[str]) -> None:
        """Whether every name is of a quantity that a rig with these motors has. Raises PolicyError with all."""
        unknown = problems.once_a_place(self._file, self._strangers(motors))
        if unknown:
            raise PolicyError(unknown)

    def required_of(self, names: Iterable[str]) -> list[str]:
        """Those of these full names that are required: by full name, as `check.quantity`, or by their check."""
        wanted = set(self.required)
        return [name for name in names if wanted & Name(name).keys]

    def standing(self, name: str, on_day: date) -> Waiver | None:
        """The waiver that covers a quantity on that day, if there is one."""
        return next((waiver for waiver in self.waiver if waiver.covers(name) and on_day <= waiver.until), None)

    def _strangers(self, motors: Sequence[str]) -> Iterator[problems.Problem]:
        for position, name in enumerate(self.required):
            yield from named(("required", position), name, motors, checks=True)
        for name in self.margins:
            yield from named(("margins", name), name, motors)
        for position, waiver in enumerate(self.waiver):
            yield from named(("waiver", position, "quantity"), waiver.quantity, motors)


def load_policy(path: Path) -> Policy:
    """Read a policy file. Raises PolicyError with all problems, one line each."""
    return loads_policy(toml.bytes_of(path, WHAT, PolicyError), toml.name_of(path))


def loads_policy(content: bytes, file: str) -> Policy:
    """A policy from its file's bytes; `file` names it in messages. Raises as `load`."""
    whole, raw = toml.tables_of(content, file, WHAT, PolicyError)
    problems_found = list(toml.unclean(raw))
    policy: Policy | None = None
    try:
        policy = Policy.model_validate(raw)
    except ValidationError as error:
        problems_found += problems.of_validation(error, raw, Policy)
    if policy is not None:
        problems_found += _unfounded(policy)
    if problems_found or policy is None:
        raise PolicyError(problems.once_a_place(file, problems_found))
    policy.read_from(content, whole, file)
    return policy


def _unfounded(policy: Policy) -> Iterator[problems.Problem]:
    """Waivers that nobody may give, or for longer than anybody may."""
    for position, waiver in enumerate(policy.waiver):
        place: problems.KeyPath = ("waiver", position)
        if policy.waivers is None:
            yield place, "nobody may waive by this policy; add [waivers] with by and until, or leave the waiver out"
            continue
        if waiver.by not in policy.waivers.by:
            people = ", ".join(map(visible, policy.waivers.by))
            yield (*place, "by"), f"expected one of those in waivers.by ({people}), found {visible(waiver.by)}"
        if waiver.until > policy.waivers.until:
            yield (*place, "until"), f"expected at most waivers.until, {policy.waivers.until}, found {waiver.until}"


def required_by(wanted: str, names: Iterable[str]) -> list[str]:
    """Those of these full names that one entry of `required` asks for."""
    return [name for name in names if wanted in Name(name).keys]
