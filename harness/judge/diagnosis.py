"""What a pattern of verdicts points to: one cause, a set that cannot be told apart, or `cause not known`.

Each row of harness/judge/causes.py is tried as the single explanation of everything that was measured: its
size is fitted, and it stands if then every quantity lies within K u of what the row predicts (u is the uncertainty
of the difference and K u its limit, as in harness/judge/verdict.py; a tenth of the predicted change is allowed for the
table's first-order exponents), those that it does not touch included. Several rows may stand: all are named, with what
would part them. None: the cause is not known. Two faults at once fit no row, so they end there, unless together they
look like one; that is why a set says `or several of them together`.

Reads verdicts only.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from harness.checks.catalogue import CHECKS, is_angle, words_of
from harness.judge.causes import CAUSES
from harness.judge.verdict import Rule
from harness.nouns.effects import Anything, Becomes, Cause, Effect, Near, OneOf, Shift, Size
from harness.nouns.names import Name
from harness.nouns.quantity import difference
from harness.nouns.results import Outcome, Verdict, VerdictKind
from harness.nouns.standing import Standing

SLACK = 0.1
"""Share of a predicted change that the table's exponents may be wrong by (arbitrary)."""
GOLDEN = (math.sqrt(5.0) - 1.0) / 2.0
PARTED = 0.03
"""Predictions of two causes that differ by this share of the expected value can be told apart (arbitrary)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedCause:
    """A cause that explains all that was measured: where, how large, and which deviations it explains."""

    name: str
    words: str
    motors: tuple[str, ...]
    sizes: Mapping[str, float]
    explains: tuple[str, ...]
    confirmed_by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosis:
    """The causes that a pattern of verdicts allows.

    Nothing to explain: `differs` is empty. `differs` but no causes: not known. More than one cause: they
    cannot be told apart on this rig, and `parted_by` says which measurements would.
    """

    differs: tuple[str, ...] = ()
    causes: tuple[NamedCause, ...] = ()
    parted_by: tuple[str, ...] = ()

    @property
    def known(self) -> bool:
        """Whether there is a cause, or a set of them, for what differs."""
        return bool(self.causes)

    @property
    def words(self) -> str:
        """The diagnosis in one sentence, empty where nothing differs."""
        if not self.differs:
            return ""
        if not self.causes:
            return "cause not known: no single cause in the table explains " + _listed(self.differs)
        if len(self.causes) == 1:
            return self.causes[0].words
        named = "; or ".join(cause.words for cause in self.causes)
        return f"one of these, or several of them together, not told apart by this rig: {named}"


@dataclass(frozen=True, slots=True)
class _Item:
    """One judged quantity, ready to be compared with predictions."""

    name: str
    motor: str
    suffix: str
    measured: float
    expected: float
    low: float
    high: float
    u_measured: float
    u_expected: float
    shared: float
    """Covariance of measured and expected through the sources they share."""
    factor: float
    """Limit of the difference over its standard uncertainty."""
    outcome: Outcome
    note: str

    def residual(self, predicted: float) -> float:
        """Measured less predicted; 0 anywhere in an interval of equally good values, moved along."""
        off = self.measured - predicted
        if is_angle(self.name):
            return math.remainder(off, 2.0 * math.pi)
        below, above = self.expected - self.low, self.high - self.expected
        return off + below if off < -below else max(off - above, 0.0)

    def allowed(self, predicted: float, *, scaled: bool) -> float:
        """K u of the residual and the table's slack; `scaled`: the expectation's errors grow with its value."""
        return self.factor * self.u(predicted, scaled=scaled) + SLACK * abs(predicted - self.expected)

    def u(self, predicted: float, *, scaled: bool) -> float:
        """Standard uncertainty of measured less predicted."""
        scale = predicted / self.expected if scaled and self.expected else 1.0
        variance = self.u_measured**2 + (scale * self.u_expected) ** 2 - 2.0 * scale * self.shared
        return math.sqrt(max(variance, 0.0))


@dataclass(frozen=True, slots=True)
class _Claim:
    """A row at some motors, with the predictions of what it touches."""

    cause: Cause
    motors: tuple[str, ...]
    expected: Mapping[str, Mapping[str, float]]

    def effect(self, item: _Item) -> Effect | None:
        """What the row does to this quantity; None: it must agree."""
        if not self.at(item.motor):
            return None
        effect = self.cause.effect(item.suffix)
        if isinstance(effect, Becomes):
            try:
                effect.value(self.expected.get(item.motor, {}), 1.0)
            except KeyError:  # an expectation it needs is absent: it cannot say
                return Anything.FREE
        return effect

    def named_effect(self, name: str) -> Effect | None:
        """What the row does to a quantity that only a limit or a requirement judged."""
        return self.cause.effect(Name(name).suffix) if self.at(Name(name).motor) else None

    def at(self, motor: str) -> bool:
        """Whether it can touch what belongs to this motor, or, without one, to all of them together."""
        return not motor or motor in self.motors

    def misfit(self, item: _Item, effect: Effect | None, sizes: Mapping[str, float]) -> float:
        """Residual as a share of what is allowed; infinite where something exact is not met."""
        predicted = self.predicted(item, effect, sizes)
        off = abs(item.residual(predicted))
        if off <= 1e-9 * (1.0 + abs(predicted)):
            return 0.0
        stray = effect.stray if isinstance(effect, Shift | Near) else 0.0
        allowed = item.allowed(predicted, scaled=isinstance(effect, float)) + stray
        return off / allowed if allowed > 0.0 else math.inf

    def predicted(self, item: _Item, effect: Effect | None, sizes: Mapping[str, float]) -> float:
        """The value that the row predicts for a quantity."""
        size = next(iter(sizes.values()), 1.0)
        if isinstance(effect, Becomes):
            return effect.value(self.expected.get(item.motor, {}), size)
        if isinstance(effect, OneOf):
            return min(effect.codes, key=lambda code: abs(item.measured - code))
        if isinstance(effect, Shift):
            return item.expected + effect.scale * sizes[effect.by]
        return item.expected * float(size**effect) if isinstance(effect, float) else item.expected


def diagnose(verdicts: Iterable[Verdict], rule: Rule, causes: Sequence[Cause] = CAUSES) -> Diagnosis:
    """Which causes explain these verdicts. A row is taken at each motor by itself, and at all of them.

    What the firmware does against its contract is a cause, said in its own verdict, and is explained by no row. Nor is
    any number of a check that closed a loop of that motor, before or after: it may have spoiled it.
    """
    judged = _unspoiled(list(verdicts))
    differs = tuple(dict.fromkeys(verdict.name for verdict in judged if verdict.outcome.standing is Standing.BAD))
    if not differs:
        return Diagnosis()
    items = [item for verdict in judged if (item := _item(verdict, rule)) is not None]
    expected: dict[str, dict[str, float]] = {}
    for verdict in judged:
        if verdict.expected is not None and verdict.expected.quantity is not None:
            name = Name(verdict.name)
            expected.setdefault(name.motor, {})[name.suffix] = verdict.expected.quantity.value
    motors = tuple(dict.fromkeys(motor for v in judged if (motor := Name(v.name).motor)))
    causes_found = []
    for cause in causes:
        fits = [
            fit
            for place in _places(cause, motors)
            if (fit := _try(_Claim(cause, place, expected), items, differs)) is not None
        ]
        if fits:
            # The smallest place that explains everything: one motor before all, whichever fits a little better.
            causes_found.append(min(fits, key=lambda fit: (len(fit[1].motors), fit[0]))[1])
    return Diagnosis(differs=differs, causes=tuple(causes_found), parted_by=_parted_by(causes_found, causes, items))


def _unspoiled(verdicts: list[Verdict]) -> list[Verdict]:
    """Without what firmware that is at fault may have spoiled, and without its faults."""
    at_fault = {Name(verdict.name).motor for verdict in verdicts if verdict.kind is VerdictKind.CONDUCT}
    if not at_fault:
        return verdicts
    closing = {row.name for row in CHECKS if row.closes_loop}
    return [
        verdict
        for verdict in verdicts
        if verdict.kind is not VerdictKind.CONDUCT
        and not (
            Name(verdict.name).check in closing
            and ("" in at_fault or Name(verdict.name).motor in at_fault or not Name(verdict.name).motor)
        )
    ]


def _places(cause: Cause, motors: tuple[str, ...]) -> list[tuple[str, ...]]:
    """Where a cause may sit: a motor, every motor."""
    single = [(motor,) for motor in motors] if cause.where != "rig" else []
    return single + ([motors] if len(motors) != 1 or cause.where == "rig" else [])


def _try(claim: _Claim, items: list[_Item], differs: tuple[str, ...]) -> tuple[float, NamedCause] | None:
    """The claim with its sizes and worst residual, or None where it does not explain everything."""
    effects = {item.name: claim.effect(item) for item in items}
    for name in differs:
        effect = effects[name] if name in effects else claim.named_effect(name)
        if effect is None or effect == 0.0:
            return None
    touched = [item for item in items if _says_something(effects[item.name])]
    happened = any(claim.named_effect(name) is Anything.HAPPENS for name in differs)
    # A code that such a cause may end in, of whatever size, says nothing of its size: it is no evidence for one.
    evidence = [item for item in touched if not (claim.cause.sizes and isinstance(effects[item.name], OneOf))]
    if not happened and not any(item.outcome is Outcome.DIFFERS for item in evidence):
        return None
    if happened and not _stopped_at(claim.motors, differs):
        return None
    bound = [item for item in items if not isinstance(effects[item.name], Anything)]
    bounds = claim.cause.sizes
    sizes = {name: _at_least_none(size, bounds[name]) for name, size in _fitted(claim, touched, effects).items()}
    if _worst(claim, bound, effects, sizes) > 1.0:
        return None
    if any(not size.low <= sizes[name] <= size.high for name, size in bounds.items()):
        return None
    return _worst(claim, bound, effects, sizes), NamedCause(
        name=claim.cause.name,
        words=_in_words(claim, items, sizes),
        motors=claim.motors,
        sizes=sizes,
        explains=differs,
        confirmed_by=claim.cause.confirmed_by,
    )


def _at_least_none(found: float, bounds: Size) -> float:
    """A size that cannot go below nothing: where it is nothing, chance takes it there half of the time."""
    return max(found, bounds.low) if bounds.low == bounds.none else found


def _stopped_at(motors: tuple[str, ...], differs: tuple[str, ...]) -> bool:
    """Whether something is off at each of these motors: a stop is evidence for its own motor, and for no other."""
    places = {Name(name).motor for name in differs}
    return "" in places or places.issuperset(motors)


def _says_something(effect: Effect | None) -> bool:
    """Whether an effect predicts a change: a number other than 0, a shift, a pattern."""
    return effect is not None and not isinstance(effect, Anything | Near) and effect != 0.0


def _worst(
    claim: _Claim, bound: list[_Item], effects: Mapping[str, Effect | None], sizes: Mapping[str, float]
) -> float:
    """Largest misfit of what the claim binds: it holds up to 1."""
    return max((claim.misfit(item, effects[item.name], sizes) for item in bound), default=0.0)


def _fitted(claim: _Claim, touched: list[_Item], effects: Mapping[str, Effect | None]) -> dict[str, float]:
    """Sizes by least squares over what the claim touches; where that will not hold, by the least worst residual."""
    sizes = {name: _first_guess(claim, touched, effects, name) for name in claim.cause.sizes}

    def squares(sizes: Mapping[str, float]) -> float:
        return math.fsum(min(claim.misfit(item, effects[item.name], sizes), 1e6) ** 2 for item in touched)

    def worst(sizes: Mapping[str, float]) -> float:
        return _worst(claim, touched, effects, sizes)

    sizes = _searched(sizes, squares)
    return sizes if worst(sizes) <= 1.0 else _searched(sizes, worst)


def _searched(start: Mapping[str, float], cost: Callable[[Mapping[str, float]], float]) -> dict[str, float]:
    """The sizes of least cost: golden section along each size in turn, twice, within half to twice its start."""
    sizes = dict(start)
    for name in [*start, *start] if len(start) > 1 else start:
        if sizes[name] == 0.0:
            continue
        low, high, centre = 0.5, 2.0, sizes[name]
        for _ in range(40):
            left, right = high - GOLDEN * (high - low), low + GOLDEN * (high - low)
            if cost({**sizes, name: centre * left}) <= cost({**sizes, name: centre * right}):
                high = right
            else:
                low = left
        sizes[name] = min((centre * (low + high) / 2.0, centre), key=lambda value: cost({**sizes, name: value}))
    return sizes


def _first_guess(claim: _Claim, touched: list[_Item], effects: Mapping[str, Effect | None], name: str) -> float:
    """Size from the quantity that deviates most and depends on this size by a number; no change otherwise."""
    size = claim.cause.sizes[name]
    first = name == next(iter(claim.cause.sizes))
    guesses: list[tuple[float, float]] = []
    for item in touched:
        effect = effects[item.name]
        off, u = item.residual(item.expected), item.u(item.expected, scaled=False)
        weight = abs(off) / max(u, 1e-12 * (1.0 + abs(item.expected)))
        if isinstance(effect, Shift) and effect.by == name:
            guesses.append((weight, off / effect.scale))
        exponent = effect if isinstance(effect, float) and first else 0.0
        if exponent and item.expected and item.measured / item.expected > 0.0:
            guesses.append((weight, (item.measured / item.expected) ** (1.0 / exponent)))
    return max(guesses)[1] if guesses else size.none


def _in_words(claim: _Claim, items: list[_Item], sizes: Mapping[str, float]) -> str:
    """The row's words with numbers, and where it sits."""
    value = next(iter(sizes.values()), 1.0)
    shown = next((item for item in items if item.suffix == claim.cause.shown and item.motor in claim.motors), None)
    words = claim.cause.words.format(
        more="higher" if value > 1.0 else "lower",
        percent=abs(value - 1.0) * 100.0,
        ratio=value,
        shift=value,
        shift_ms=value * 1e3,
        age_ms=sizes.get("age", 0.0) * 1e3,
        measured=shown.measured if shown else math.nan,
        expected=shown.expected if shown else math.nan,
        like=claim.cause.like(sizes),
        note=(shown.note if shown and shown.note else "which one is not told"),
    )
    if claim.cause.where == "rig":
        return words
    return f"{' and '.join(claim.motors)}: {words}"


def _parted_by(named: list[NamedCause], causes: Sequence[Cause], items: list[_Item]) -> tuple[str, ...]:
    """Quantities that these causes predict differently and that were not measured well enough; then other means."""
    if len(named) < 2:
        return ()
    rows = {cause.name: cause for cause in causes}
    decided = {item.suffix for item in items if item.outcome in (Outcome.AGREES, Outcome.DIFFERS)}
    suffixes = dict.fromkeys(key for cause in named for key in rows[cause.name].effects if not key.endswith("*"))
    parting = []
    for key in suffixes:
        signs = [_signature(rows[cause.name].effect(key), cause.sizes) for cause in named]
        known = [sign for sign in signs if sign is not None]
        if key not in decided and len(known) > 1 and max(known) - min(known) > PARTED:
            parting.append(f"{words_of(key)} ({key})")
    return (*parting, *dict.fromkeys(cause.confirmed_by for cause in named if cause.confirmed_by))


def _signature(effect: Effect | None, sizes: Mapping[str, float]) -> float | None:
    """Predicted ratio to the expected value, or None where the effect has none."""
    size = next(iter(sizes.values()), 1.0)
    if effect is None:
        return 1.0
    return float(size**effect) if isinstance(effect, float) else None


def _item(verdict: Verdict, rule: Rule) -> _Item | None:
    """What a verdict against an expectation says, whatever its outcome; None where there is no number."""
    if verdict.measured is None or verdict.expected is None or verdict.expected.quantity is None:
        return None
    measured, expected = verdict.measured, verdict.expected.quantity
    gap = difference(measured, expected)
    low, high = verdict.expected.interval or (expected.value, expected.value)
    return _Item(
        name=verdict.name,
        motor=Name(verdict.name).motor,
        suffix=Name(verdict.name).suffix,
        measured=measured.value,
        expected=expected.value,
        low=low,
        high=high,
        u_measured=measured.u,
        u_expected=expected.u,
        shared=(measured.u**2 + expected.u**2 - gap.u**2) / 2.0,
        factor=rule.factor(gap),
        outcome=verdict.outcome,
        note=verdict.note,
    )


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")
