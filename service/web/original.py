"""The original of something that could not be read, laid out with the place of the trouble marked."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from typing import Any

from markupsafe import Markup, escape

_STEP = re.compile(r"(?P<name>[A-Za-z_][A-Za-z0-9_]*)|\[(?P<index>\d+)\]")
_NUMBER, _HERE = "\ue000", "\ue001"
"""Private-use characters: they stand in for numbers as written (28.40 stays 28.40) and for the marked element."""
_TAKEN = str.maketrans({_NUMBER: "\ufffd", _HERE: "\ufffd"})


def mark_original(text: str, path: str) -> Markup:
    """`text` indented if it is JSON, the element at FHIRPath-like `path` in <mark>; else as it came. Escaped."""
    text = text.translate(_TAKEN)
    try:
        root = _parse(text)
    except ValueError:
        return escape(text)
    if not isinstance(root, dict | list):
        return escape(text)
    found = _take(root, path)
    laid_out = _lay_out(root)
    before, here, after = laid_out.partition(f'"{_HERE}"')
    if not here:
        return escape(laid_out)
    indent = re.search(r"^ *", before.rpartition("\n")[2])
    shift = "\n" + (indent[0] if indent else "")
    return escape(before) + Markup("<mark>{}</mark>").format(_lay_out(found).replace("\n", shift)) + escape(after)


def _parse(text: str) -> Any:
    """Raises ValueError for what is no JSON, or nested beyond reason."""
    try:
        return json.loads(text, parse_float=lambda number: _NUMBER + number)
    except RecursionError:
        raise ValueError("nested too deep") from None


def _lay_out(value: Any) -> str:
    laid_out = re.sub(rf'"{_NUMBER}([^"]*)"', r"\1", json.dumps(value, indent=2, ensure_ascii=False))
    return laid_out.encode(errors="replace").decode()  # half a surrogate pair can be written in JSON, not in UTF-8


def _take(root: Any, path: str) -> Any:
    """Put a sentinel in the place of the deepest element of `path` that exists, and return what stood there."""
    holder: Any = None
    slot: str | int = ""
    at = root
    for step in list(_STEP.finditer(path))[1:]:  # the first step names the resource itself
        name: str | int = step["name"] if step["name"] is not None else int(step["index"])
        if isinstance(at, list) and isinstance(name, str) and len(at) == 1:
            holder, slot, at = at, 0, at[0]
        try:
            at[name]
        except (LookupError, TypeError):
            break
        holder, slot, at = at, name, at[name]
    if holder is not None:
        holder[slot] = _HERE
    return at


def pick_resource(body: bytes, reference: str) -> str:
    """The text of the one resource `Type/id` in what arrived: a bare resource, a Bundle or NDJSON; else all of it."""
    text = body.decode("utf-8-sig", errors="replace").translate(_TAKEN)
    type, _, id = reference.partition("/")
    for piece in (text, *text.splitlines()):
        try:
            root = _parse(piece)
        except ValueError:
            continue
        for resource in _resources(root):
            if resource.get("resourceType") == type and str(resource.get("id", "")) == id:
                return _lay_out(resource)
    return text


def _resources(root: Any) -> Iterator[dict[str, Any]]:
    if isinstance(root, dict):
        yield root
        entries = root.get("entry")
        for entry in entries if isinstance(entries, list) else ():
            if isinstance(entry, dict) and isinstance(entry.get("resource"), dict):
                yield from _resources(entry["resource"])
