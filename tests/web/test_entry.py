"""Typing in: shown before it is saved, saved once, corrected, taken back. On a real database, by the one way in.

Days: 1 June 2031 is a Sunday, 14:00 in Denver when these tests stand. Intervals of AAP 2018 (Pediatrics
2018;142(6):e20183061, from memory): zone II without ROP 14 days, stage 2 in zone II 7 to 14 days. Type 1 disease:
ETROP, Arch Ophthalmol 2003;121:1684; treated within 72 hours when possible (AAP 2018, from memory).
"""

from __future__ import annotations

import json
import logging
import re
from datetime import UTC, datetime

import httpx
import pytest
from web.bedside import NORMAL, Form, at, save, send_form, show, take_back
from web.conftest import make_app
from web.serving import calling
from web.test_pages import Page, row
from web.ward import HOSTILE, NOW, age, gone_home, key_of, newborn, send, weight

from service.fhir.forms import fill
from service.flow import Flow
from service.web.entry import MOST_BYTES

TYPE_1 = {**NORMAL, "right.stage": "3", "right.plus": "plus", "left.same": None, "left.zone": "II", "left.stage": "0"}


def said(answer: httpx.Response) -> str:
    return Page(answer.text).text


def links(client: httpx.Client, patient: str) -> list[str]:
    return Page(client.get(at(patient)).text).links


def one(client: httpx.Client, patient: str, ending: str) -> str:
    """The one link of an infant's page that ends so."""
    found = list({link for link in links(client, patient) if re.search(ending, link)})
    assert len(found) == 1, found
    return found[0]


# --- shown, then saved ---------------------------------------------------------------------------------------------


def test_what_follows_is_shown_before_anything_is_saved(own_ward: httpx.Client, flow: Flow) -> None:
    shown = show(own_ward, at("today", "exam"), **NORMAL)
    words = said(shown)
    assert "right eye zone II without ROP; left eye zone II without ROP" in words
    assert "Next eye exam, both eyes on Sun 15 Jun" in words
    assert "Until now First eye exam Sun 1 Jun to Sat 7 Jun" in words
    assert flow.infant(key_of("today")).course.exams == ()
    (id,) = Form(shown.text).fields["id"]
    saved = send_form(own_ward, at("today", "exam"), Form(shown.text).fields, do="save")
    assert (saved.status_code, saved.headers["location"]) == (303, f"{at('today')}?saved=exam&record={id}")
    page = said(own_ward.get(saved.headers["location"]))
    assert "The exam is saved." in page
    assert "Next eye exam, both eyes on Sun 15 Jun" in page
    assert "Sun 1 Jun: both eyes zone II without ROP" in row(own_ward.get("/").text, "today")


def test_a_treatment_clock_is_a_time_on_the_wall(own_ward: httpx.Client) -> None:
    words = said(show(own_ward, at("today", "exam"), **TYPE_1))
    assert "Treatment, right eye by Wed 4 Jun 14:00" in words  # 14:00 on Sunday and 72 hours
    assert "type 1 disease" in words
    save(own_ward, at("today", "exam"), **TYPE_1)
    listed = row(own_ward.get("/").text, "today")
    assert "By Wed 4 Jun 14:00" in listed and "Enter the treatment" in listed


def test_the_exam_is_dated_and_named_as_typed(own_ward: httpx.Client, flow: Flow) -> None:
    save(own_ward, at("today", "exam"), **{**NORMAL, "on": "2031-05-31", "at": "09:05", "method": "wide-field imaging"})
    (exam,) = flow.infant(key_of("today")).course.exams
    assert (exam.on.isoformat(), exam.at, exam.examiner) == ("2031-05-31", "09:05", "Dr Reed")
    assert exam.method == "wide-field imaging"


def test_nothing_is_saved_that_was_not_shown(own_ward: httpx.Client, flow: Flow) -> None:
    fields = Form(own_ward.get(at("today", "exam")).text).fields
    unseen = send_form(own_ward, at("today", "exam"), fields, **NORMAL, do="save")
    assert unseen.status_code == 200 and "on Sun 15 Jun" in said(unseen)
    changed = send_form(own_ward, at("today", "exam"), Form(unseen.text).fields, **{"right.zone": "I"}, do="save")
    assert "This is not what was shown before." in said(changed)
    assert "on Sun 8 Jun" in said(changed)  # zone I without ROP: 7 days
    assert flow.infant(key_of("today")).course.exams == ()


def test_pressing_twice_saves_once(own_ward: httpx.Client, flow: Flow) -> None:
    fields = Form(show(own_ward, at("today", "exam"), **NORMAL).text).fields
    answers = [send_form(own_ward, at("today", "exam"), fields, do="save") for _ in range(2)]
    assert [answer.status_code for answer in answers] == [303, 303]
    seen = flow.infant(key_of("today"))
    assert len(seen.course.exams) == 1
    assert {fact.version.number for fact in seen.facts if fact.name == "exam"} == {1}


def test_the_same_page_sent_again_with_other_words_changes_nothing_unseen(own_ward: httpx.Client, flow: Flow) -> None:
    shown = show(own_ward, at("today", "exam"), **NORMAL)
    send_form(own_ward, at("today", "exam"), Form(shown.text).fields, do="save")
    again = send_form(own_ward, at("today", "exam"), Form(shown.text).fields, **{"right.stage": "2"}, do="save")
    assert again.status_code == 409
    assert "What you typed is not saved, and not lost" in said(again)
    assert Form(again.text).fields["right.stage"] == ["2"]
    assert str(flow.infant(key_of("today")).course.exams[0].right) == "zone II without ROP"


# --- what cannot be ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "where", "words"),
    [
        ({"right.aggressive": "yes"}, "right", "aggressive ROP is disease: stage 0 says that there is none"),
        ({"right.view": "none"}, "right", "an eye that was not seen has no findings"),
        ({"right.zone": "", "right.stage": "", "right.plus": ""}, "right", "nothing is said of this eye"),
        ({"left.same": None}, "left", "nothing is said of this eye"),
        ({"left.stage": "3"}, "left", "is ticked, and findings of the left eye are typed in as well"),
        ({"right.clock_hours": "13", "right.stage": "2"}, "right", "clock hours from 1 to 12"),
        ({"right.clock_hours": "many"}, "right", "this is no number"),
        ({"right.zone": "III", "right.nasal_at_ora": "no"}, "right", "zone III is not called while the nasal vessels"),
        ({"right.zone": "full", "right.vascularization": "II"}, "right", "says less"),
        ({"on": "2031-06-02"}, "on", "this day has not come yet"),
        ({"on": "2031-04-30"}, "on", "before the infant was born"),
        ({"on": "1.6.2031"}, "on", "this is no day"),
        ({"at": "14:01"}, "at", "this time has not come yet"),
        ({"at": "noon"}, "at", "this is no time of day"),
        ({"examiner": "  "}, "examiner", "this has to be filled in"),
        ({"right.stage": "6"}, "right", "this is none of the answers"),
    ],
)
def test_what_cannot_be_is_refused_in_words_beside_its_place(
    own_ward: httpx.Client, flow: Flow, typed: dict[str, str | None], where: str, words: str
) -> None:
    answer = show(own_ward, at("today", "exam"), **{**NORMAL, **typed})
    assert answer.status_code == 422
    beside = re.search(rf'id="wrong-{where}">([^<]+)<', answer.text)
    assert beside is not None and words in beside[1].lower().replace("rop", "ROP").replace("zone iii", "zone III")
    fields = Form(answer.text).fields
    for name, value in {**NORMAL, **typed}.items():
        if value is not None and name != "right.stage":
            assert fields[name][0] == value.strip(), name  # what was typed is kept
    assert "Save" not in Page(answer.text).words
    assert flow.infant(key_of("today")).course.exams == ()


def test_an_eye_not_seen_is_asked_for_within_seven_days_and_is_never_no_finding(own_ward: httpx.Client) -> None:
    answer = show(own_ward, at("today", "exam"), **{**NORMAL, "left.same": None, "left.view": "none"})
    assert "left eye not seen" in said(answer)
    assert "left eye on Sun 8 Jun" in said(answer)  # rebooked within 7 days (UK 2022; for all editions here)


def test_full_vessels_are_one_tap(own_ward: httpx.Client, flow: Flow) -> None:
    save(own_ward, at("today", "exam"), **{**NORMAL, "right.zone": "full", "right.stage": "", "right.plus": ""})
    (exam,) = flow.infant(key_of("today")).course.exams
    assert str(exam.right) == str(exam.left) == "full vascularization"


def test_clock_hours_are_kept_as_they_were_ticked_and_counted(own_ward: httpx.Client, flow: Flow) -> None:
    page = own_ward.get(at("today", "exam"))
    typed = {**Form(page.text).fields, **{name: [value] for name, value in NORMAL.items()}, "right.stage": ["2"]}
    shown = send_form(own_ward, at("today", "exam"), {**typed, "right.clock_positions": ["12", "9", "10"]}, do="show")
    assert "Zone II stage 2; 3 clock hours (9, 10, 12)" in said(shown)
    assert shown.text.count('class="hour on"') == 6  # of the right eye: on the sheet, and beside what follows
    send_form(own_ward, at("today", "exam"), Form(shown.text).fields, do="save")
    (exam,) = flow.infant(key_of("today")).course.exams
    assert (exam.right.clock_positions, exam.right.clock_hours) == ((9, 10, 12), 3)
    # "As the right eye" does not say on which side: the eyes are mirror images.
    assert (exam.left.clock_positions, exam.left.clock_hours, exam.left.stage) == ((), 3, "2")
    fields = Form(own_ward.get(one(own_ward, "today", r"/exam/[0-9a-f-]{36}$")).text).fields
    assert fields["right.clock_positions"] == ["9", "10", "12"] and fields["right.clock_hours"] == [""]
    assert fields["left.clock_hours"] == ["3"]
    wrong = {**typed, "right.clock_positions": ["13"]}
    assert "These are no hours of the clock." in said(send_form(own_ward, at("today", "exam"), wrong, do="show"))


def test_as_last_time_fills_in_what_was_found_of_one_eye_and_nothing_else(own_ward: httpx.Client, flow: Flow) -> None:
    assert "As last time" not in said(own_ward.get(at("today", "exam")))
    first = {
        **NORMAL,
        "right.zone": "posterior II",
        "right.stage": "1",
        "right.note": "small pupil",
        "right.view": "poor",
    }
    save(own_ward, at("today", "exam"), **first, **{"right.nasal_at_ora": "no", "at": "09:00"})
    page = own_ward.get(at("today", "exam"))
    assert "As last time, Sun 1 Jun: posterior zone II stage 1" in said(page)
    fields = Form(page.text).fields
    assert fields["right.zone"] == fields["right.stage"] == [""]  # offered, not filled in
    filled = send_form(own_ward, at("today", "exam"), fields, do="last.right", examiner="Dr Tarn")
    now = Form(filled.text).fields
    assert (filled.status_code, now["right.zone"], now["right.stage"]) == (200, ["posterior II"], ["1"])
    assert (now["right.nasal_at_ora"], now["examiner"], now["id"]) == (["no"], ["Dr Tarn"], fields["id"])
    assert (now["right.view"], now["right.note"], now["left.zone"]) == (["adequate"], [""], [""])
    assert 'value="save"' not in filled.text  # what follows has not been seen
    left = send_form(own_ward, at("today", "exam"), {**now, "left.same": ["yes"]}, do="last.left")
    assert Form(left.text).fields["left.zone"] == ["posterior II"] and "left.same" not in Form(left.text).fields
    assert len(flow.infant(key_of("today")).course.exams) == 1


def test_an_eye_that_was_not_seen_last_time_is_not_offered_as_last_time(own_ward: httpx.Client) -> None:
    save(own_ward, at("today", "exam"), **{**NORMAL, "left.same": None, "left.view": "none", "at": "09:00"})
    page = own_ward.get(at("today", "exam"))
    assert re.findall(r'value="last\.(\w+)"', page.text) == ["right"]


@pytest.mark.parametrize(
    ("sheet", "typed"),
    [
        ("treatment", {"eyes": "right", "kind": "laser", "by": "Dr Reed"}),
        ("defer", {"reason": "unstable", "ophthalmologist": "R", "neonatologist": "T", "until": "2031-06-04"}),
        ("hand-over", {"to": "Hill clinic", "place": "Room 4", "date": "2031-06-05", "by": "Nurse Wren"}),
        ("close", {"why": "opt-out", "by": "Dr Reed"}),
        ("long-term", {"where": "Hill clinic", "by": "Dr Tarn"}),
        ("newborn", {"birth_weight": "790", "by": "Nurse Wren"}),
    ],
)  # fmt: skip
def test_whatever_was_saved_can_be_undone_from_the_page_that_says_so(
    own_ward: httpx.Client, flow: Flow, sheet: str, typed: dict[str, str]
) -> None:
    before = flow.infant(key_of("today")).decision
    answer = save(own_ward, at("today", sheet), **typed)
    page = own_ward.get(answer.headers["location"])
    undo = re.search(r'role="status".*?href="([^"]+/error)">Undo<', page.text)
    assert undo is not None
    answer = take_back(own_ward, undo[1])
    page = own_ward.get(answer.headers["location"])
    after = flow.infant(key_of("today")).decision
    assert (after.state, after.next.kind, after.next.window) == (before.state, before.next.kind, before.next.window)
    assert re.search(r'role="status".*?>Enter it again<', page.text)
    if sheet == "close":
        save(own_ward, at("today", sheet), **typed)
        answer = save(own_ward, at("today", "reopen"), why="the family came back", by="Dr Reed")
        page = own_ward.get(answer.headers["location"])
        again = re.search(r'role="status".*?href="([^"]+)">Close it again<', page.text)
        assert again is not None
        assert save(own_ward, again[1], **typed).status_code == 303
        assert flow.infant(key_of("today")).decision.state == "closed"


# --- corrected, taken back -----------------------------------------------------------------------------------------


def test_a_correction_is_the_next_version_and_moves_the_date(own_ward: httpx.Client, flow: Flow) -> None:
    save(own_ward, at("today", "exam"), **{**NORMAL, "right.note": "small pupil", "right.clock_hours": ""})
    correct = one(own_ward, "today", r"/exam/[0-9a-f-]{36}$")
    fields = Form(own_ward.get(correct).text).fields
    for name, value in {"right.zone": "II", "left.zone": "II", "right.note": "small pupil", "base": "1"}.items():
        assert fields[name] == [value]
    answer = save(own_ward, correct, **{"right.stage": "2"})
    assert answer.status_code == 303
    seen = flow.infant(key_of("today"))
    (exam,) = seen.course.exams
    assert (exam.right.stage, exam.left.stage, exam.right.note) == ("2", "0", "small pupil")
    assert seen.decision.next.window is not None and seen.decision.next.window.due.isoformat() == "2031-06-08"


def test_two_who_correct_at_once_lose_nothing(own_ward: httpx.Client, flow: Flow) -> None:
    save(own_ward, at("today", "exam"), **NORMAL)
    correct = one(own_ward, "today", r"/exam/[0-9a-f-]{36}$")
    late = Form(show(own_ward, correct, **{"right.stage": "1"}).text).fields
    save(own_ward, correct, **{"right.stage": "2"})
    answer = send_form(own_ward, at("today", "exam"), late, do="save")
    assert answer.status_code == 409
    assert "right eye zone II stage 2" in said(answer)  # what is on record now
    assert Form(answer.text).fields["right.stage"] == ["1"]
    assert flow.infant(key_of("today")).course.exams[0].right.stage == "2"
    shown = send_form(own_ward, at("today", "exam"), Form(answer.text).fields, do="show")
    send_form(own_ward, at("today", "exam"), Form(shown.text).fields, do="save")
    assert flow.infant(key_of("today")).course.exams[0].right.stage == "1"


def test_entered_in_error_shows_what_follows_asks_who_and_can_be_undone(own_ward: httpx.Client, flow: Flow) -> None:
    save(own_ward, at("today", "exam"), **TYPE_1)
    error = one(own_ward, "today", r"/exam/[0-9a-f-]{36}/error$")
    page = own_ward.get(error)
    assert "What follows, if it does not count any more First eye exam Sun 1 Jun to Sat 7 Jun" in said(page)
    assert len(flow.infant(key_of("today")).course.exams) == 1
    assert take_back(own_ward, error, by=" ").status_code == 422
    assert take_back(own_ward, error).headers["location"].startswith(f"{at('today')}?saved=withdrawn&record=")
    assert flow.infant(key_of("today")).course.exams == ()
    page = own_ward.get(at("today"))
    assert "First eye exam Sun 1 Jun to Sat 7 Jun" in said(page) and "does not count" in said(page)
    assert take_back(own_ward, error).status_code == 303  # twice says it once
    again = one(own_ward, "today", r"/exam/[0-9a-f-]{36}$")
    assert save(own_ward, again).status_code == 303
    assert flow.infant(key_of("today")).course.exams[0].right.stage == "3"


def test_taking_back_what_was_changed_meanwhile_asks_again(own_ward: httpx.Client, flow: Flow) -> None:
    save(own_ward, at("today", "exam"), **NORMAL)
    error = one(own_ward, "today", r"/exam/[0-9a-f-]{36}/error$")
    fields = Form(own_ward.get(error).text).fields
    save(own_ward, error.removesuffix("/error"), **{"right.stage": "2"})
    answer = send_form(own_ward, error, fields, by="Dr Reed")
    assert answer.status_code == 409 and "It was changed since" in said(answer)
    assert len(flow.infant(key_of("today")).course.exams) == 1


def test_what_the_site_sent_is_corrected_at_the_site(own_ward: httpx.Client, flow: Flow) -> None:
    value = {"on": "2031-06-01", "right": {"zone": "II", "stage": "0"}, "left": {"zone": "II", "stage": "0"}}
    sent = fill(
        "eye-exam", value, id="site-exam-1", version=1, patient="today", author="Dr Far", authored=NOW
    )  # fmt: skip
    send(flow, "northbank", sent)
    page = own_ward.get(at("today"))
    assert "sent by Northbank" in said(page) and "QuestionnaireResponse/site-exam-1" in said(page)
    assert not [link for link in Page(page.text).links if "site-exam-1" in link]
    for path in (at("today", "exam/site-exam-1"), at("today", "exam/site-exam-1/error")):
        answer = own_ward.get(path)
        assert answer.status_code == 404 and "what a site sent is corrected at the site" in said(answer).lower()


# --- treatment, deferral, hand-over --------------------------------------------------------------------------------


def test_a_treatment_ends_the_clock_and_names_the_sign_to_look_for(own_ward: httpx.Client, flow: Flow) -> None:
    save(own_ward, at("today", "exam"), **TYPE_1)
    laser = {"eyes": "right", "kind": "laser", "by": "Dr Reed"}
    words = said(show(own_ward, at("today", "treatment"), **laser))
    assert "Treatment, right eye by" in words.partition("Until now")[2]
    assert "Exam after laser, right eye" in words.partition("Until now")[0]
    assert "look for" in words
    save(own_ward, at("today", "treatment"), **laser)
    seen = flow.infant(key_of("today"))
    assert [(each.kind, each.sides) for each in seen.course.treatments] == [("laser", ("right",))]
    assert "Sun 1 Jun Laser Correct Entered in error treated" in said(own_ward.get(at("today")))


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ({"kind": "injection"}, "Say what was injected"),
        ({"kind": "injection", "agent": "other"}, "Write the generic name"),
        ({"kind": "injection", "agent": "ranibizumab", "other_agent": "something"}, "Two agents are named"),
        ({"kind": "laser", "agent": "ranibizumab"}, "An agent is what was injected"),
        ({"kind": "laser", "eyes": ""}, "One of these has to be chosen"),
    ],
)
def test_a_treatment_says_what_was_done(own_ward: httpx.Client, typed: dict[str, str], words: str) -> None:
    answer = show(own_ward, at("today", "treatment"), **{"eyes": "both", "by": "Dr Reed", **typed})
    assert answer.status_code == 422 and words in said(answer)


def test_an_exam_put_off_stays_due_and_warns_after_seven_days(own_ward: httpx.Client) -> None:
    typed = {"reason": "unstable", "ophthalmologist": "Dr Reed", "neonatologist": "Dr Tarn"}
    words = said(show(own_ward, at("today", "defer"), **typed, until="2031-06-09"))
    # Due on 1 June: within 7 days is 8 June (UK 2022, RCPCH Screening of ROP; from memory).
    assert "That is 8 days after the intended day" in words and "by Sun 8 Jun" in words
    assert "First eye exam Sun 1 Jun to Sat 7 Jun" in words.partition("Until now")[0]
    assert "after the intended day" not in said(show(own_ward, at("today", "defer"), **typed, until="2031-06-08"))
    save(own_ward, at("today", "defer"), **typed, until="2031-06-04")
    listed = row(own_ward.get("/").text, "today")
    assert "Put off once, last until Wed 4 Jun: unstable" in listed and "Sun 1 Jun to Sat 7 Jun" in listed
    assert "put off once already" in said(own_ward.get(at("today", "defer")))
    one(own_ward, "today", r"/defer/[0-9a-f-]{36}$")
    assert show(own_ward, at("today", "defer"), **typed, until="2031-05-31").status_code == 422


def test_handing_over_says_when_it_is_too_late_and_clears_the_item(own_ward: httpx.Client) -> None:
    assert "nobody is on record who takes over" in row(own_ward.get("/").text, "late")
    typed = {"to": "Hill clinic", "place": "Room 4, Hill clinic", "date": "2031-06-05", "by": "Nurse Wren"}
    words = said(show(own_ward, at("late", "hand-over"), **typed))
    assert "That is 20 days after the last day of the window." in words  # 16 May
    save(own_ward, at("late", "hand-over"), **typed, parents_told="yes")
    listed = row(own_ward.get("/").text, "late")
    assert "nobody is on record" not in listed and "16 days over" in listed
    assert "next exam on Thu 5 Jun at Room 4, Hill clinic" in said(own_ward.get(at("late")))
    assert show(own_ward, at("late", "hand-over"), **{**typed, "date": "2031-05-31"}).status_code == 422


# --- closed and opened again ---------------------------------------------------------------------------------------


def test_a_named_person_closes_and_it_can_be_opened_again(own_ward: httpx.Client, flow: Flow) -> None:
    save(own_ward, at("today", "exam"), **NORMAL)
    assert "Nothing proposes it" in said(own_ward.get(at("today", "close")))
    save(own_ward, at("today", "close"), why="opt-out", by="Dr Reed")
    assert flow.infant(key_of("today")).decision.state == "closed"
    assert "Ada Lanternfish" not in own_ward.get("/").text
    words = said(own_ward.get(at("today")))
    assert "the family declined further exams (Dr Reed)" in words and "Open the course again" in words
    save(own_ward, at("today", "reopen"), why="the family came back", by="Dr Reed")
    assert flow.infant(key_of("today")).decision.state == "eligible"
    assert "Next eye exam, both eyes" in row(own_ward.get("/").text, "today")
    assert own_ward.get(at("today", "reopen")).status_code == 409


def test_another_exam_opens_a_closed_course_by_itself(own_ward: httpx.Client, flow: Flow) -> None:
    save(own_ward, at("today", "exam"), **NORMAL)
    save(own_ward, at("today", "close"), why="opt-out", by="Dr Reed")
    words = said(save_shown := show(own_ward, at("today", "exam"), **{**NORMAL, "at": "13:00", "right.stage": "1"}))
    assert "it is open again: what is on record has changed" in words
    send_form(own_ward, at("today", "exam"), Form(save_shown.text).fields, do="save")
    assert flow.infant(key_of("today")).decision.state == "eligible"


def test_what_changed_since_the_page_was_opened_is_looked_at_before_closing(own_ward: httpx.Client, flow: Flow) -> None:
    save(own_ward, at("today", "exam"), **NORMAL)
    fields = Form(show(own_ward, at("today", "close"), why="opt-out", by="Dr Reed").text).fields
    save(own_ward, at("today", "exam"), **{**TYPE_1, "at": "13:00"})
    answer = send_form(own_ward, at("today", "close"), fields, do="save")
    assert answer.status_code == 200 and "came in, or was changed, since this page was opened" in said(answer)
    assert flow.infant(key_of("today")).decision.state == "eligible"
    send_form(own_ward, at("today", "close"), Form(answer.text).fields, do="save")
    assert flow.infant(key_of("today")).decision.state == "closed"


def test_an_injected_eye_stays_on_the_list_before_65_weeks(own_ward: httpx.Client, flow: Flow) -> None:
    """Never before 65 weeks after an injection: AAP 2018, as in the common care of all editions."""
    save(own_ward, at("today", "treatment"), eyes="left", kind="injection", agent="ranibizumab", by="Dr Reed")
    page = said(own_ward.get(at("today", "close")))
    assert "The left eye was injected, and 65w0d postmenstrual age is not reached" in page
    typed = {"why": "screening-complete", "by": "Dr Reed"}
    words = said(show(own_ward, at("today", "close"), **typed))
    assert "The infant stays on the list: this does not close the course" in words
    assert "an injected eye is watched until 65w0d postmenstrual age" in words
    save(own_ward, at("today", "close"), **typed)
    assert "Exam after injection, left eye" in row(own_ward.get("/").text, "today")


def test_the_visit_after_discharge_is_recorded(own_ward: httpx.Client, flow: Flow) -> None:
    save(own_ward, at("late", "exam"), **NORMAL)
    assert "Refraction and alignment" in row(own_ward.get("/").text, "late")
    save(own_ward, at("late", "long-term"), where="Hill clinic", by="Dr Tarn")
    assert flow.infant(key_of("late")).decision.followed_up is not None
    assert "Refraction and alignment" not in row(own_ward.get("/").text, "late")


# --- what is missing -----------------------------------------------------------------------------------------------


def test_who_cannot_be_judged_is_judged_once_it_is_filled_in(own_ward: httpx.Client, flow: Flow) -> None:
    page = own_ward.get("/")
    assert f"{at('vague', 'newborn')}" in page.text and "Record gestational age at birth" in row(page.text, "vague")
    words = said(show(own_ward, at("vague", "newborn"), weeks="26", days="4", birth_weight="800", by="Nurse Wren"))
    assert "Gestational age at birth 26w4d" in words and "Birth weight 800 g" in words
    # Born 25 May at 26w4d: day 31 is 25 June, the later of 31w0d and 28 days (AAP 2018).
    assert "First eye exam Wed 25 Jun to Tue 1 Jul" in words
    save(own_ward, at("vague", "newborn"), weeks="26", days="4", birth_weight="800", by="Nurse Wren")
    assert "First eye exam" in row(own_ward.get("/").text, "vague")
    fields = Form(own_ward.get(one(own_ward, "vague", r"/newborn/[0-9a-f-]{36}$")).text).fields
    assert (fields["weeks"], fields["days"], fields["birth_weight"]) == (["26"], ["4"], ["800"])


def test_a_risk_flag_of_the_guideline_makes_an_older_infant_eligible(own_ward: httpx.Client, flow: Flow) -> None:
    assert flow.infant(key_of("term")).decision.eligible == "no"
    save(own_ward, at("term", "newborn"), risk_flags="clinician-concern", by="Dr Tarn")
    assert flow.infant(key_of("term")).decision.eligible == "yes"


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ({"days": "3"}, "Days alone are no age"),
        ({"weeks": "260"}, "from 20 to 45"),
        ({"weeks": "26", "days": "7"}, "from 0 to 6"),
        ({"birth_weight": "0,8"}, "Grams are a whole number"),
        ({}, "Nothing is filled in"),
    ],
)
def test_values_at_birth_are_not_guessed(own_ward: httpx.Client, typed: dict[str, str], words: str) -> None:
    answer = show(own_ward, at("vague", "newborn"), **typed, by="Nurse Wren")
    assert answer.status_code == 422 and words in said(answer)


def test_a_weight_that_cannot_be_is_refused_by_the_same_rules_as_the_sites_own(own_ward: httpx.Client) -> None:
    answer = show(own_ward, at("vague", "newborn"), birth_weight="8", by="Nurse Wren")
    assert 'value="save"' not in answer.text
    assert "plausible" in said(answer).lower()


# --- safe to have open to a network --------------------------------------------------------------------------------


def test_a_form_of_another_site_is_refused(own_ward: httpx.Client, flow: Flow) -> None:
    fields = Form(show(own_ward, at("today", "exam"), **NORMAL).text).fields
    host = own_ward.base_url.netloc.decode()
    for headers in (
        {"Sec-Fetch-Site": "cross-site"}, {"Sec-Fetch-Site": "same-site"}, {"Origin": "https://elsewhere.example"},
        {"Origin": "null"}, {}, {"Sec-Fetch-Site": "cross-site", "Origin": f"http://{host}"},
    ):  # fmt: skip
        answer = own_ward.post(at("today", "exam"), data={**fields, "do": "save"}, headers=headers)
        assert answer.status_code == 403 and "nothing was saved" in said(answer), headers
    assert flow.infant(key_of("today")).course.exams == ()
    answer = own_ward.post(at("today", "exam"), data={**fields, "do": "save"}, headers={"Origin": f"http://{host}"})
    assert answer.status_code == 303


def test_what_is_no_form_of_ours_is_refused(own_ward: httpx.Client) -> None:
    path, here = at("today", "exam"), {"Sec-Fetch-Site": "same-origin"}
    assert own_ward.post(path, json={"a": 1}, headers=here).status_code == 415
    assert own_ward.post(path, data={"a": "x" * MOST_BYTES}, headers=here).status_code == 413
    assert own_ward.post(path, data={"id": "../../x", "base": "0"}, headers=here).status_code == 400
    plain = {**here, "Content-Type": "application/x-www-form-urlencoded"}
    for body in (b"", b"\xff=\xff", b"&".join(b"a=1" for _ in range(400))):
        assert own_ward.post(path, content=body, headers=plain).status_code == 400
    assert own_ward.get(at("today", "nonsense")).status_code == 404
    assert own_ward.get(f"/infant/{key_of('nobody')}/exam").status_code == 404
    assert own_ward.get(at("today", "exam/not-there")).status_code == 404
    assert send_form(own_ward, at("today", "nonsense"), {}, do="save").status_code in (400, 404)


def test_no_name_and_no_finding_is_in_an_address_or_a_log(
    own_ward: httpx.Client, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.DEBUG, "service"):
        answer = save(
            own_ward, at("today", "exam"), **{**NORMAL, "right.note": "Heronpool", "examiner": "Dr Quillfeather"}
        )
        show(own_ward, at("today", "exam"), **{**NORMAL, "right.view": "none"})
    assert re.fullmatch(rf"{at('today')}\?saved=exam&record=[0-9a-f-]{{36}}", answer.headers["location"])
    for word in ("Heronpool", "Quillfeather", "Lanternfish", "zone II"):
        assert word not in caplog.text
    for link in links(own_ward, "today"):
        assert not re.search("Heronpool|Quillfeather|Lanternfish|N-100", link)


def test_what_somebody_typed_is_text(own_ward: httpx.Client) -> None:
    shown = show(own_ward, at("today", "exam"), **{**NORMAL, "right.note": HOSTILE, "examiner": HOSTILE})
    save(own_ward, at("today", "exam"), **{**NORMAL, "right.note": HOSTILE, "examiner": HOSTILE})
    for page in (shown, own_ward.get(at("today"))):
        assert "<script>alert" not in page.text and "<img" not in page.text
        assert HOSTILE in " ".join([said(page), *Form(page.text).fields.get("examiner", [])])


def test_a_day_that_is_looked_back_at_offers_nothing_to_enter(own_ward: httpx.Client) -> None:
    save(own_ward, at("today", "exam"), **NORMAL)
    for query in ("as_of=2031-05-30", "as_of=2031-06-09", "known_at=2031-06-01T14:00", "known_at=2031-06-01T20:00Z"):
        page = own_ward.get(f"{at('today')}?{query}")
        assert page.status_code == 200 and "Nothing can be entered here." in said(page), query
        sheets = [link for link in Page(page.text).links if link.startswith(at("today")) and link != at("today")]
        assert sheets == [], query
    before = said(own_ward.get(f"{at('today')}?as_of=2031-05-30"))
    assert "First eye exam" in before  # the exam of 1 June had not been held
    assert own_ward.get(f"{at('today')}?known_at=yesterday").status_code == 400
    assert own_ward.get(f"{at('today')}?known_at=2031-05-01T00:00").status_code == 404  # nobody knew of it


def test_a_record_that_is_not_followed_here_takes_nothing(own_ward: httpx.Client, flow: Flow) -> None:
    other = newborn("twice", "Ada Lanternfish", "2031-05-01", "N-101")
    send(flow, "northbank", other)
    merged = {**other, "meta": {"versionId": "2"}, "active": False,
              "link": [{"other": {"reference": "Patient/today"}, "type": "replaced-by"}]}  # fmt: skip
    send(flow, "northbank", merged)
    assert own_ward.get(at("twice", "exam")).status_code == 409
    assert not [link for link in links(own_ward, "twice") if link.startswith(at("twice", "e"))]


def test_each_site_types_in_on_its_own_clock(flow: Flow) -> None:
    """20:00 UTC on 1 June: already Monday 01:30 in Kolkata."""
    send(flow, "eastmere", newborn("e", "Fay Otter", "2031-05-01", "E-1", "eastmere"), age("e", 190), weight("e", 900))
    with calling(make_app(flow)) as client:
        fields = Form(client.get(f"/infant/{key_of('e', 'eastmere')}/exam").text).fields
    assert (fields["on"], fields["at"]) == (["2031-06-02"], ["01:30"])


def test_the_whole_answer_is_kept_as_it_would_have_come_from_a_site(own_ward: httpx.Client, flow: Flow) -> None:
    save(own_ward, at("today", "exam"), **NORMAL)
    seen = flow.infant(key_of("today"))
    (fact,) = [each for each in seen.recorded if each.fact.name == "exam"]
    assert fact.via == "hand"
    assert fact.fact.resource.startswith("QuestionnaireResponse/")
    assert datetime.fromisoformat(fact.fact.version.updated) == NOW.astimezone(UTC)
    assert json.dumps(dict(fact.fact.value), sort_keys=True).count("zone") == 2


def test_breathing_and_planned_leaving_are_typed_in_shown_corrected_and_taken_back(
    own_ward: httpx.Client, flow: Flow
) -> None:
    window = flow.infant(key_of("today")).decision.next
    typed = {"support": "CPAP", "leaves": "2031-06-04", "by": "Sister Lane"}
    shown = said(show(own_ward, at("today", "bedside"), **typed))
    assert "Respiratory support CPAP (Sun 1 Jun)" in shown
    assert "Planned leaving Sun 1 Jun: leaves on Wed 4 Jun (Sister Lane)" in shown
    assert "Hand over to whoever takes the infant on Wed 28 May to Wed 4 Jun" in shown
    saved = save(own_ward, at("today", "bedside"), **typed)
    page = said(own_ward.get(saved.headers["location"]))
    assert "It is saved, and shown on the list. Undo" in page
    assert "Breathing CPAP (Sun 1 Jun) Leaves on Wed 4 Jun" in page
    today = own_ward.get("/site/northbank").text
    for words in (
        "Breathing CPAP (Sun 1 Jun)",
        "leaves on Wed 4 Jun",
        "Hand over to whoever",
        "Hand over Ada Lanternfish",
    ):
        assert words in row(today, "today"), words
    assert re.search(r"Leaving soon.*Ada Lanternfish.*nobody is on record who takes over", Page(today).text, re.DOTALL)
    assert "Left hospital, nobody" not in row(today, "today")
    assert flow.infant(key_of("today")).decision.next == window

    again = one(own_ward, "today", r"/bedside/[0-9a-f-]{36}$")
    fields = Form(own_ward.get(again).text).fields
    assert (fields["support"], fields["leaves"], fields["on"]) == (["CPAP"], ["2031-06-04"], ["2031-06-01"])
    assert save(own_ward, again, support="no support", leaves="", stays="yes").status_code == 303
    today = row(own_ward.get("/site/northbank").text, "today")
    assert "Breathing" not in today and "leaves on" not in today and "Hand over" not in today
    assert "no day is planned any more (Sister Lane)" in said(own_ward.get(at("today")))
    assert Form(own_ward.get(again).text).fields["stays"] == ["yes"]

    assert take_back(own_ward, f"{again}/error").status_code == 303
    infant = flow.infant(key_of("today")).infant
    assert (infant.support, infant.leaves_on) == ("", None)
    assert "Entered in error" in said(own_ward.get(at("today")))


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ({}, "Nothing is filled in: at least one value is needed."),
        ({"leaves": "2031-06-04", "stays": "yes"}, "A day is planned above: leave it out, or take this tick off."),
        ({"leaves": "2031-05-31"}, "This is before the day on which it was written down."),
        ({"support": "CPAP", "by": ""}, "This has to be filled in."),
        ({"support": "CPAP", "on": "2031-06-02"}, "This day has not come yet."),
    ],
)
def test_what_cannot_be_at_the_cot_is_said_beside_its_field(
    own_ward: httpx.Client, typed: dict[str, str], words: str
) -> None:
    answer = show(own_ward, at("today", "bedside"), **{"by": "Sister Lane", **typed})
    assert answer.status_code == 422 and words in said(answer)


def test_leaving_hospital_asks_for_a_hand_over(own_ward: httpx.Client, flow: Flow) -> None:
    send(flow, "northbank", gone_home("today"))
    listed = own_ward.get("/").text
    assert "Hand over" in row(listed, "today") and at("today", "hand-over") in listed
