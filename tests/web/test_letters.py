"""The two letters: only what is on record, blanks where nothing is, and words a family can read."""

from __future__ import annotations

import re
from datetime import timedelta

import httpx
from web.bedside import NORMAL, at, save
from web.test_pages import Page
from web.ward import gone_home, key_of, send

from service.flow import Flow
from service.web.letters import WHY, write_family


def letter(client: httpx.Client, patient: str, kind: str) -> str:
    answer = client.get(at(patient, f"letter/{kind}"))
    assert answer.status_code == 200
    return Page(re.sub(r"<(header|footer).*?</\1>", "", answer.text, flags=re.DOTALL)).text


def grade(text: str) -> float:
    """Flesch-Kincaid grade (Kincaid and others, 1975; constants from memory). Syllables are groups of vowels."""
    words = re.findall(r"[A-Za-z’]+", text)
    sentences = len(re.findall(r"[.!?](\s|$)", text))
    syllables = sum(max(len(re.findall(r"[aeiouy]+", re.sub(r"e$", "", word.lower()))), 1) for word in words)
    return 0.39 * len(words) / sentences + 11.8 * syllables / len(words) - 15.59


def test_the_grade_tells_easy_from_hard_words() -> None:
    assert grade("The cat sat on the mat. It was a big cat.") < 2
    assert grade("Ophthalmological examination necessitates pharmacological pupillary dilatation beforehand.") > 20


def test_the_family_is_told_what_when_why_and_whom_to_call(own_ward: httpx.Client) -> None:
    text = letter(own_ward, "today", "family")
    for words in (
        "The next eye check of Ada Lanternfish", "Born on Thursday 1 May 2031", "Your baby needs an eye check.",
        "It has to be from Sunday 1 June 2031 to Saturday 7 June 2031", "Where Place: to fill in",
        "Day and time Day and time: to fill in", "Whom to call Name: to fill in", "Phone Phone: to fill in",
        "If you cannot come", "It should not be later than Saturday 7 June 2031.", WHY,
    ):  # fmt: skip
        assert words in text, words
    assert "The last eye check" not in text  # there was none


def test_a_family_is_never_told_to_come_on_a_day_that_is_over(own_ward: httpx.Client, flow: Flow) -> None:
    """ "late" was due until 16 May; within an open window only its last day is left to be said."""
    text = letter(own_ward, "late", "family")
    assert "It has to be as soon as possible: the last day was Friday 16 May 2031" in text
    assert "It should not be later than" not in text
    seen = flow.infant(key_of("today"))
    tomorrow = write_family(seen, flow.today("northbank") + timedelta(days=1), None)
    assert tomorrow.between == "not later than Saturday 7 June 2031"


def test_a_clock_in_the_family_letter_has_its_year(own_ward: httpx.Client) -> None:
    typed = {"right.zone": "I", "right.stage": "3", "right.plus": "plus", "left.same": "yes", "time": "09:00"}
    save(own_ward, at("today", "exam"), **{**NORMAL, **typed})
    between = re.search(
        r"It has to be not later than \w+day \d+ June 2031 at \d\d:\d\d", letter(own_ward, "today", "family")
    )
    assert between is not None


def test_a_family_reads_it_at_about_eleven_years(own_ward: httpx.Client) -> None:
    """Reading age 11 is about the sixth school year."""
    save(own_ward, at("today", "treatment"), eyes="left", kind="injection", agent="ranibizumab", by="Dr Reed")
    page = own_ward.get(at("today", "letter/family")).text
    prose = " ".join(re.sub(r"<[^>]+>", "", each) for each in re.findall(r"<p[^>]*>(.*?)</p>", page, re.DOTALL))
    told = prose[prose.index("Babies who") : prose.index("Decision support")]
    assert grade(told) <= 6
    assert not re.search(r"ROP|retinopathy|zone|stage|postmenstrual|blind|window", told, re.IGNORECASE)


def test_what_was_agreed_stands_in_the_family_letter(own_ward: httpx.Client, flow: Flow) -> None:
    save(own_ward, at("today", "exam"), **NORMAL)
    send(flow, "northbank", gone_home("today"))
    save(
        own_ward, at("today", "hand-over"), to="Hill clinic", place="Room 4, Hill clinic", date="2031-06-13",
        by="Nurse Wren", parents_told="yes",
    )  # fmt: skip
    text = letter(own_ward, "today", "family")
    assert "Where Room 4, Hill clinic" in text
    assert "Day and time Friday 13 June 2031, at Time: to fill in" in text
    assert "It has to be on Sunday 15 June 2031" in text
    assert "The last eye check was on Sunday 1 June 2031." in text
    clinic = letter(own_ward, "today", "clinic")
    assert "Handed over to Hill clinic" in clinic and "Next exam Friday 13 June 2031, Room 4, Hill clinic" in clinic
    assert "Parents told place and day" in clinic


def test_after_an_injection_both_letters_say_until_when(own_ward: httpx.Client) -> None:
    """65w0d is day 455; born at 26w4d, day 186, on 1 May 2031: 269 days later is 25 January 2032."""
    save(own_ward, at("today", "treatment"), eyes="left", kind="injection", agent="ranibizumab", by="Dr Reed")
    family = letter(own_ward, "today", "family")
    assert "Your baby had medicine put into the left eye." in family
    assert "The checks go on until about Sunday 25 January 2032." in family
    clinic = letter(own_ward, "today", "clinic")
    assert (
        "The left eye was injected: reactivation is looked for until 65w0d postmenstrual age, reached on Sunday 25"
        in (clinic)
    )
    assert "Injection of ranibizumab" in clinic


def test_the_clinic_gets_ages_findings_what_is_due_the_source_and_the_caution(own_ward: httpx.Client) -> None:
    save(own_ward, at("today", "exam"), **{**NORMAL, "right.stage": "2", "right.clock_hours": "4"})
    text = letter(own_ward, "today", "clinic")
    for words in (
        "Ada Lanternfish", "Number N-100", "born Thursday 1 May 2031", "Born at 26w4d", "Birth weight 780 g",
        "PMA 31w0d", "Next eye exam, both eyes, Sun 8 Jun to Sun 15 Jun", "AAP 2018", "from memory", "zone II stage 2",
        "Dr Reed", "4 clock hours", "Dates by aap-2018, revision", "Decision support, not a medical device",
        "Handed over to Clinic: to fill in",
    ):  # fmt: skip
        assert words in text, words


def test_nothing_is_made_up_where_nothing_is_known(own_ward: httpx.Client) -> None:
    text = letter(own_ward, "vague", "family")
    assert "Your baby may need an eye check. We will tell you as soon as we know." in text
    assert "It has to be" not in text
    clinic = letter(own_ward, "vague", "clinic")
    assert "Birth weight not known" in clinic and "None is on record." in clinic


def test_a_closed_course_is_said_to_be_over(own_ward: httpx.Client) -> None:
    save(own_ward, at("today", "exam"), **NORMAL)
    save(own_ward, at("today", "close"), why="opt-out", by="Dr Reed")
    assert "No more eye checks for early babies are planned now." in letter(own_ward, "today", "family")
    assert "Dr Reed closed the course on Sun 1 Jun" in letter(own_ward, "today", "clinic")


def test_there_are_two_letters(own_ward: httpx.Client) -> None:
    assert own_ward.get(at("today", "letter/bank")).status_code == 404
    for kind in ("family", "clinic"):
        assert at("today", f"letter/{kind}") in own_ward.get(at("today")).text


# --- in Spanish ------------------------------------------------------------------------------------------------------

SPANISH = {"Accept-Language": "es"}


def spanish(client: httpx.Client, patient: str, kind: str) -> str:
    answer = client.get(at(patient, f"letter/{kind}"), headers=SPANISH)
    assert (answer.status_code, answer.headers["content-language"]) == (200, "es")
    return Page(re.sub(r"<(header|footer).*?</\1>", "", answer.text, flags=re.DOTALL)).text


def test_the_family_is_told_in_its_own_language(own_ward: httpx.Client) -> None:
    save(own_ward, at("today", "treatment"), eyes="left", kind="injection", agent="ranibizumab", by="Dr Reed")
    text = spanish(own_ward, "today", "family")
    for words in (
        "La próxima revisión de los ojos de Ada Lanternfish", "Nació el jueves 1 de mayo de 2031",
        "Su bebé necesita una revisión de los ojos.", "Dónde Lugar: por rellenar",
        "A quién llamar Nombre: por rellenar",
        "Por qué es importante Los bebés que nacen antes de tiempo", "Si no puede venir",
        "A su bebé le pusieron un medicamento dentro del ojo izquierdo. Después, los cambios pueden volver",
        "Las revisiones siguen hasta alrededor del domingo 25 de enero de 2032.",
    ):  # fmt: skip
        assert words in text, words
    english = letter(own_ward, "today", "family")
    # Nothing but names, numbers and places to write in is said in both.
    assert words_of(text) & words_of(english) <= words_of("Ada Lanternfish Northbank hospital")


def words_of(text: str) -> set[str]:
    return set(re.findall(r"[^\W\d_]{2,}", text))


def test_the_family_letter_has_short_sentences_in_spanish(own_ward: httpx.Client) -> None:
    """Readability index of Szigriszt and Fernández Huerta: 206.84 less 60 syllables a word, less 1.02 words a sentence
    (Fernández Huerta, 1959; constants from memory); 70 and more is easy to read."""
    save(own_ward, at("today", "treatment"), eyes="left", kind="injection", agent="ranibizumab", by="Dr Reed")
    text = spanish(own_ward, "today", "family")
    told = text[text.index("Los bebés que") : text.index("A quién llamar")]
    words = re.findall(r"[^\W\d_]+", told)
    sentences = len(re.findall(r"[.!?](\s|$)", told))
    syllables = sum(max(len(re.findall(r"[aeiouáéíóúü]+", word.lower())), 1) for word in words)
    assert 206.84 - 60 * syllables / len(words) - 1.02 * len(words) / sentences >= 70
    assert not re.search(r"ROP|retinopatía|zona|estadio|posmenstrual|cieg|ventana", told, re.IGNORECASE)


def test_the_clinic_gets_findings_reasons_and_cautions_in_spanish(own_ward: httpx.Client) -> None:
    save(own_ward, at("today", "exam"), **{**NORMAL, "right.stage": "2", "right.clock_hours": "4"})
    text = spanish(own_ward, "today", "clinic")
    for words in (
        "Retinopatía del prematuro (ROP): curso y próximos pasos", "Número N-100", "nació el jueves 1 de mayo de 2031",
        "Ojo derecho el dom 1 jun: zona II estadio 2", "ojo derecho el dom 1 jun: 4 horas de reloj",
        "días después del examen", "Dr Reed", "AAP 2018", "Fechas según aap-2018, revisión",
        "Ayuda para decidir, no un producto sanitario: deciden la guía local", "Traspasado a Consulta: por rellenar",
    ):  # fmt: skip
        assert words.casefold() in text.casefold(), words


def test_an_infants_course_and_what_was_agreed_are_said_in_spanish(own_ward: httpx.Client, flow: Flow) -> None:
    save(own_ward, at("today", "exam"), **NORMAL)
    save(
        own_ward, at("today", "defer"), until="2031-06-20", reason="sepsis", ophthalmologist="Dr Reed",
        neonatologist="Dr Tarn",
    )  # fmt: skip
    page = own_ward.get(at("today"), headers=SPANISH).text
    for words in (
        "aplazado el dom 1 jun hasta el vie 20 jun por Dr Reed y Dr Tarn: sepsis", "ojo derecho zona II sin ROP",
        "Curso desde el nacimiento con 26w4d hasta hoy con 31w0d", "Nació con 26w4d, 780 g",
    ):  # fmt: skip
        assert words.casefold() in page.casefold(), words
    assert "put off on" not in page


def test_what_went_wrong_is_said_in_spanish_to_people_and_in_english_to_programs(own_ward: httpx.Client) -> None:
    page = own_ward.get("/infant/00000000000000000000000000000000", headers=SPANISH)
    assert page.status_code == 404
    assert "No existe ese lactante" in page.text and "Ir a la lista de todas las unidades" in page.text
    assert "No hay nada en esta dirección." in own_ward.get("/nowhere", headers=SPANISH).text
    foreign = own_ward.post("/language", data={"language": "es"}, headers={**SPANISH, "Sec-Fetch-Site": "cross-site"})
    assert (foreign.status_code, foreign.headers["content-language"]) == (403, "es")
    assert "Este formulario no se envió desde una página de este servicio" in foreign.text
    assert own_ward.get("/api/infants/unknown", headers=SPANISH).headers["content-type"] == "application/json"
