"""Waiting for what another thread or process does."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T")


def eventually(holds: Callable[[], T], seconds: float = 60) -> T:
    """What `holds` says once it is true. Fails when it never is: a minute is no measure of speed."""
    until = time.monotonic() + seconds
    while not (said := holds()):
        assert time.monotonic() < until, f"it did not happen in {seconds:g} s; last: {said!r}"
        time.sleep(0.05)
    return said
