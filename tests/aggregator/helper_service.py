"""A service that runs for the length of a test."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator

from aggregator.service import Service

LIMIT_S = 30.0  # a test that waits for what never comes ends then


@contextlib.asynccontextmanager
async def served(service: Service) -> AsyncIterator[Service]:
    """Runs it; at the end it is stopped, and its task's error, if any, is raised."""
    task = asyncio.create_task(service.run())
    try:
        async with asyncio.timeout(LIMIT_S):
            yield service
    finally:
        service.stop()
        await task
