"""Filling in a sheet the way a browser without a script does: every field that is on the page goes back, as changed."""

from __future__ import annotations

from html.parser import HTMLParser
from typing import Final

import httpx
from web.ward import key_of

NORMAL: Final = {
    "right.zone": "II",
    "right.stage": "0",
    "right.plus": "none",
    "left.same": "yes",
    "examiner": "Dr Reed",
}
"""The commonest exam: both eyes alike, vessels end in zone II, no disease."""


class Form(HTMLParser):
    """The fields of the one form of a page, as they stand."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.fields: dict[str, list[str]] = {}
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        values = dict(attrs)
        if tag != "input" or not values.get("name"):
            return
        if values.get("type") in ("radio", "checkbox") and "checked" not in values:
            return
        self.fields.setdefault(str(values["name"]), []).append(values.get("value") or "")


def send_form(client: httpx.Client, path: str, fields: dict[str, list[str]], **typed: str | None) -> httpx.Response:
    """Send these fields, with some changed; None takes a tick off."""
    data = {**fields, **{name: [value] for name, value in typed.items() if value is not None}}
    for name, value in typed.items():
        if value is None:
            data.pop(name, None)
    return client.post(path, data=data, headers={"Sec-Fetch-Site": "same-origin"})


def show(client: httpx.Client, path: str, /, **typed: str | None) -> httpx.Response:
    """Open a sheet, fill it in and let it show what follows."""
    page = client.get(path)
    assert page.status_code == 200, page.text
    return send_form(client, _target(path), Form(page.text).fields, **typed, do="show")


def save(client: httpx.Client, path: str, /, **typed: str | None) -> httpx.Response:
    """The same, and then save it."""
    shown = show(client, path, **typed)
    assert shown.status_code == 200, shown.text
    return send_form(client, _target(path), Form(shown.text).fields, do="save")


def take_back(client: httpx.Client, path: str, by: str = "Dr Reed") -> httpx.Response:
    """Mark something as entered in error."""
    return send_form(client, path, Form(client.get(path).text).fields, by=by, do="save")


def _target(path: str) -> str:
    """Every sheet is sent to the address of its kind."""
    return "/".join(path.split("/")[:4])


def at(patient: str, sheet: str = "") -> str:
    """The address of an infant at Northbank, or of a sheet about it."""
    return f"/infant/{key_of(patient)}" + (f"/{sheet}" if sheet else "")
