"""What is written down of every look, and that nothing is shown where it cannot be written down."""

from __future__ import annotations

import re
from datetime import timedelta

import httpx
import psycopg
import pytest
from sqlalchemy import text
from sqlalchemy.exc import ProgrammingError
from starlette.responses import Response
from web.bedside import NORMAL, Form, at, save, send_form, show
from web.conftest import make_app
from web.serving import serve
from web.staff import register, signed_in, signing_in
from web.test_people import flow, rows, wall
from web.ward import NOW, Clock, fill, key_of, newborn, send

from service.flow import Flow
from service.store import looks
from service.store.database import Database
from service.web.door import AGAIN
from service.web.looking import Look

__all__ = ["flow", "wall"]


def written(flow: Flow, kind: str) -> list[tuple[object, ...]]:
    """(sign-in name, site, infant's key, pattern of the address) of everything of a kind, oldest first."""
    return rows(
        flow,
        "SELECT people.sign_in, site, about::text, page FROM looks LEFT JOIN people ON people.id = person "
        f"WHERE kind = '{kind}' ORDER BY looks.id",
    )


def test_each_page_of_an_infant_is_written_down_with_who_and_which(flow: Flow, served: str) -> None:
    fill(flow)
    register(flow, "fennel", "unit", "northbank")
    key = key_of("today")
    with signed_in(served, "fennel") as client:
        for path in ("", "/exam", "/letter/family"):
            assert client.get(f"/infant/{key}{path}").status_code == 200
        assert client.get(f"/api/infants/{key}").status_code == 200
        assert client.get(f"/infant/{key_of('odd', 'eastmere')}").status_code == 404  # saw nothing
    pages = ["/infant/{key}", "/infant/{key}/{path}", "/infant/{key}/letter/{kind}", "/api/infants/{key}"]
    assert written(flow, "infant") == [("fennel", "northbank", key, page) for page in pages]


def test_a_change_is_written_down_once_and_a_try_not_at_all(flow: Flow, served: str) -> None:
    fill(flow)
    register(flow, "fennel", "unit", "northbank")
    with signed_in(served, "fennel") as client:
        assert save(client, at("today", "exam"), **NORMAL).status_code == 303
    assert written(flow, "change") == [("fennel", "northbank", key_of("today"), "/infant/{key}/{path}")]


def test_what_feeds_bring_is_nobodys_look(flow: Flow, served: str) -> None:
    register(flow, "fennel")
    fill(flow)
    assert rows(flow, "SELECT count(*) FROM looks") == [(0,)]


def test_sign_ins_good_and_bad_and_sign_outs(flow: Flow, client: httpx.Client) -> None:
    register(flow, "fennel")
    signing_in(client, "fennel", "wrong wrong wrong")
    signing_in(client, "nobody-here", "wrong wrong wrong")
    signing_in(client, "fennel")
    client.post("/sign-out", data={"where": "here"}, headers={"Sec-Fetch-Site": "same-origin"})
    assert [row[0] for row in written(flow, "refused")] == ["fennel", None]
    assert [row[0] for row in written(flow, "signed-in")] == ["fennel"]
    assert [row[0] for row in written(flow, "signed-out")] == ["fennel"]


def test_a_list_is_written_down_and_not_again_each_time_it_asks_by_itself(flow: Flow, served: str, wall: Clock) -> None:
    fill(flow)
    register(flow, "fennel", "unit", "northbank")
    with signed_in(served, "fennel") as client:
        for _ in range(3):
            assert client.get("/site/northbank").status_code == 200
        assert written(flow, "list") == [("fennel", "northbank", None, "/site/{id}")]
        wall.now += AGAIN
        assert client.get("/site/northbank").status_code == 200
        assert client.get("/").status_code == 200
    assert [row[3] for row in written(flow, "list")] == ["/site/{id}", "/site/{id}", "/"]


def test_a_list_carried_away_is_an_export_whoever_wrote_the_page(flow: Flow) -> None:
    fill(flow)
    register(flow, "fennel", "unit", "northbank")
    app = make_app(flow)

    def table(look: Look) -> Response:
        names = ",".join(entry.name for entry in look.flow.worklist())
        return Response(names, headers={"Content-Disposition": 'attachment; filename="list.csv"'})

    app.add_api_route("/table", table)
    with serve(app) as address, signed_in(address, "fennel") as client:
        assert "Lanternfish" in client.get("/table").text
    assert written(flow, "export") == [("fennel", "northbank", None, "/table")]


def test_while_nobody_is_registered_looks_are_written_down_without_a_person(flow: Flow, client: httpx.Client) -> None:
    fill(flow)
    client.get(at("today"))
    assert written(flow, "infant") == [(None, "northbank", key_of("today"), "/infant/{key}")]
    assert "nobody signed in" in client.get("/audit").text


def test_nothing_is_shown_where_the_look_cannot_be_written_down(
    flow: Flow, database_url: str, served: str, caplog: pytest.LogCaptureFixture
) -> None:
    fill(flow)
    register(flow, "fennel", "unit", "northbank")
    with signed_in(served, "fennel") as client, psycopg.connect(database_url, autocommit=True) as owner:
        owner.execute("REVOKE INSERT ON looks FROM ridgeline_service")
        for path in ("/", "/site/northbank", at("today"), at("today", "exam"), "/api/worklist"):
            answer = client.get(path)
            assert answer.status_code == 500 and "Lanternfish" not in answer.text, path
        assert "Lanternfish" not in caplog.text
        owner.execute("GRANT INSERT ON looks TO ridgeline_service")
        assert client.get("/site/northbank").status_code == 200
        assert len(written(flow, "list")) == 1  # a look that failed was not taken for one that is on record
        owner.execute("CREATE FUNCTION never() RETURNS trigger LANGUAGE plpgsql AS $$BEGIN RAISE 'full'; END$$")
        shown = show(client, at("today", "exam"), **NORMAL)
        when = "NEW.kind = 'change'"
        owner.execute(f"CREATE TRIGGER t BEFORE INSERT ON looks FOR EACH ROW WHEN ({when}) EXECUTE FUNCTION never()")
        answer = send_form(client, at("today", "exam"), Form(shown.text).fields, do="save")
        assert answer.status_code == 500
    assert rows(flow, "SELECT count(*) FROM facts WHERE name = 'exam'") == [(0,)]
    assert rows(flow, "SELECT count(*) FROM arrivals WHERE feed = 'hand'") == [(0,)]


def test_the_record_of_looks_can_be_added_to_and_not_changed(
    flow: Flow, database: Database, client: httpx.Client
) -> None:
    fill(flow)
    client.get(at("today"))
    for statement in ("UPDATE looks SET kind = 'list'", "DELETE FROM looks", "TRUNCATE looks", "DELETE FROM sessions"):
        with pytest.raises(ProgrammingError, match="permission denied"), database.transaction() as connection:
            connection.execute(text(statement))


# --- the pages -----------------------------------------------------------------------------------------------------


def test_an_auditor_finds_who_looked_by_person_day_site_and_infant(flow: Flow, served: str, wall: Clock) -> None:
    fill(flow)
    fennel = register(flow, "fennel", "unit", "northbank", name="Nurse Fennel")
    register(flow, "sorrel", "ophthalmologist", name="Dr Sorrel")
    register(flow, "burnet", "auditor")
    for who in ("fennel", "sorrel"):
        with signed_in(served, who) as client:
            client.get(at("today"))
    with signed_in(served, "sorrel") as client:
        client.get(f"/infant/{key_of('odd', 'eastmere')}")
    wall.now += timedelta(days=1)
    with signed_in(served, "burnet") as client:

        def lines(query: str) -> list[str]:
            page = client.get(f"/audit?{query}")
            assert page.status_code == 200
            body = page.text.partition("<tbody")[2].partition("</tbody>")[0]
            assert not re.search("Lanternfish|N-100|E-100", page.text)
            return re.findall(r'data-label="Who">(.*?)</td>\s*<td role="cell" data-label="What">(.*?)<span', body)

        day = "day=2031-06-01"
        looked = "looked at an infant"
        assert lines(day).count(("Nurse Fennel", looked)) == 1 and lines(day).count(("Dr Sorrel", looked)) == 2
        assert {who for who, _ in lines(f"{day}&person={fennel.id}")} == {"Nurse Fennel"}
        assert lines(f"{day}&site=eastmere") == []  # in Kolkata it is 2 June already
        assert lines("day=2031-06-02&site=eastmere") == [("Dr Sorrel", looked)]
        assert set(lines(f"{day}&infant={key_of('today')}")) == {("Nurse Fennel", looked), ("Dr Sorrel", looked)}
        assert lines("day=2031-05-20") == []
        page = client.get(at("today")).text
        assert "Who looked, and who changed" in page and "Nurse Fennel" in page.partition('id="looked"')[2]
        assert client.get("/audit?person=x").status_code == 404
        assert client.get("/audit?site=nowhere").status_code == 404


def test_an_auditor_of_one_site_sees_nobody_of_another(flow: Flow, served: str) -> None:
    fill(flow)
    register(flow, "sorrel", "ophthalmologist", "eastmere", name="Dr Sorrel")
    register(flow, "burnet", "auditor", "northbank")
    with signed_in(served, "sorrel") as client:
        client.get(f"/infant/{key_of('odd', 'eastmere')}")
    with signed_in(served, "burnet") as client:
        page = client.get("/audit").text
    assert "Sorrel" not in page and key_of("odd", "eastmere") not in page


def test_an_auditor_sees_last_tuesdays_list_as_it_was(flow: Flow, served: str, wall: Clock) -> None:
    fill(flow)
    register(flow, "burnet", "auditor")
    tuesday = NOW + timedelta(days=2)
    assert f"{tuesday:%A}" == "Tuesday"
    wall.now = tuesday - timedelta(hours=12)  # two in the morning in Denver
    send(flow, "northbank", newborn("before", "Fay Snowdrop", "2031-06-01", "N-600"))
    wall.now = tuesday + timedelta(days=1)
    send(flow, "northbank", newborn("after", "Gus Thimble", "2031-06-03", "N-700"))
    wall.now = tuesday + timedelta(days=6)
    with signed_in(served, "burnet") as client:
        page = client.get(f"/audit?day={tuesday:%Y-%m-%d}&site=northbank").text
        (link,) = re.findall(r'href="(/site/northbank[^"]*T07:00)"', page)
        then = client.get(link.replace("&amp;", "&")).text
    assert "As it was known at" in then and "Fay Snowdrop" in then and "Ada Lanternfish" in then
    assert "Gus Thimble" not in then


def parts(client: httpx.Client, path: str) -> list[str]:
    """The parts of a long page, following its own links."""
    told = [client.get(path).text]
    while following := re.search(r'href="([^"]*)" rel="next"', told[-1]):
        told.append(client.get(following[1].replace("&amp;", "&")).text)
    return told


def test_a_day_of_very_many_looks_is_shown_whole_in_parts_also_to_who_sees_one_site(flow: Flow, served: str) -> None:
    """Sign-ins of others, of which who sees one site knows nothing, push none of the site's own looks off the page."""
    register(flow, "millet", "it")
    auditor = register(flow, "sorrel", "auditor", "northbank")
    with signed_in(served, "sorrel") as narrow, signed_in(served, "millet") as wide:
        with flow.database.transaction() as connection:
            for site, person, number in (("northbank", auditor.id, 250), ("", None, 700), ("eastmere", None, 30)):
                looks.write(connection, "list", NOW, person, "/", [(site, None)] * number)
        for client, everything in ((narrow, 251), (wide, 982)):
            told = parts(client, "/audit")
            assert [text.count('scope="row"') for text in told] == [
                min(100, everything - at) for at in range(0, everything, 100)
            ]
            assert f"1 to 100 of {everything}" in told[0]
            assert f"of {everything}" in told[-1] and 'rel="next"' not in told[-1] and 'rel="prev"' in told[-1]
        of_site = parts(wide, "/audit?site=eastmere")
        assert [text.count('scope="row"') for text in of_site] == [30]


def test_very_many_people_are_shown_in_parts(flow: Flow, served: str) -> None:
    for number in range(120):
        register(flow, f"p{number:03}")
    register(flow, "millet", "it")
    with signed_in(served, "millet") as client:
        first, second = parts(client, "/people")
    assert "1 to 100 of 121" in first and "101 to 121 of 121" in second
    assert len(set(re.findall(r">(p\d{3})<", first + second))) == 120
