"""The invented people as whom the demonstration can be looked at: one of every role. None of them signs in."""

from __future__ import annotations

from typing import Final
from uuid import UUID, uuid5

from service.store.people import Person

_PEOPLE: Final = UUID("5b1c0a5e-6d0f-5c1b-9a55-0d6f3f0e7a11")

_KNOWN: Final = (
    ("Nurse Fennel", "unit", ("larkmoor",)),
    ("Dr Comfrey", "unit", ("quillhaven",)),
    ("Dr Yarrow", "ophthalmologist", ("larkmoor", "quillhaven")),
    ("Bracken", "coordinator", None),
    ("Millet", "it", None),
    ("Burnet", "auditor", None),
)

STAFF: Final = tuple(
    Person(name, role, frozenset(sites) if sites else None, uuid5(_PEOPLE, name)) for name, role, sites in _KNOWN
)
"""Everybody, in the order of the menu."""
