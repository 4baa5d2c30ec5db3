"""What an eye exam shows, eye by eye, in the terms of the International Classification of ROP, 3rd edition
(Ophthalmology 2021;128:e51), and what was done to an eye.

What was not seen is never "no finding": an eye without an adequate view says nothing about the absence of disease, and
an eye whose stage, zone or plus was not recorded is an incomplete record. What was seen counts however poor the view.
Impossible combinations are refused in words.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time
from enum import IntEnum
from typing import Any, Final, Literal

from service.errors import ConfigurationError

Side = Literal["right", "left"]
SIDES: Final[tuple[Side, Side]] = ("right", "left")
TreatmentKind = Literal["laser", "injection", "surgery"]

VIEWS: Final = ("adequate", "poor", "none")
PLUS: Final = ("none", "pre-plus", "plus")
REGRESSIONS: Final = ("none", "incomplete", "complete")
STAGES: Final = ("0", "1", "2", "3", "4A", "4B", "5A", "5B", "5C")
KINDS: Final = ("laser", "injection", "surgery")


class Zone(IntEnum):
    """Retinal zones from the disc outward. Posterior zone II is the two disc diameters next to zone I. FULL: vessels
    reach the ora serrata for 360 degrees, beyond every zone."""

    I = 1  # noqa: E741 - zones are written in Roman numerals
    POSTERIOR_II = 2
    II = 3
    III = 4
    FULL = 5

    def __str__(self) -> str:
        return ZONE_NAMES[self]


ZONE_NAMES: Final = {
    Zone.I: "zone I", Zone.POSTERIOR_II: "posterior zone II", Zone.II: "zone II", Zone.III: "zone III",
    Zone.FULL: "full vascularization",
}  # fmt: skip
ZONES: Final = {
    "I": Zone.I, "posterior II": Zone.POSTERIOR_II, "II": Zone.II, "III": Zone.III, "full": Zone.FULL,
}  # fmt: skip
"""How zones are written in files."""


@dataclass(frozen=True, slots=True)
class Eye:
    """One eye at one exam.

    `zone` is the most posterior zone of disease, or without disease where the vessels end; `vascularization` how far
    the vessels have grown, where that was recorded apart. `near_zone_i`: immature retina of posterior zone II near the
    boundary of zone I. `stage` is the highest stage; "0" says that there was no ROP, None that no stage was recorded;
    so with `plus` and `regression`. `avascular_extent` is persistent avascular retina in disc diameters.
    `clock_hours` counts the clock hours with disease; `clock_positions` says which ones, 1 to 12 as the examiner sees
    the eye, where that was recorded: 3 is nasal in the right eye and temporal in the left (ICROP).
    """

    view: str = "adequate"
    zone: Zone | None = None
    near_zone_i: bool = False
    vascularization: Zone | None = None
    stage: str | None = None
    plus: str | None = None
    aggressive: bool = False
    regression: str | None = None
    reactivation: bool = False
    notch: bool = False
    clock_hours: int | None = None
    nasal_at_ora: bool | None = None
    avascular_site: str = ""
    avascular_extent: float | None = None
    note: str = ""
    clock_positions: tuple[int, ...] = ()

    @property
    def seen(self) -> bool:
        """Whether the view allows saying that something is not there."""
        return self.view == "adequate"

    @property
    def regressing(self) -> bool:
        """Whether disease was seen to regress and not to come back."""
        return self.regression in ("incomplete", "complete") and not self.reactivation

    @property
    def any_rop(self) -> bool:
        """Whether disease was seen, active, aggressive or regressing."""
        return self.stage not in (None, "0") or self.aggressive or self.reactivation or self.regressing

    @property
    def where(self) -> Zone | None:
        """The zone that counts: the most posterior one recorded."""
        recorded = [zone for zone in (self.zone, self.vascularization) if zone is not None]
        return min(recorded, default=None)

    @property
    def vessels(self) -> Zone | None:
        """How far the vessels have grown: as recorded, else the zone in which they end when there is no disease."""
        return self.vascularization or (None if self.any_rop else self.zone)

    @property
    def plus_read(self) -> str | None:
        """Plus as intervals read it: not recorded is none only where there is no disease or all of it is gone."""
        quiet = not self.aggressive and not self.reactivation and (self.stage == "0" or self.regression == "complete")
        return "none" if self.plus is None and (quiet or self.where == Zone.FULL) else self.plus

    @property
    def lacking(self) -> str:
        """What keeps the record from being complete, in words; "" when an interval can be taken from it."""
        if not self.seen:
            return "was not seen" if self.view == "none" else "was seen poorly"
        if self.aggressive or (self.where == Zone.FULL and not self.any_rop):
            return ""
        missing = (
            ("zone", self.where is None),
            ("stage", self.stage is None and not self.regressing),
            ("plus", self.plus_read is None),
        )
        words = [name for name, lacks in missing if lacks]
        return f"has no {' and no '.join(words)} on record" if words else ""

    @property
    def complete(self) -> bool:
        """Whether the record is enough to take an interval from."""
        return not self.lacking

    @property
    def has_findings(self) -> bool:
        """Whether anything at all was said of the retina."""
        said = (self.zone, self.vascularization, self.stage, self.plus, self.regression, self.clock_hours,
                self.nasal_at_ora, self.avascular_extent)  # fmt: skip
        marks = self.aggressive or self.reactivation or self.notch or self.near_zone_i or bool(self.avascular_site)
        return marks or any(value is not None for value in said)

    def __str__(self) -> str:
        """`zone II stage 2 with pre-plus disease`."""
        if not self.seen and not self.has_findings:
            return "not seen" if self.view == "none" else "seen poorly"
        words = [str(self.where) if self.where is not None else "zone not recorded"]
        if self.aggressive:
            words.append("aggressive ROP")
        if self.stage == "0":
            words.append("without ROP")
        elif self.stage is not None:
            words.append(f"stage {self.stage}")
        elif not self.regressing and not self.aggressive and self.where != Zone.FULL:
            words.append("stage not recorded")
        if self.regressing:
            words.append("completely regressed" if self.regression == "complete" else "regressing")
        if self.reactivation:
            words.append("reactivated")
        if self.plus in ("plus", "pre-plus"):
            words.append(f"with {self.plus} disease")
        return " ".join(words)


UNSEEN: Final = Eye(view="none")


@dataclass(frozen=True, slots=True)
class Exam:
    """One exam of both eyes on one day. `at` is the time of day where it is known, `HH:MM` at the site: only the
    treatment clock uses it. An eye that was not examined is UNSEEN. `resource` is where the site keeps it."""

    on: date
    right: Eye = UNSEEN
    left: Eye = UNSEEN
    at: str = ""
    examiner: str = ""
    method: str = ""
    adverse_events: str = ""
    resource: str = ""

    def eye(self, side: Side) -> Eye:
        """What was seen of one eye."""
        return self.right if side == "right" else self.left

    @property
    def complete(self) -> bool:
        """Whether both eyes have a complete record."""
        return self.right.complete and self.left.complete


@dataclass(frozen=True, slots=True)
class Treatment:
    """A treatment of one eye or both. `agent` is the generic name of what was injected. One that is not `certain` (its
    correction cannot be read) is followed up like any other, and answers nothing."""

    on: date
    sides: tuple[Side, ...]
    kind: TreatmentKind
    agent: str = ""
    resource: str = ""
    certain: bool = True


# --- strict reading ------------------------------------------------------------------------------------------------

EYE_KEYS: Final = (
    "view", "zone", "posterior", "near_zone_i", "vascularization", "stage", "plus", "aggressive", "regression",
    "reactivation", "notch", "clock_hours", "clock_positions", "nasal_at_ora", "avascular_site", "avascular_extent",
    "note",
)  # fmt: skip
_EXAM_KEYS: Final = ("on", "at", "right", "left", "examiner", "method", "adverse_events")
_TREATMENT_KEYS: Final = ("on", "eyes", "kind", "agent")


def parse_eye(data: Mapping[str, Any], where: str) -> Eye:
    """One eye from a table such as `{zone="II", posterior=true, stage=2, plus="pre-plus"}`.

    Raises ConfigurationError, in words, for an unknown key or word and for a combination that cannot be.
    """
    _only(data, EYE_KEYS, where)
    zone = _word(data, "zone", tuple(ZONES)[:-1], where)
    if _flag(data, "posterior", where) and zone not in ("II", "posterior II"):
        raise ConfigurationError(f"{where}.posterior", "posterior is said of zone II only")
    vessels = _word(data, "vascularization", tuple(ZONES), where)
    hours = _hours(data.get("clock_hours"), f"{where}.clock_hours")
    positions = _positions(data.get("clock_positions"), f"{where}.clock_positions")
    eye = Eye(
        view=_word(data, "view", VIEWS, where) or "adequate",
        zone=ZONES[zone] if zone and not data.get("posterior") else Zone.POSTERIOR_II if zone else None,
        near_zone_i=_flag(data, "near_zone_i", where),
        vascularization=ZONES[vessels] if vessels else None,
        stage=_stage(data.get("stage"), f"{where}.stage"),
        plus=_word(data, "plus", PLUS, where),
        aggressive=_flag(data, "aggressive", where),
        regression=_word(data, "regression", REGRESSIONS, where),
        reactivation=_flag(data, "reactivation", where),
        notch=_flag(data, "notch", where),
        clock_hours=len(positions) if hours is None and positions else hours,
        clock_positions=positions,
        nasal_at_ora=_flag(data, "nasal_at_ora", where) if "nasal_at_ora" in data else None,
        avascular_site=_text(data, "avascular_site", where),
        avascular_extent=_extent(data.get("avascular_extent"), f"{where}.avascular_extent"),
        note=_text(data, "note", where),
    )
    if problem := contradiction(eye):
        raise ConfigurationError(where, problem)
    return eye


def contradiction(eye: Eye) -> str:
    """Why this cannot be what was seen, in words; "" when it can."""
    active = eye.stage not in (None, "0") and not eye.regressing
    beyond = eye.zone is not None and eye.vascularization is not None and eye.zone > eye.vascularization
    outermost = Zone.III in (eye.zone, eye.vascularization) or eye.vascularization == Zone.FULL
    checks = (
        (
            eye.view == "none" and eye.has_findings,
            "an eye that was not seen has no findings: leave them out, or say how good the view was",
        ),
        (eye.aggressive and eye.stage == "0", "aggressive ROP is disease: stage 0 says that there is none"),
        (eye.reactivation and eye.stage == "0", "reactivation is disease: stage 0 says that there is none"),
        (
            eye.regression == "complete" and (eye.reactivation or eye.aggressive),
            "disease cannot be completely regressed and reactivated or aggressive at once",
        ),
        (
            eye.vascularization == Zone.FULL and (active or eye.aggressive or eye.reactivation),
            "fully vascularized retina has no active disease: record the regression, or the zone the vessels reach",
        ),
        (eye.vascularization == Zone.FULL and eye.plus == "plus", "plus disease and full vascularization cannot be"),
        (
            beyond and eye.any_rop,
            "disease lies at the edge of the vessels or behind it: its zone cannot be beyond the zone they reach",
        ),
        (
            eye.nasal_at_ora is False and outermost,
            "zone III is not called while the nasal vessels have not reached the ora serrata: record zone II",
        ),
        (eye.notch and eye.zone is None, "a notch is recorded with the zone that it reaches into"),
        (eye.near_zone_i and eye.where != Zone.POSTERIOR_II, "near zone I is said of posterior zone II only"),
        (eye.clock_hours is not None and not eye.any_rop, "clock hours describe disease: record its stage"),
        (
            bool(eye.clock_positions) and eye.clock_hours != len(eye.clock_positions),
            "the number of clock hours is not the number of those named: leave the number out, or name all of them",
        ),
    )
    return next((words for wrong, words in checks if wrong), "")


def parse_exam(data: Mapping[str, Any], where: str) -> Exam:
    """An exam from a table `{on, at, right = {...}, left = {...}}`; an eye left out was not examined. `on` may carry
    the time of day. Raises ConfigurationError."""
    _only(data, _EXAM_KEYS, where)
    eyes = {}
    for side in SIDES:
        given = data.get(side)
        if given is not None and not isinstance(given, Mapping):
            raise ConfigurationError(f"{where}.{side}", "must be a table of findings", EYE_KEYS)
        eyes[side] = UNSEEN if given is None else parse_eye(given, f"{where}.{side}")
    day, at = _day(data, where)
    return Exam(
        on=day, right=eyes["right"], left=eyes["left"],
        at=_time(data["at"], f"{where}.at") if "at" in data else at, examiner=_text(data, "examiner", where),
        method=_text(data, "method", where), adverse_events=_text(data, "adverse_events", where),
    )  # fmt: skip


def parse_treatment(data: Mapping[str, Any], where: str) -> Treatment:
    """A treatment from a table `{on, eyes, kind, agent}`. Raises ConfigurationError."""
    _only(data, _TREATMENT_KEYS, where)
    eyes, kind = _word(data, "eyes", (*SIDES, "both"), where), _word(data, "kind", KINDS, where)
    sides = next((side for side in ((SIDES[0],), (SIDES[1],)) if side == (eyes,)), SIDES)
    if eyes is None or kind is None:
        raise ConfigurationError(where, "a treatment says which `eyes` and what `kind`", _TREATMENT_KEYS)
    if kind != "injection" and data.get("agent"):
        raise ConfigurationError(f"{where}.agent", "an agent is what was injected: leave it out")
    return Treatment(_day(data, where)[0], sides, _KINDS[kind], _text(data, "agent", where))


_KINDS: Final[Mapping[str, TreatmentKind]] = {"laser": "laser", "injection": "injection", "surgery": "surgery"}


def _only(data: Mapping[str, Any], allowed: tuple[str, ...], where: str) -> None:
    for key in data:
        if key not in allowed:
            raise ConfigurationError(where, f"unknown key {key!r}", allowed)


def _stage(value: object, where: str) -> str | None:
    if value is None:
        return None
    stage = str(value).upper()
    if isinstance(value, bool) or stage not in STAGES:
        raise ConfigurationError(where, f"{value!r} is not a stage", STAGES)
    return stage


def _word(data: Mapping[str, Any], key: str, allowed: tuple[str, ...], where: str) -> str | None:
    value = data.get(key)
    if value is None:
        return None
    if not isinstance(value, str) or value not in allowed:
        raise ConfigurationError(f"{where}.{key}", f"{value!r} is not known here", allowed)
    return value


def _text(data: Mapping[str, Any], key: str, where: str) -> str:
    value = data.get(key, "")
    if not isinstance(value, str):
        raise ConfigurationError(f"{where}.{key}", "must be a text")
    return value


def _flag(data: Mapping[str, Any], key: str, where: str) -> bool:
    value = data.get(key, False)
    if not isinstance(value, bool):
        raise ConfigurationError(f"{where}.{key}", "must be true or false")
    return value


def _hours(value: object, where: str) -> int | None:
    if value is not None and (type(value) is not int or not 1 <= value <= 12):
        raise ConfigurationError(where, "must be a whole number of clock hours from 1 to 12")
    return value if isinstance(value, int) else None


def _positions(value: object, where: str) -> tuple[int, ...]:
    """`2, 3, 4` -> (2, 3, 4)."""
    if value is None:
        return ()
    parts = value.replace(",", " ").split() if isinstance(value, str) else []
    if not parts or not all(part.isascii() and part.isdigit() and 1 <= int(part[:3]) <= 12 for part in parts):
        raise ConfigurationError(where, "must be the clock hours with disease, from 1 to 12, written 2, 3, 4")
    return tuple(sorted({int(part) for part in parts}))


def _extent(value: object, where: str) -> float | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= 20:
        raise ConfigurationError(where, "must be disc diameters, 0 to 20")
    return float(value)


def _time(value: object, where: str) -> str:
    try:
        moment = value if isinstance(value, time) else time.fromisoformat(str(value))
    except ValueError:
        raise ConfigurationError(where, f"{value!r} is not a time of day; write 09:30") from None
    return moment.strftime("%H:%M")


def _day(data: Mapping[str, Any], where: str) -> tuple[date, str]:
    """The day, and the time of day where the value has one: both as written, at the infant's site."""
    value = data.get("on")
    try:
        if type(value) is date or (isinstance(value, str) and len(value) == len("2031-06-01")):
            return date.fromisoformat(str(value)), ""
        moment = value if isinstance(value, datetime) else datetime.fromisoformat(str(value))
    except ValueError:
        raise ConfigurationError(f"{where}.on", f"{value!r} is not a date; write 2031-06-01") from None
    return moment.date(), moment.strftime("%H:%M")
