"""Signing in and out, who may do what, and the page on which people are added. Rules of passwords and sessions are
judged against NIST SP 800-63B and OWASP's Authentication and Session Management cheat sheets (from memory)."""

from __future__ import annotations

import logging
import re
from collections.abc import Iterator
from datetime import timedelta

import httpx
import pytest
from sqlalchemy import text
from web.bedside import NORMAL, Form, at, send_form
from web.serving import serve
from web.staff import PASSWORD, SENT, register, signed_in, signing_in, token_of
from web.ward import Clock, fill, two_sites

from service.flow import Flow
from service.policies import load_policies
from service.store.database import Database
from service.store.people import IDLE, LONGEST, MOST_BY_ADDRESS, MOST_BY_NAME, WITHIN
from service.web.application import build


@pytest.fixture
def wall() -> Clock:
    return Clock()


@pytest.fixture
def flow(database: Database, wall: Clock) -> Flow:
    return Flow(database, two_sites(), load_policies(), wall)


@pytest.fixture
def nurse(flow: Flow, served: str) -> Iterator[httpx.Client]:
    """A nurse of Northbank, signed in."""
    fill(flow)
    register(flow, "fennel", "unit", "northbank", name="Nurse Fennel")
    with signed_in(served, "fennel") as client:
        yield client


def rows(flow: Flow, query: str) -> list[tuple[object, ...]]:
    with flow.database.transaction() as connection:
        return [tuple(row) for row in connection.execute(text(query))]


# --- the switch ----------------------------------------------------------------------------------------------------


def test_while_nobody_is_registered_the_pages_are_open_and_say_so(flow: Flow, client: httpx.Client) -> None:
    page = client.get("/")
    assert page.status_code == 200 and "Nobody is registered yet" in page.text
    register(flow, "millet", "it")
    assert client.get("/").status_code == 303  # from now on


@pytest.mark.parametrize(
    "path", ["/", "/site/northbank", "/unread", "/audit", "/people", "/me", "/nowhere", "/%2e%2e/"]
)
def test_a_page_asks_who_is_looking_and_comes_back_to_itself(flow: Flow, client: httpx.Client, path: str) -> None:
    register(flow, "fennel")
    answer = client.get(f"{path}?as_of=2031-06-01")
    assert answer.status_code == 303
    assert answer.headers["location"].startswith("/sign-in?to=/")
    page = client.get(answer.headers["location"])
    assert page.status_code == 200 and "Northbank" not in page.text and "Eastmere" not in page.text


@pytest.mark.parametrize("path", ["/api/worklist", "/api/openapi.json", "/fhir/Task", "/events", "/metrics"])
def test_programs_are_told_in_their_own_shape(flow: Flow, client: httpx.Client, path: str) -> None:
    register(flow, "fennel")
    answer = client.get(path)
    assert answer.status_code == 401 and answer.headers["www-authenticate"] == "Bearer"
    body = answer.json()
    assert body.get("resourceType") == "OperationOutcome" if path.startswith("/fhir") else list(body) == ["problem"]


def test_what_shows_nobody_stays_open(flow: Flow, client: httpx.Client) -> None:
    register(flow, "fennel")
    for path in ("/health/live", "/health/ready", "/static/ridgeline.css", "/sign-in"):
        assert client.get(path).status_code == 200


# --- sign in -------------------------------------------------------------------------------------------------------


def test_signing_in_sets_a_cookie_no_script_reads_and_shows_the_list(nurse: httpx.Client, flow: Flow) -> None:
    page = nurse.get("/")
    assert page.status_code == 200 and "Ada Lanternfish" in page.text and "Nurse Fennel" in page.text
    answer = signing_in(nurse, "fennel")
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie and "samesite=lax" in cookie and "path=/" in cookie and "secure" not in cookie
    token = nurse.cookies["ridgeline"]
    kept = rows(flow, "SELECT token FROM sessions")
    assert all(token.encode() not in bytes(each[0]) for each in kept)  # only its hash


def test_over_https_the_cookie_is_for_https_alone(flow: Flow) -> None:
    register(flow, "fennel")
    with serve(build(flow, base_url="https://eyes.hospital.example")) as address:
        answer = httpx.post(
            f"{address}/sign-in", data={"name": "fennel", "password": PASSWORD}, headers=SENT, timeout=30
        )
        cookie = answer.headers["set-cookie"]
        assert cookie.startswith("__Host-ridgeline=") and "Secure" in cookie and "Domain" not in cookie


def test_the_token_changes_at_every_sign_in_and_the_old_one_ends(nurse: httpx.Client, served: str) -> None:
    before = nurse.cookies["ridgeline"]
    assert signing_in(nurse, "fennel").status_code == 303
    assert nurse.cookies["ridgeline"] != before
    assert httpx.get(f"{served}/", cookies={"ridgeline": before}).status_code == 303
    assert nurse.get("/").status_code == 200


def test_a_token_somebody_else_chose_is_no_session(nurse: httpx.Client, served: str) -> None:
    with httpx.Client(base_url=served, timeout=30, cookies={"ridgeline": "chosen-by-somebody"}) as client:
        assert client.get("/").status_code == 303
        assert signing_in(client, "fennel").status_code == 303
        assert "chosen-by-somebody" not in client.headers.get("cookie", "")
    assert httpx.get(f"{served}/", cookies={"ridgeline": "chosen-by-somebody"}).status_code == 303


@pytest.mark.parametrize(
    ("name", "password"), [("fennel", "not the password"), ("nobody", PASSWORD), ("", ""), ("fennel", "")]
)
def test_wrong_is_one_answer_whatever_is_wrong(flow: Flow, client: httpx.Client, name: str, password: str) -> None:
    register(flow, "fennel")
    answer = signing_in(client, name, password)
    assert answer.status_code == 422 and "do not belong together" in answer.text
    assert ("set-cookie" not in answer.headers and password not in answer.text.replace('value=""', "")) or not password
    assert client.get("/").status_code == 303


@pytest.mark.parametrize(
    ("to", "goes"),
    [
        ("/site/northbank?as_of=2031-06-01", "/site/northbank?as_of=2031-06-01"), ("//elsewhere.example", "/"),
        ("https://elsewhere.example/", "/"), ("/\\elsewhere.example", "/"), ("/sign-out", "/"), ("", "/"),
        ("/a\r\nSet-Cookie: b=c", "/"),
    ],
)  # fmt: skip
def test_one_goes_on_to_a_page_of_ours_only(flow: Flow, client: httpx.Client, to: str, goes: str) -> None:
    register(flow, "fennel")
    answer = signing_in(client, "fennel", to=to)
    assert (answer.status_code, answer.headers["location"]) == (303, goes)


def test_a_form_from_elsewhere_signs_nobody_in(flow: Flow, client: httpx.Client) -> None:
    register(flow, "fennel")
    typed = {"name": "fennel", "password": PASSWORD}
    assert client.post("/sign-in", data=typed, headers={"Sec-Fetch-Site": "cross-site"}).status_code == 403


def test_too_many_tries_by_one_name_wait_even_for_the_right_password(
    flow: Flow, client: httpx.Client, wall: Clock
) -> None:
    register(flow, "fennel")
    register(flow, "sorrel")
    for _ in range(MOST_BY_NAME):
        assert signing_in(client, "fennel", "wrong wrong wrong").status_code == 422
    answer = signing_in(client, "fennel")
    assert answer.status_code == 429 and int(answer.headers["retry-after"]) <= 16 * 60
    assert signing_in(client, "FENNEL ").status_code == 429  # the same name
    assert signing_in(client, "sorrel").status_code == 303  # nobody else is held up
    wall.now += WITHIN
    assert signing_in(client, "fennel").status_code == 303


def test_a_good_sign_in_forgives_the_name_and_not_the_address(flow: Flow, client: httpx.Client) -> None:
    register(flow, "fennel")
    for turn in range(MOST_BY_ADDRESS - 1):
        if turn % (MOST_BY_NAME - 1) == MOST_BY_NAME - 2:
            assert signing_in(client, "fennel").status_code == 303
        else:
            assert signing_in(client, "fennel", "wrong wrong wrong").status_code == 422
    assert signing_in(client, "somebody-else", "wrong wrong wrong").status_code == 422
    assert signing_in(client, "fennel").status_code == 429


def test_no_name_and_no_password_reaches_the_log_or_the_table_of_tries(
    flow: Flow, client: httpx.Client, caplog: pytest.LogCaptureFixture
) -> None:
    register(flow, "fennel", name="Nurse Fennel")
    with caplog.at_level(logging.DEBUG):
        signing_in(client, "fennel", "wrong wrong wrong")
        signing_in(client, "typed password here", PASSWORD)
        signing_in(client, "fennel")
        client.get("/")
    ours = "\n".join(
        each.getMessage() for each in caplog.records if not each.name.startswith("http")
    )  # not the caller's
    for word in ("fennel", "wrong wrong", "typed password", PASSWORD, client.cookies["ridgeline"]):
        assert word.lower() not in ours.lower()
        assert word not in str(rows(flow, "SELECT * FROM attempts")) + str(rows(flow, "SELECT * FROM looks"))
    (kept,) = rows(flow, "SELECT password FROM people")
    assert str(kept[0]).startswith("$argon2id$")


# --- sessions ------------------------------------------------------------------------------------------------------


def test_whoever_opens_nothing_for_long_is_signed_out(nurse: httpx.Client, wall: Clock) -> None:
    wall.now += IDLE - timedelta(minutes=1)
    assert nurse.get("/").status_code == 200  # heard of
    wall.now += IDLE - timedelta(minutes=1)
    assert nurse.get("/", headers={"Sec-Fetch-Dest": "empty"}).status_code == 200  # a page asks by itself
    wall.now += timedelta(minutes=2)
    assert nurse.get("/").status_code == 303


def test_a_shift_ends_also_for_the_busy(nurse: httpx.Client, wall: Clock) -> None:
    for _ in range(int(LONGEST / timedelta(minutes=20)) - 1):
        wall.now += timedelta(minutes=20)
        assert nurse.get("/me").status_code == 200
    wall.now += timedelta(minutes=20)
    assert nurse.get("/me").status_code == 303


def test_signing_out_here_and_everywhere(nurse: httpx.Client, served: str) -> None:
    token = nurse.cookies["ridgeline"]
    with signed_in(served, "fennel") as phone, signed_in(served, "fennel") as desk:
        assert desk.post("/sign-out", data={"where": "here"}).status_code == 303
        assert desk.get("/").status_code == 303 and phone.get("/").status_code == 200
        assert phone.post("/sign-out", data={"where": "everywhere"}).status_code == 303
    assert httpx.get(f"{served}/", cookies={"ridgeline": token}).status_code == 303


def test_what_was_typed_while_signed_out_is_said_not_to_be_saved(nurse: httpx.Client, flow: Flow, wall: Clock) -> None:
    before = rows(flow, "SELECT count(*) FROM arrivals")
    page = nurse.get(at("today", "exam"))
    wall.now += LONGEST
    answer = send_form(nurse, at("today", "exam"), Form(page.text).fields, **NORMAL, do="show")
    assert answer.status_code == 401 and "what you typed is still there" in answer.text
    assert rows(flow, "SELECT count(*) FROM arrivals") == before


def test_another_password_of_ones_own(nurse: httpx.Client, served: str) -> None:
    new = "eleven quiet otters"
    for old, first, again, status in (
        ("not mine at all", new, new, 422), (PASSWORD, new, "eleven loud otters", 422),
        (PASSWORD, "tiny", "tiny", 422),
        (PASSWORD, "fennel fennel fennel", "fennel fennel fennel", 422), (PASSWORD, new, new, 303),
    ):  # fmt: skip
        answer = nurse.post("/me", data={"old": old, "new": first, "again": again})
        assert answer.status_code == status, (old, first)
        assert first not in answer.text
    assert nurse.get("/").status_code == 303  # signed out everywhere
    with httpx.Client(base_url=served, timeout=30) as client:
        assert signing_in(client, "fennel").status_code == 422
        assert signing_in(client, "fennel", new).status_code == 303


# --- roles ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("role", "enters", "audit", "people"),
    [
        ("unit", True, 404, 404), ("ophthalmologist", True, 404, 404), ("coordinator", True, 404, 404),
        ("it", False, 200, 200), ("auditor", False, 200, 404),
    ],
)  # fmt: skip
def test_a_role_sees_its_pages_and_enters_what_it_may(
    flow: Flow, served: str, role: str, enters: bool, audit: int, people: int
) -> None:
    fill(flow)
    register(flow, "somebody", role, "northbank")
    before = rows(flow, "SELECT count(*) FROM arrivals")
    with signed_in(served, "somebody") as client:
        assert (client.get("/audit").status_code, client.get("/people").status_code) == (audit, people)
        home = client.get("/").text
        assert ('href="/audit"' in home, 'href="/people"' in home) == (audit == 200, people == 200)
        for page in (home, client.get(at("today")).text):
            assert (f'href="{at("today", "exam")}"' in page) == enters
        sheet = client.get(at("today", "exam"))
        assert sheet.status_code == (200 if enters else 403)
        answer = send_form(client, at("today", "exam"), {}, **NORMAL, do="save")
        assert (answer.status_code == 403) != enters
        if role == "auditor":  # whatever a page may take one day
            refused = client.post("/anything/at/all", data={"a": "b"}, headers={"Accept-Language": "es"})
            assert refused.status_code == 403 and "Su función es mirar" in refused.text
    if not enters:
        assert rows(flow, "SELECT count(*) FROM arrivals") == before


def test_whoever_is_signed_in_is_offered_as_author_and_kept_with_the_record(nurse: httpx.Client, flow: Flow) -> None:
    assert Form(nurse.get(at("today", "newborn")).text).fields["by"] == ["Nurse Fennel"]
    fields = Form(nurse.get(at("today", "exam")).text).fields
    assert fields["examiner"] == [""]  # a nurse types in what somebody else saw
    shown = send_form(nurse, at("today", "exam"), fields, **NORMAL, do="show")
    saved = send_form(nurse, at("today", "exam"), Form(shown.text).fields, do="save")
    assert saved.status_code == 303, saved.text
    ((body, id),) = rows(
        flow,
        "SELECT convert_from(body, 'UTF8')::jsonb -> 'author', people.id FROM arrivals, people WHERE feed = 'hand'",
    )
    assert body["display"] == "Dr Reed" and body["identifier"]["value"] == str(id)  # type: ignore[index]


def test_a_machine_shows_its_token_and_gets_past_no_other_door(flow: Flow, served: str) -> None:
    fill(flow)
    machine = register(flow, "interface", "machine", "northbank")
    token = token_of(flow, machine)
    shown = {"Authorization": f"Bearer {token}"}
    for path in ("/api/worklist", "/fhir/Task", "/metrics"):
        assert httpx.get(f"{served}{path}", headers=shown).status_code == 200
    assert httpx.get(f"{served}/", headers=shown).status_code == 403
    assert httpx.get(f"{served}/", cookies={"ridgeline": token}).status_code == 303
    assert httpx.get(f"{served}/api/worklist", cookies={"ridgeline": token}).status_code == 401
    nurse = token_of(flow, register(flow, "fennel"))
    assert httpx.get(f"{served}/api/worklist", headers={"Authorization": f"Bearer {nurse}"}).status_code == 401
    assert httpx.get(f"{served}/api/worklist", cookies={"ridgeline": nurse}).status_code == 200


# --- the page of people --------------------------------------------------------------------------------------------


def test_it_adds_changes_and_retires_somebody(flow: Flow, served: str) -> None:
    fill(flow)
    register(flow, "millet", "it")
    new = {"name": "Nurse Fennel", "sign_in": "Fennel", "role": "unit", "sites": "northbank", "password": PASSWORD}
    with signed_in(served, "millet") as it, httpx.Client(base_url=served, timeout=30, headers=SENT) as desk:
        assert it.post("/people", data=new).status_code == 303
        again = it.post("/people", data=new)
        assert again.status_code == 422 and "taken" in again.text and PASSWORD not in again.text
        assert "Nurse Fennel" in it.get("/people").text
        assert signing_in(desk, "fennel").status_code == 303
        assert "Northbank" in desk.get("/").text and "Eastmere" not in desk.get("/").text
        (id,) = re.findall(
            r'href="/people/([0-9a-f-]{36})">Change<span class="spoken"> Nurse Fennel', it.get("/people").text
        )
        assert it.get(f"/people/{id}").status_code == 200
        moved = {"name": "Nurse Fennel", "role": "unit", "sites": "eastmere", "do": "change"}
        assert it.post(f"/people/{id}", data=moved).status_code == 303
        assert desk.get("/").status_code == 303  # other sites: signed out everywhere
        assert signing_in(desk, "fennel").status_code == 303
        assert "Northbank" not in desk.get("/").text and "Eastmere" in desk.get("/").text
        assert it.post(f"/people/{id}", data={"do": "retire"}).status_code == 303
        assert desk.get("/").status_code == 303 and signing_in(desk, "fennel").status_code == 422
        assert it.post(f"/people/{id}", data={"do": "again"}).status_code == 303
        assert signing_in(desk, "fennel").status_code == 303


@pytest.mark.parametrize(
    "wrong",
    [
        {"password": "too short"}, {"sign_in": "has blanks"}, {"role": "king"}, {"name": ""}, {"sites": ""},
        {"sites": "nowhere"}, {"password": "fennelfennel"}, {"password": "aaaaaaaaaaaaaaaa"},
    ],
)  # fmt: skip
def test_what_cannot_be_is_said_and_adds_nobody(flow: Flow, served: str, wrong: dict[str, str]) -> None:
    register(flow, "millet", "it")
    new = {"name": "Nurse Fennel", "sign_in": "fennel", "role": "unit", "sites": "northbank", "password": PASSWORD}
    with signed_in(served, "millet") as it:
        assert it.post("/people", data={**new, **wrong}).status_code in (404, 422)
    assert rows(flow, "SELECT sign_in FROM people") == [("millet",)]


def test_whoever_sees_some_sites_gives_nobody_more(flow: Flow, served: str) -> None:
    register(flow, "millet", "it", "northbank")
    new = {"name": "F", "sign_in": "fennel", "role": "unit", "password": PASSWORD}
    with signed_in(served, "millet") as it:
        assert it.post("/people", data={**new, "all_sites": "yes"}).status_code == 422
        assert it.post("/people", data={**new, "sites": "eastmere"}).status_code == 404
        assert "Eastmere" not in it.get("/people").text


# --- the demonstration ---------------------------------------------------------------------------------------------


def test_the_demonstration_is_open_and_can_be_looked_at_as_anybody(flow: Flow) -> None:
    from service.demo.staff import STAFF
    from service.store.people import Person

    fill(flow)
    staff = [Person(each.name, each.role, frozenset({"northbank"}), each.id) for each in STAFF]
    register(flow, "left-over")  # nobody has to sign in, whoever may be registered
    with (
        serve(build(flow, invented=staff)) as address,
        httpx.Client(base_url=address, headers=SENT, timeout=30) as client,
    ):
        assert "Eastmere" in client.get("/").text
        auditor = next(each for each in staff if each.role == "auditor")
        assert client.post("/look-as", data={"who": str(auditor.id)}).status_code == 303
        page = client.get("/").text
        assert "Eastmere" not in page and 'href="/audit"' in page and 'href="/people"' not in page
        assert client.get(at("today", "exam")).status_code == 403
        assert client.post("/look-as", data={"who": ""}).status_code == 303
        assert "Eastmere" in client.get("/").text
        assert client.post("/people", data={"name": "x"}).status_code == 400
