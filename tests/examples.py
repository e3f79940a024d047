"""How many examples of a property are tried, and rounds of a test that draws: fewer where one is slow, and in
proportion in the quick form."""

from __future__ import annotations

from hypothesis import settings

from tests.conftest import EXAMPLES


def rounds(number: int) -> int:
    """So many rounds of a test that draws by itself, in the same proportion; at least one."""
    return -(-number * settings.default.max_examples // EXAMPLES)


def examples(number: int) -> settings:
    """`@examples(60)`: 60 examples of this property, with as many to each 100 as the profile in force has."""
    return settings(max_examples=rounds(number))
