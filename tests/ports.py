"""Ports for programs that have to be told theirs before they start, or that come back to it."""

from __future__ import annotations

import itertools
import os
import socket
from typing import Final

_PORTS: Final = range(20_000, 32_000)
"""Below those that Linux (from 32768) and macOS (from 49152) give to whoever does not care: nobody else in the run, and
no connection that goes out, takes one of these between the question and its use."""
_turn = itertools.count(os.getpid() * 41)  # processes of one run begin apart


def free_port() -> int:
    """A port that nobody listens on, and that this process has not named before."""
    for turn in itertools.islice(_turn, len(_PORTS)):
        port = _PORTS[turn % len(_PORTS)]
        with socket.socket() as probe:
            try:
                probe.bind(("", port))
            except OSError:
                continue
            return port
    raise AssertionError("every port is taken")
