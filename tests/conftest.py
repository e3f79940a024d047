"""Settings of all tests: nothing here depends on how fast this machine happens to be."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("rotorgate", deadline=None)
settings.load_profile("rotorgate")
