"""Whom or what a resource is about: FHIR references to ids.

A patient is named by the id the site's server gave (`4711` of `Patient/4711`), or, where a sender knows only a
number, by `system|value`, which is looked up among the aliases later.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Final
from urllib.parse import unquote

from service.fhir.element import Element, Unreadable, clean, quote

_TAIL = re.compile(r"(?:^|/)(?P<type>[A-Z][A-Za-z]{1,63})/(?P<id>[^/|#?\s]+)(?:/_history/[^/]*)?/?$")
_SEARCH = re.compile(r"^(?P<type>[A-Z][A-Za-z]{1,63})\?identifier=(?P<token>[^&]+)$")
_ID = re.compile(r"[A-Za-z0-9\-._~]{1,128}")

WRONG_SUBJECT: Final = "wrong subject"

Entries = Mapping[str, str]
"""What the entries of the same bundle are called: fullUrl to `Type/id`."""


def is_id(text: str) -> bool:
    """Whether a text can be a resource id. Wider than FHIR (`_`, `~`, 128 characters), as servers are."""
    return _ID.fullmatch(text) is not None


def locate(reference: str, entries: Entries) -> tuple[str, str] | None:
    """(type, id) of a relative, absolute, versioned or urn:uuid reference; None when it points nowhere known."""
    if reference in entries:
        type, _, id = entries[reference].partition("/")
        return type, id
    match = _TAIL.search(reference)
    if match is None or reference.startswith("#") or not is_id(match["id"]):
        return None
    return match["type"], match["id"]


def patient_of(element: Element, entries: Entries) -> str:
    """The patient a Reference names. Raises Unreadable when it names anything else, or nobody who can be found."""
    path = element.at("reference")
    reference = element.text("reference")
    if reference is None:
        return _logical(element)
    if reference.startswith("#"):
        raise Unreadable(path, "points to a record inside this resource, which has no identity at the site")
    if found := locate(reference, entries):
        if found[0] != "Patient":
            raise Unreadable(path, f"{WRONG_SUBJECT}: it is a {clean(found[0])}, not a Patient")
        return found[1]
    if search := _SEARCH.fullmatch(reference):
        token = clean(unquote(search["token"]))
        if search["type"] == "Patient" and "|" in token and not token.endswith("|"):
            return token
    if reference.startswith("urn:"):
        raise Unreadable(path, f"{quote(reference)} is not among the entries it came with")
    raise Unreadable(path, f"{quote(reference)} does not name a Patient")


def _logical(element: Element) -> str:
    """`system|value` of a reference by identifier."""
    type = element.text("type")
    identifier = element.element("identifier")
    value = None if identifier is None else identifier.text("value")
    if type is not None and type.rpartition("/")[2] != "Patient":
        raise Unreadable(element.at("type"), f"{WRONG_SUBJECT}: it is a {clean(type, 60)}, not a Patient")
    if identifier is None or value is None:
        raise Unreadable(element.path, "names nobody: it has neither a reference nor an identifier")
    return clean(f"{identifier.text('system') or ''}|{value}")


def place_of(element: Element, entries: Entries) -> tuple[str | None, str | None]:
    """(`Location/id` or None, words or None) of a reference to a place."""
    reference = element.text("reference")
    found = None if reference is None else locate(reference, entries)
    identifier = element.element("identifier")
    words = element.text("display") or (None if identifier is None else identifier.text("value"))
    place = f"Location/{found[1]}" if found and found[0] == "Location" else None
    return place, None if words is None else clean(words)
