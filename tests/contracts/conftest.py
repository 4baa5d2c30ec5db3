"""Counterparts written by others, for the tests of this folder."""

from __future__ import annotations

from contracts.counterpart import sekmet, start_sekmet

__all__ = ["sekmet", "start_sekmet"]
