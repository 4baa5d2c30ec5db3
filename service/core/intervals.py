"""How long until an eye is looked at again: an edition's table and its holes, and disease that cannot wait for a table.

The table is read per eye. Where several rows are about the same finding, the shortest interval counts; what no row is
about is seen again within seven days, and the answer says so. A table in which a worse finding would wait longer than
a milder one is refused when it is read. Treatment-requiring disease is defined once for all editions (Early Treatment
for ROP Cooperative Group, *Revised indications for the treatment of retinopathy of prematurity*, Arch Ophthalmol
2003;121:1684); its clock is the edition's.

    [[repeat]]                        An attribute left out does not matter.
    id = "zone-ii-stage-1"
    zones = ["II"]                    "I", "posterior II", "II", "III", "full"
    stages = ["1"]                    plus = ["none"]     regressing = false
    due = "14d"                       near_zone_i = true  aggressive = true
    closes = "14d"
    cite = "..."                      provenance, confidence, note as in every rule
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import product
from typing import Any, Final, Literal

from service.core.ages import parse_age
from service.core.findings import PLUS, STAGES, ZONES, Eye, Zone
from service.core.origin import ORIGIN_KEYS, Origin, only, origin, text
from service.core.window import Reason
from service.errors import ConfigurationError, NotUnderstood

HOLE_DAYS: Final = 7
"""What no table is about is seen again within so many days (a choice of this project, on the safe side)."""
ETROP: Final = "Early Treatment for ROP Cooperative Group, Arch Ophthalmol 2003;121:1684"

Need = Literal["treatment", "expert", "surgery"]
"""Treatment by the clock; an expert's decision by the same clock; surgical referral now."""

_ROW_KEYS: Final = (
    "id", "zones", "near_zone_i", "stages", "plus", "regressing", "aggressive", "due", "closes", *ORIGIN_KEYS,
)  # fmt: skip
_TABLE_STAGES: Final = ("0", "1", "2", "3")


@dataclass(frozen=True, slots=True)
class Interval:
    """Days from the exam: best on `due`, late after `closes`."""

    due: int
    closes: int
    reason: Reason


@dataclass(frozen=True, slots=True)
class Row:
    """One row of an edition's table. An attribute that is None does not matter."""

    id: str
    zones: frozenset[Zone] | None
    near_zone_i: bool | None
    stages: frozenset[str] | None
    plus: frozenset[str] | None
    regressing: bool | None
    aggressive: bool | None
    due: int
    closes: int
    origin: Origin

    def about(self, eye: Eye) -> bool:
        """Whether the row is about such an eye."""
        return (
            (self.zones is None or eye.where in self.zones)
            and self.near_zone_i in (None, eye.near_zone_i)
            and (self.stages is None or (eye.stage or _assumed_stage(eye)) in self.stages)
            and (self.plus is None or (eye.plus_read or "none") in self.plus)
            and self.regressing in (None, eye.regressing)
            and self.aggressive in (None, eye.aggressive)
        )

    def interval(self, eye: Eye) -> Interval:
        """The row's days, and why, for an eye it is about."""
        days = f"{self.due} days" if self.due == self.closes else f"{self.due} to {self.closes} days"
        return Interval(
            self.due, self.closes,
            Reason(self.id, self.origin.cite, f"{eye}: {days} after the exam", self.origin.surety),
        )  # fmt: skip


def _assumed_stage(eye: Eye) -> str | None:
    return "0" if eye.where == Zone.FULL and not eye.any_rop else None


def interval(eye: Eye, rows: Sequence[Row]) -> Interval:
    """When to look again at an eye after an exam. Never raises; an eye that is not complete is seen again within
    seven days, and so is disease that should be treated, where a row does not mind how bad it is."""
    if eye.lacking:
        return _seven("incomplete", f"{eye.lacking}")
    if eye.notch or eye.reactivation:
        return _seven("not-covered", f"{eye}, {'with a notch, ' if eye.notch else ''}is not covered by the table")
    detached = eye.stage is not None and eye.stage[0] in "45"
    found = [] if detached else [row for row in rows if row.about(eye)]
    if not found:
        return _seven("not-covered", f"{eye} is not covered by the table")
    shortest = min(found, key=lambda row: (row.closes, row.due))
    if shortest.closes > HOLE_DAYS and need(eye) is not None:
        return _seven("not-covered", f"{eye} is not covered by the table")
    return shortest.interval(eye)


def need(eye: Eye) -> tuple[Need, Reason] | None:
    """What an eye needs now, if it cannot wait for a table. What was seen counts however poor the view was. Aggressive
    ROP overrides stage and zone."""
    where, stage, plus = eye.where, eye.stage or "", eye.plus == "plus"
    if stage[:1] in ("4", "5"):
        return "surgery", Reason("detachment", ETROP, f"{eye} is retinal detachment: surgical referral now", "practice")
    if eye.aggressive:
        return "treatment", Reason("aggressive", ETROP, f"{eye}: aggressive ROP is treated whatever its stage", "read")
    in_zone_ii = where in (Zone.POSTERIOR_II, Zone.II)
    zone_i = where == Zone.I and ((plus and stage in ("1", "2", "3")) or (stage == "3" and not eye.regressing))
    if zone_i or (in_zone_ii and plus and stage in ("2", "3")):
        return "treatment", Reason("type-1", ETROP, f"{eye} is type 1 disease", "read")
    if plus:
        words = f"{eye} is outside the definition of type 1: an expert decides, by the same clock"
        return "expert", Reason("plus-not-covered", ETROP, words, "practice")
    if where is None and stage == "3" and not eye.regressing:
        words = f"{eye} is type 1 disease if it lies in zone I: an expert decides, by the same clock"
        return "expert", Reason("zone-not-recorded", ETROP, words, "practice")
    return None


def is_type_2(eye: Eye) -> bool:
    """Zone I stage 1 or 2, or zone II stage 3, without plus disease: watched closely (ETROP 2003)."""
    if eye.plus == "plus" or eye.aggressive or eye.regressing:
        return False
    if eye.where == Zone.I:
        return eye.stage in ("1", "2")
    return eye.where in (Zone.POSTERIOR_II, Zone.II) and eye.stage == "3"


def is_prethreshold_or_worse(eye: Eye) -> bool:
    """Stage 3 in zone II or any ROP in zone I, or worse; a zone not recorded may be either (AAP 2018)."""
    if not eye.any_rop:
        return False
    worse = eye.aggressive or eye.plus == "plus" or (eye.stage or "0")[0] in "45"
    posterior_3 = eye.stage == "3" and eye.where not in (Zone.III, Zone.FULL)
    return worse or posterior_3 or eye.where is None or eye.where == Zone.I


def _seven(rule: str, words: str) -> Interval:
    return Interval(HOLE_DAYS, HOLE_DAYS, Reason(rule, "", f"{words}: again within {HOLE_DAYS} days", "practice"))


# --- strict reading ------------------------------------------------------------------------------------------------


def every_finding() -> Iterator[Eye]:
    """Every combination of zone, stage and plus that a table can be about, active and regressing."""
    for zone, plus, stage in product(Zone, PLUS, (*_TABLE_STAGES, "regressing")):
        if zone == Zone.FULL and (plus == "plus" or stage in ("1", "2", "3")):
            continue
        place = {"vascularization" if zone == Zone.FULL else "zone": zone}
        grade = {"regression": "incomplete"} if stage == "regressing" else {"stage": stage}
        eye = Eye(plus=plus, **place, **grade)  # type: ignore[arg-type]
        yield eye
        if zone == Zone.POSTERIOR_II:
            yield replace(eye, near_zone_i=True)


def is_worse(eye: Eye, other: Eye) -> bool:
    """Whether the eye is at least as bad as the other in everything, and worse in something. Regression is compared
    with regression only."""
    if eye.where is None or other.where is None or eye.regressing != other.regressing:
        return False
    here, there = _rank(eye), _rank(other)
    return here != there and all(mine >= theirs for mine, theirs in zip(here, there, strict=True))


@cache
def _worse_pairs() -> tuple[tuple[Eye, Eye], ...]:
    found = list(every_finding())
    return tuple((eye, other) for eye, other in product(found, found) if is_worse(eye, other))


def _rank(eye: Eye) -> tuple[int, ...]:
    zone = -2 * (eye.where or 0) + eye.near_zone_i
    stage = eye.stage or "0"
    return zone, STAGES.index(stage), PLUS.index(eye.plus or "none")


def check_order(rows: Sequence[Row], where: str) -> None:
    """Refuses a table in which a worse finding would wait longer than a milder one. Raises ConfigurationError."""
    waits = {eye: interval(eye, rows) for eye in every_finding()}
    for eye, other in _worse_pairs():
        mine, its = waits[eye], waits[other]
        if mine.due > its.due or mine.closes > its.closes:
            days, others = f"{mine.due} to {mine.closes} days", f"{its.due} to {its.closes} days"
            raise ConfigurationError(
                where, f"a worse finding must not wait longer: {eye} waits {days}, the milder {other} {others}"
            )


def parse_row(data: Mapping[str, Any], where: str) -> Row:
    """One `[[repeat]]` table. Raises ConfigurationError."""
    only(data, _ROW_KEYS, where)
    due, closes = read_days(data, "due", where), read_days(data, "closes", where)
    if not 0 < due <= closes:
        raise ConfigurationError(where, "must be due after a day or more, and close no earlier than it is due")
    zones = _words(data, "zones", tuple(ZONES), where)
    return Row(
        text(data, "id", where), None if zones is None else frozenset(ZONES[word] for word in zones),
        _flag(data, "near_zone_i", where), _words(data, "stages", _TABLE_STAGES, where),
        _words(data, "plus", PLUS, where), _flag(data, "regressing", where), _flag(data, "aggressive", where),
        due, closes, origin(data, where),
    )  # fmt: skip


def _words(data: Mapping[str, Any], key: str, allowed: tuple[str, ...], where: str) -> frozenset[str] | None:
    if key not in data:
        return None
    words = data[key]
    if not isinstance(words, list) or not words or any(word not in allowed for word in words):
        raise ConfigurationError(f"{where}.{key}", "must be a list of words", allowed)
    return frozenset(words)


def _flag(data: Mapping[str, Any], key: str, where: str) -> bool | None:
    value = data.get(key)
    if value is not None and not isinstance(value, bool):
        raise ConfigurationError(f"{where}.{key}", "must be true or false, or left out where it does not matter")
    return value


def read_days(data: Mapping[str, Any], key: str, where: str) -> int:
    """Days written `14d` or `2w`. Raises ConfigurationError."""
    try:
        return parse_age(str(data.get(key)))
    except NotUnderstood as error:
        raise ConfigurationError(f"{where}.{key}", str(error)) from None
