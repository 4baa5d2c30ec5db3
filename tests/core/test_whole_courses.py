"""Whole random courses, told by records that come late, out of order, corrected and withdrawn.

A machine plays a unit: what is true is known, records of it arrive in any order, are put right or taken back, days
pass. After every step the invariants must hold of what the facts say.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

from core.invented import fact
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from service.core.chart import read_course
from service.core.course import CLOSINGS
from service.core.decision import Decision, decide, from_json, to_json
from service.core.infant import Fact, Reading, assemble
from service.core.ledger import additions
from service.policies import load_policies

POLICIES = load_policies()
BORN = date(2031, 1, 1)
UNEXAMINED = ("death", "palliative", "taken-over")

eyes = st.fixed_dictionaries(
    {"zone": st.sampled_from(["I", "II", "III"]), "stage": st.sampled_from(["0", "1", "2", "3"]),
     "plus": st.sampled_from(["none", "none", "pre-plus", "plus"])},
    optional={"regression": st.sampled_from(["incomplete", "complete"]), "view": st.just("poor"),
              "vascularization": st.just("III")},
)  # fmt: skip
ago = st.sampled_from([0, 0, 0, 1, 3, 7, 14, 30, -2])
"""How many days before today something was done; a mistyped date may lie ahead."""


@dataclass
class Record:
    """One resource as its author keeps it: the versions so far, and which of them have reached us."""

    resource: str
    versions: list[list[tuple[str, dict[str, Any]]]] = field(default_factory=list)
    waiting: list[int] = field(default_factory=list)

    def write(self, *said: tuple[str, dict[str, Any]]) -> None:
        self.versions.append(list(said))
        self.waiting.append(len(self.versions))


class Unit(RuleBasedStateMachine):
    """One infant, the records somebody keeps of it, and the facts we have."""

    def __init__(self) -> None:
        super().__init__()
        self.records: dict[str, Record] = {}
        self.facts: list[Fact] = []
        self.day = BORN + timedelta(days=40)
        self.shown: list[tuple[int, date, Decision]] = []

    # --- what happens on the unit ----------------------------------------------------------------------------------

    @initialize(
        edition=st.sampled_from(sorted(POLICIES)),
        gestation=st.sampled_from([None, 161, 178, 190, 205, 217]),
        grams=st.sampled_from([None, 600, 1100, 1490, 1900]),
    )
    def born(self, edition: str, gestation: int | None, grams: int | None) -> None:
        self.policy = POLICIES[edition]
        self.write("Patient/p", ("born", {"low": BORN.isoformat(), "high": BORN.isoformat()}))
        if gestation:
            self.write("Observation/ga", ("gestation", {"low": gestation, "high": gestation}))
        if grams:
            self.write("Observation/bw", ("birth_weight", {"grams": grams}))
        self.all_arrive()

    def write(self, resource: str, *said: tuple[str, dict[str, Any]]) -> None:
        self.records.setdefault(resource, Record(resource)).write(*said)

    @rule(days=ago, right=eyes, left=eyes)
    def examine(self, days: int, right: dict[str, Any], left: dict[str, Any]) -> None:
        value = {"on": (self.day - timedelta(days=days)).isoformat(), "right": right, "left": left}
        self.write(f"QuestionnaireResponse/{len(self.records)}", ("exam", value))
        if days == 0:  # typed in where it was done; what is dated otherwise comes when it comes
            self.all_arrive()

    @rule(days=ago, eyes=st.sampled_from(["right", "left", "both"]), kind=st.sampled_from(["laser", "injection"]))
    def treat(self, days: int, eyes: str, kind: str) -> None:
        value = {"on": (self.day - timedelta(days=days)).isoformat(), "eyes": eyes, "kind": kind}
        self.write(f"Procedure/{len(self.records)}", ("treatment", value))
        if days == 0:
            self.all_arrive()

    @rule(why=st.sampled_from(sorted(CLOSINGS)))
    def close(self, why: str) -> None:
        basis = read_course(self.facts).until(self.day).basis
        value = {"on": self.day.isoformat(), "by": "Dr Invented", "why": why, "basis": basis}
        self.write("QuestionnaireResponse/closing", ("closing", value))
        self.all_arrive()

    @precondition(lambda self: "QuestionnaireResponse/closing" in self.records)
    @rule()
    def reopen(self) -> None:
        value = {"on": self.day.isoformat(), "by": "Dr Invented", "why": "seen again"}
        self.write("QuestionnaireResponse/closing", ("reopening", value))

    @rule()
    def defer(self) -> None:
        until = (self.day + timedelta(days=4)).isoformat()
        value = {"on": self.day.isoformat(), "until": until, "reason": "unwell", "ophthalmologist": "A",
                 "neonatologist": "B"}  # fmt: skip
        self.write(f"QuestionnaireResponse/{len(self.records)}", ("deferral", value))

    @rule(data=st.data(), right=eyes)
    def correct(self, data: st.DataObject, right: dict[str, Any]) -> None:
        exams = [each for each in self.records.values() if each.versions[-1] and each.versions[-1][0][0] == "exam"]
        if exams:
            record = data.draw(st.sampled_from(exams))
            record.write(("exam", {**record.versions[-1][0][1], "right": right}))

    @rule(data=st.data())
    def enter_in_error(self, data: st.DataObject) -> None:
        done = [each for each in self.records.values() if each.resource[:2] in ("Qu", "Pr") and each.versions[-1]]
        if done:
            data.draw(st.sampled_from(done)).write()

    # --- what reaches us -------------------------------------------------------------------------------------------

    @rule(data=st.data(), most=st.integers(1, 4))
    def some_arrive(self, data: st.DataObject, most: int) -> None:
        for _ in range(most):
            late = [each for each in self.records.values() if each.waiting]
            if not late:
                return
            record = data.draw(st.sampled_from(late))
            self.arrive(record, data.draw(st.sampled_from(record.waiting)))

    @rule()
    def all_arrive(self) -> None:
        for record in self.records.values():
            for number in list(record.waiting):
                self.arrive(record, number)

    @rule(data=st.data())
    def come_twice(self, data: st.DataObject) -> None:
        record = data.draw(st.sampled_from(sorted(self.records)))
        known = [n + 1 for n in range(len(self.records[record].versions)) if n + 1 not in self.records[record].waiting]
        if known:
            before = len(self.facts)
            self.arrive(self.records[record], data.draw(st.sampled_from(known)))
            assert len(self.facts) == before, "the same version twice says nothing new"

    def arrive(self, record: Record, number: int) -> None:
        said = record.versions[number - 1] or [("retracted", {})]
        made = tuple(fact(name, value, record.resource, number) for name, value in said)
        reading = Reading(record.resource, made[0].version, made)
        self.facts += additions(reading, [each for each in self.facts if each.resource == record.resource])
        if number in record.waiting:
            record.waiting.remove(number)

    @rule(days=st.sampled_from([1, 3, 7, 30, 120]))
    def days_pass(self, days: int) -> None:
        before = self.decide()
        self.day += timedelta(days=days)
        after = self.decide()
        if after != before and not self.dated_between(self.day - timedelta(days=days)):
            moved = {"as_of", "ages", "flags"}
            old, new = to_json(before), to_json(after)
            assert {key for key in new if new[key] != old[key]} <= moved, "days alone move nothing"

    def dated_between(self, since: date) -> bool:
        course = read_course(self.facts)
        days = [each.on for each in (*course.exams, *course.treatments, *course.deferrals)]
        days += [course.closing.on] if course.closing else []
        return any(since < on <= self.day for on in days)

    # --- what must hold --------------------------------------------------------------------------------------------

    def decide(self, facts: list[Fact] | None = None, day: date | None = None) -> Decision:
        facts = self.facts if facts is None else facts
        return decide(assemble("p", facts, BORN), self.policy, day or self.day, read_course(facts))

    @invariant()
    def nobody_is_in_limbo(self) -> None:
        """Invariant 1: one state, and a date in each that is not done."""
        decision = self.decide()
        assert decision.state in ("eligible", "unknown", "not-eligible", "closed")
        assert (decision.next.kind == "none") == (decision.state in ("not-eligible", "closed"))
        assert (decision.next.window is None) == (decision.next.kind == "none")
        if decision.state == "closed":
            assert decision.closing is not None
            assert decision.closing.by
        if decision.state == "not-eligible":
            assert not read_course(self.facts).until(self.day).begun

    @invariant()
    def absent_is_not_false(self) -> None:
        """Invariant 2: what is not on record makes nobody ineligible."""
        infant = assemble("p", self.facts, BORN)
        if not infant.gestation.candidates and not infant.birth_weight.candidates:
            assert self.decide().eligible != "no"

    @invariant()
    def an_injected_eye_is_watched_until_65_weeks(self) -> None:
        course = read_course(self.facts).until(self.day)
        if not any(each.kind == "injection" for each in course.treatments):
            return
        decision = self.decide()
        if decision.next.kind in ("none", "long-term"):
            assert decision.closing is not None
            gestation = assemble("p", self.facts, BORN).gestation.value
            aged = gestation is not None and gestation.low + (decision.closing.on - BORN).days >= 65 * 7
            assert aged or decision.closing.why in UNEXAMINED

    @invariant()
    def a_closing_rests_on_what_was_seen(self) -> None:
        course = read_course(self.facts).until(self.day)
        decision = self.decide()
        if decision.state == "closed" and course.closing is not None and course.closing.why != "death":
            assert course.closing.basis == course.basis

    @invariant()
    def order_of_arrival_does_not_matter(self) -> None:
        ordered: list[Fact] = []
        for record in self.records.values():
            for number in range(1, len(record.versions) + 1):
                if number in record.waiting:
                    continue
                said = record.versions[number - 1] or [("retracted", {})]
                made = tuple(fact(name, value, record.resource, number) for name, value in said)
                reading = Reading(record.resource, made[0].version, made)
                ordered += additions(reading, [each for each in ordered if each.resource == record.resource])
        assert self.decide(ordered) == self.decide()

    @invariant()
    def any_day_can_be_shown_again(self) -> None:
        """Invariant 6: facts only grow, so what was decided can be decided again from those there were."""
        decision = self.decide()
        assert from_json(to_json(decision)) == decision
        self.shown.append((len(self.facts), self.day, decision))
        for count, day, then in self.shown[:: max(len(self.shown) // 4, 1)]:
            assert self.decide(self.facts[:count], day) == then

    @invariant()
    def later_has_a_cause(self) -> None:
        """Invariant 5: between two showings the date moves later only if facts came, or a record's day was reached."""
        if len(self.shown) < 2:
            return
        (count, day, then), (now_count, today, now) = self.shown[-2:]
        if then.next.window is None or now.next.window is None or now.next.window.closes <= then.next.window.closes:
            return
        assert now_count > count or self.dated_between(day), f"{day} to {today}: nothing happened"


TestUnit = Unit.TestCase
BOUNDS = settings()  # of the profile: 60 examples of 25 steps as a rule
TestUnit.settings = settings(
    BOUNDS,
    max_examples=BOUNDS.max_examples * 3 // 5,
    stateful_step_count=BOUNDS.stateful_step_count // 2,
)
