"""What one unit of the demonstration has on file for one infant, and the events that its records come in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any, Final

from service.demo.census import Newborn
from service.demo.records import Resource


@dataclass(frozen=True, slots=True)
class Event:
    """One message from one unit, and a sentence for the person watching. The sentence names nobody."""

    unit: int
    resources: list[Resource]
    says: str


@dataclass(frozen=True, slots=True)
class Exam:
    """One exam: the day and the time of day at the unit, `HH:MM`, and each eye in the words of `eye`."""

    on: date
    at: str
    right: str
    left: str

    @property
    def urgent(self) -> bool:
        """Whether this unit's doctor treats an eye."""
        return any(word in eye.split() for eye in (self.right, self.left) for word in ("plus", "A-ROP"))

    @property
    def ended(self) -> bool:
        """Whether both eyes are fully vascularized."""
        return self.right.startswith("full") and self.left.startswith("full")

    @property
    def again(self) -> int:
        """In how many days this unit looks again: the doctor's habit, not what the rules make of it."""
        calm = all(eye in ("II 0", "III ora 0", "full 0", "II 1", "III ora 1") for eye in (self.right, self.left))
        return 14 if calm else 7

    def __str__(self) -> str:
        """`right zone II stage 2 with pre-plus, left not seen`."""
        return f"right {_said(self.right)}, left {_said(self.left)}"


@dataclass(slots=True)
class Chart:
    """What one unit has on file for one infant. `bed` is None once the infant has left; `leaves` is the day on which it
    is to leave; `weighed` is the birth weight as recorded. `exams` in order; `eyes`, the records of exams and
    treatments, by name, in their newest version; `treated`, the day of the last treatment. `closed`: nobody looks at
    these eyes any more. `settled`: what is on file is a tale of its own, which events leave alone."""

    infant: Newborn
    bed: int | None
    since: date
    versions: dict[str, int]
    weighed: int | None = None
    handed_over: bool = False
    exams: list[Exam] = field(default_factory=list)
    eyes: dict[str, list[Resource]] = field(default_factory=dict)
    treated: date | None = None
    put_off: date | None = None
    leaves: date | None = None
    closed: bool = False
    settled: bool = False

    def next_version(self, record: str) -> int:
        """The number of the version of a record that is about to be written."""
        self.versions[record] = self.versions.get(record, 0) + 1
        return self.versions[record]

    @property
    def screened(self) -> bool:
        """Whether this unit looks at the infant's eyes, by its rule of thumb."""
        infant = self.infant
        return bool(self.exams) or infant.gestation < 31 * 7 or infant.grams <= 1500

    def is_due(self, today: date) -> bool:
        """Whether the doctor would look at the eyes today: an infant on the ward whose next exam has come."""
        born, gestation = self.infant.born, self.infant.gestation
        if self.bed is None or self.closed or self.settled or not self.screened or self.put_off == today:
            return False
        if self.needs_treatment():
            return False
        if not self.exams:
            return today >= max(born + timedelta(days=28), born + timedelta(days=31 * 7 - gestation))
        last = self.exams[-1]
        return today >= max(last.on + timedelta(days=last.again), (self.treated or last.on) + timedelta(days=5))

    def needs_treatment(self) -> bool:
        """Whether the last exam asks for treatment that has not been given."""
        last = self.exams[-1] if self.exams else None
        return last is not None and last.urgent and (self.treated is None or self.treated < last.on)


_WORDS: Final[Mapping[str, Mapping[str, Any]]] = {
    "I": {"zone": "I"}, "pII": {"zone": "II", "posterior": True}, "II": {"zone": "II"}, "III": {"zone": "III"},
    "full": {"vascularization": "full"}, "ora": {"nasal_at_ora": True},
    "pre-plus": {"plus": "pre-plus"}, "plus": {"plus": "plus"}, "A-ROP": {"aggressive": True},
    "regressing": {"regression": "incomplete"}, "regressed": {"regression": "complete"},
    "bare": {"avascular_extent": 3, "avascular_site": "temporal"},
    "unseen": {"view": "none"},
}  # fmt: skip


def eye(words: str) -> dict[str, Any]:
    """One eye from a few words, as the form of an exam asks for it (the keys of `core.findings.EYE_KEYS`): `II 2
    pre-plus`, `I 2 plus A-ROP`, `III ora 0`, `full 0`, `unseen`. Digits are the stage; where no word says plus, there
    was none. `bare`: 3 disc diameters of temporal retina without vessels."""
    found: dict[str, Any] = {}
    for word in words.split():
        found |= {"stage": word} if word.isdigit() else _WORDS[word]
    return found if words == "unseen" else {"view": "adequate", "plus": "none", **found}


def _said(words: str) -> str:
    if words == "unseen":
        return "not seen"
    found = eye(words)
    if "vascularization" in found:
        return "fully vascularized"
    disease = "without disease" if found["stage"] == "0" else f"stage {found['stage']}"
    more = "aggressive" if "aggressive" in found else "regressing" if "regression" in found else ""
    plus = "" if found["plus"] == "none" else f"with {found['plus']}"
    return " ".join(part for part in (f"zone {found['zone']}", disease, more, plus) if part)
