"""Settings of all tests: nothing here depends on how fast this machine happens to be."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("rotorgate", deadline=None)
# A build of one tree says one thing: the same examples each time. New ones are drawn wherever a person runs the tests.
settings.register_profile("build", deadline=None, derandomize=True)
settings.load_profile("rotorgate")
