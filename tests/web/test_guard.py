"""Around every answer: the headers, and no word of an exception. The policy is judged against OWASP's advice for pages
that show health data (OWASP Secure Headers Project, 2024: nosniff, DENY, nothing of an address to others, no-store, no
unsafe source)."""

from __future__ import annotations

import logging
import re
from pathlib import Path

import httpx
import pytest
from fastapi import FastAPI
from web.serving import serve
from web.ward import key_of

from service.errors import NotFound, NotUnderstood, SiteUnavailable
from service.flow import Flow
from service.web.application import build
from service.web.pages import HERE

STRICT = {
    "x-content-type-options": "nosniff", "x-frame-options": "DENY", "referrer-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}  # fmt: skip


def test_every_answer_carries_the_headers(ward: httpx.Client) -> None:
    paths = (
        "/", f"/infant/{key_of('today')}", "/unread", "/nowhere", "/api/worklist", "/api/zz", "/fhir/Task",
        "/fhir/zz/1", "/fhir/metadata", "/health/ready", "/metrics", "/static/live.js",
    )  # fmt: skip
    for path in paths:
        headers = ward.get(path).headers
        for name, value in STRICT.items():
            assert headers[name] == value, (path, name)
        policy = dict(part.strip().split(" ", 1) for part in headers["content-security-policy"].split(";"))
        assert policy["default-src"] == policy["frame-ancestors"] == policy["base-uri"] == "'none'"
        assert set(policy.values()) <= {"'none'", "'self'"}
        kept = path.startswith("/static/")
        assert ("no-store" in headers["cache-control"]) != kept, path


def test_the_style_sheet_and_script_fetch_nothing_from_elsewhere() -> None:
    for path in (HERE / "static").iterdir():
        text = re.sub(r'xmlns="[^"]+"', "", path.read_text())
        assert not re.search(r"https?:|//[a-z]+\.|@import|url\(|eval\(|innerHTML\s*=(?!=)", text), path.name


def broken(app: FastAPI, error: Exception) -> FastAPI:
    def fail() -> None:
        raise error

    for path in ("/boom", "/api/boom", "/fhir/boom/boom/boom"):
        app.add_api_route(path, fail, methods=["GET"])
    return app


@pytest.mark.parametrize(
    ("error", "status"),
    [
        (ValueError("Ada Lanternfish N-100"), 500), (KeyError("Ada Lanternfish"), 500), (NotFound("nobody here"), 404),
        (NotUnderstood("write it so"), 400), (SiteUnavailable("the site is asleep"), 503),
    ],
)  # fmt: skip
def test_an_error_is_a_sentence_in_the_callers_own_shape(
    app: FastAPI, error: Exception, status: int, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.DEBUG), serve(broken(app, error)) as address:
        page = httpx.get(f"{address}/boom")
        plain = httpx.get(f"{address}/api/boom")
        fhir = httpx.get(f"{address}/fhir/boom/boom/boom")
    assert {page.status_code, plain.status_code, fhir.status_code} == {status}
    assert page.headers["content-type"].startswith("text/html") and "<h1>" in page.text
    assert list(plain.json()) == ["problem"]
    assert fhir.json()["resourceType"] == "OperationOutcome"
    assert fhir.headers["content-type"] == "application/fhir+json"
    for answer in (page, plain, fhir):
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert "Lanternfish" not in answer.text and ".py" not in answer.text
    assert "Lanternfish" not in caplog.text and "N-100" not in caplog.text
    if status == 500:
        assert type(error).__name__ in caplog.text and Path(__file__).name in caplog.text


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Sec-Fetch-Site": "same-origin"}, 405),
        ({"Origin": "https://eyes.hospital.example"}, 405),
        ({"Origin": "https://eyes.hospital.example.elsewhere.example"}, 403),
        ({"Origin": "https://elsewhere.example"}, 403),
        ({"Sec-Fetch-Site": "none"}, 403),
        ({}, 403),
    ],
)
def test_a_form_comes_from_a_page_of_ours_also_behind_a_proxy(flow: Flow, headers: dict[str, str], status: int) -> None:
    """OWASP Cross-Site Request Forgery Prevention: Fetch Metadata first, then the Origin; neither: refuse."""
    app = build(flow, base_url="https://eyes.hospital.example")
    with serve(app) as address:
        assert httpx.post(f"{address}/", headers=headers).status_code == status
        assert httpx.delete(f"{address}/", headers=headers).status_code == status
        assert httpx.post(f"{address}/api/worklist", headers=headers).status_code == 405  # programs have no page


# --- contrast ------------------------------------------------------------------------------------------------------

CSS = (HERE / "static" / "ridgeline.css").read_text()


def colours(scheme: str) -> dict[str, str]:
    blocks = re.findall(r":root \{(.*?)\}", CSS, re.DOTALL)
    found = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", blocks[0]))
    if scheme == "dark":
        found |= dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", blocks[1]))
    return found


def luminance(colour: str) -> float:
    """Relative luminance: https://www.w3.org/TR/WCAG22/#dfn-relative-luminance"""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(one: str, other: str) -> float:
    """https://www.w3.org/TR/WCAG22/#dfn-contrast-ratio"""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_contrast_formula_gives_the_published_ends() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)  # the well-known near miss


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_words_can_be_read_in_both_schemes(scheme: str) -> None:
    """WCAG 2.2 AA: 4.5 to 1 for text (1.4.3), 3 to 1 for marks that carry meaning (1.4.11)."""
    of = colours(scheme)
    words = ("ink", "soft", "link", "overdue", "today", "this-week", "unjudged", "later")
    for word in words:
        for ground in ("paper", "sheet"):
            assert contrast(of[word], of[ground]) >= 4.5, (word, ground)
    for word, ground in (("ink", "overdue-wash"), ("ink", "warn"), ("link", "warn"), ("overdue", "overdue-wash")):
        assert contrast(of[word], of[ground]) >= 4.5, (word, ground)
    for mark in ("band-edge", "ink"):
        assert contrast(of[mark], of["sheet"]) >= 3
