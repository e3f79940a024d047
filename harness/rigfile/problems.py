"""What is wrong with a rig file, or another with a schema, place by place, and as lines: file, key, expected, found."""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from harness.base.words import concealed, visible

UNITS: tuple[str, ...] = (
    "kg_m2", "g_cm2", "n_m_s", "n_m_a", "rad_s", "k_w", "j_k", "v_s", "per_rad", "per_deg", "per_k", "n_m", "n_cm",
    "mn_m", "percent", "degc", "deg", "rad", "ohm", "mohm", "khz", "hz", "rpm", "min", "ms", "us", "ns", "ma", "ua",
    "mv", "kv", "uh", "mh", "kg", "mm", "cm", "s", "a", "v", "h", "k", "c", "f", "m", "g", "w", "j", "wb",
)  # fmt: skip
"""Unit endings of keys, ours and those that people write instead; compound ones first, or `_s` would win."""

KeyPath = tuple[int | str, ...]
Problem = tuple[KeyPath, str]
"""Where, and what is wrong there."""


LONGEST = 60
"""Characters of a key or value in a message (arbitrary)."""


def dotted(place: Sequence[int | str]) -> str:
    """A place as a dotted key; list positions in brackets; a key that is not bare in quotes, a long one cut."""
    parts = ""
    for step in place:
        if isinstance(step, int):
            parts += f"[{step}]"
        else:
            bare = step.replace("_", "").replace("-", "").isalnum() and step.isascii()
            parts += ("." if parts else "") + (cut(step) if bare else f'"{visible(cut(step))}"')
    return parts


def cut(words: str) -> str:
    """So much of a text that it leaves room on a line for what is said of it."""
    return f"{words[: LONGEST - 3]}..." if len(words) > LONGEST else words


def shown(value: Any) -> str:
    """A found value, short, on one line."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        value = concealed(value)
        return f'"{visible(cut(value))}"'
    if isinstance(value, Mapping):
        keys = [visible(str(key))[:20] for key in list(value)[:3]] or ["nothing in it"]
        return f"a table with {', '.join(keys)}{', ...' if len(value) > 3 else ''}"
    if isinstance(value, list):
        return f"a list of {len(value)}"
    if isinstance(value, int):
        return str(value) if abs(value) < 10**20 else "a number of more than 20 digits"
    if isinstance(value, float) and math.isfinite(value):
        return f"{value:g}"
    return f"{value}" if isinstance(value, float) else f"{value} (a {type(value).__name__})"


def found_at(raw: Mapping[str, Any], place: Sequence[int | str]) -> Any:
    """The value at a place of the parsed file; None where there is none."""
    here: Any = raw
    for step in place:
        in_table = isinstance(here, Mapping) and step in here
        if in_table or (isinstance(here, list) and isinstance(step, int) and step < len(here)):
            here = here[step]
        else:
            return None
    return here


def nearest(word: str, allowed: Iterable[str]) -> str:
    """What was probably meant: a key of the same stem with the unit that is used here, or one spelt nearly so."""
    candidates = list(allowed)
    stem, unit = split_unit(word)
    for candidate in candidates:
        other_stem, other_unit = split_unit(candidate)
        if stem == other_stem and unit != other_unit:
            return f"use {candidate}"
    close = difflib.get_close_matches(word.lower(), candidates, n=1, cutoff=0.6)
    return f"did you mean {close[0]}?" if close else ""


def split_unit(key: str) -> tuple[str, str]:
    """Stem and unit ending of a key: `timeout_ms` -> (`timeout`, `ms`)."""
    lowered = key.lower()
    for unit in UNITS:
        if lowered.endswith("_" + unit):
            return lowered[: -len(unit) - 1], unit
    return lowered, ""


def once_a_place(file: str, problems: Iterable[Problem]) -> list[str]:
    """A line a place, in their order: a place's first problem stands for the others there."""
    kept: dict[str, str] = {}
    for place, words in problems:
        kept.setdefault(dotted(place), words)
    return [f"{file}: {where}: {words}" for where, words in kept.items()]


def unknown(place: KeyPath, allowed: Iterable[str]) -> Problem:
    """A key that means nothing where it stands."""
    choices = list(allowed)
    hint = nearest(str(place[-1]), choices)
    if not hint:
        hint = f"known here: {', '.join(choices)}"
    return place, f"unknown key; {hint}"


def of_validation(error: ValidationError, raw: Mapping[str, Any], schema: type[BaseModel]) -> list[Problem]:
    """All problems of one validation, in the order of the schema."""
    said: list[Problem] = []
    for detail in error.errors(include_url=False, include_input=False):
        place: KeyPath = detail["loc"]
        context = detail.get("ctx", {})
        kind = detail["type"]
        if kind == "extra_forbidden":
            said.append(unknown(place, keys_at(schema, place[:-1])))
        elif kind == "missing":
            words = f"missing section; add [{dotted(place)}]" if is_section(schema, place) else "missing key"
            said.append((place, words))
        elif kind == "inside":
            said.extend(_inside(place, context["problems"], context["allowed"], raw))
        elif kind == "expected":
            said.append((place, f"expected {context['expected']}, found {shown(found_at(raw, place))}"))
        else:  # the kinds that pydantic itself raises here: a section that is not a table
            said.append((place, f"expected a section [{dotted(place)}], found {shown(found_at(raw, place))}"))
    return said


def _inside(
    place: KeyPath, problems: Mapping[str, str | None], allowed: Sequence[str], raw: Mapping[str, Any]
) -> list[Problem]:
    said: list[Problem] = []
    for key, expected in problems.items():
        inner = (*place, key) if key else place
        if expected is None:
            said.append(unknown(inner, allowed))
        else:
            value = found_at(raw, inner)
            what = "nothing" if value is None else shown(value)
            said.append((inner, f"expected {expected}, found {what}"))
    return said


def keys_at(schema: type[BaseModel], place: Sequence[int | str]) -> list[str]:
    """Keys that the schema knows in the section at a place."""
    model = model_at(schema, place)
    return [] if model is None else [entry.alias or name for name, entry in model.model_fields.items()]


def is_section(schema: type[BaseModel], place: Sequence[int | str]) -> bool:
    """Whether a section stands at a place, not a single entry."""
    return model_at(schema, place) is not None or tuple(place) == ("motor",)


def model_at(schema: type[BaseModel], place: Sequence[int | str]) -> type[BaseModel] | None:
    """The schema's section at a place, None for an entry."""
    model = schema
    steps = [step for step in place if isinstance(step, str)]  # every table of a list is of one kind
    while steps:
        step = steps.pop(0)
        entry = next((entry for name, entry in model.model_fields.items() if step in (entry.alias, name)), None)
        inner = None if entry is None else _model_in(entry.annotation)
        if inner is None:
            return None
        if entry is not None and "Mapping" in str(entry.annotation):  # a section for each name
            if not steps:
                return None
            steps.pop(0)
        model = inner
    return model


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for part in get_args(annotation):
        model = _model_in(part)
        if model is not None:
            return model
    return None
