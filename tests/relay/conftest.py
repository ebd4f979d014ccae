"""Property tests are not judged by the clock: a busy machine is no failure, and pytest-timeout bounds every test."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("ripieno", deadline=None)
settings.load_profile("ripieno")
