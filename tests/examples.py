"""How many examples of a property are tried: fewer where one is slow, and in proportion in the quick form."""

from __future__ import annotations

from hypothesis import settings

from tests.conftest import EXAMPLES


def examples(number: int) -> settings:
    """`@examples(60)`: 60 examples of this property, with as many to each 100 as the profile in force has."""
    return settings(max_examples=-(-number * settings.default.max_examples // EXAMPLES))
