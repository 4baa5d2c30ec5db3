"""What happens on the three units: the records on file when the demonstration starts, then one event after another.

Everything follows from the start and from the instants at which events were told: telling the same instants again
gives the same resources, versions included, so a demonstration that stops can go on where it was.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime, time, timedelta
from random import Random
from typing import Final, Literal

from service.core.ages import format_age
from service.core.infant import MEDIAN_GIRL_GRAMS
from service.demo.census import ROWS, Newborn, Sex, census
from service.demo.chart import Chart, Event
from service.demo.courses import COURSES, WARD_DOCTORS, courses
from service.demo.records import BEDS, Resource, Scribe, Support
from service.demo.rounds import Rounds

_GIVEN: Final[dict[Sex, tuple[str, ...]]] = {
    "female": ("Amina", "Bronwen", "Catalina", "Divya", "Eilidh", "Fatima", "Hanneke", "Ifeoma", "Junko", "Katya",
               "Lucia", "Mariam", "Nasrin", "Olwen", "Pooja", "Rania", "Sakura", "Thandi", "Valentina", "Wanjiru"),
    "male": ("Anselm", "Bogdan", "Chidi", "Dewi", "Esteban", "Farid", "Goran", "Hamza", "Ishaan", "Jorge", "Kenji",
             "Lorenzo", "Malik", "Naveen", "Oisin", "Pavel", "Rafiq", "Sipho", "Takumi", "Viktor"),
}  # fmt: skip
_FAMILY: Final = (
    "Acorn", "Bilberry", "Cobblestone", "Doorknob", "Eiderdown", "Fiddlehead", "Gooseberry", "Hopscotch", "Icicle",
    "Juniperberry", "Kettledrum", "Lavender", "Mulberry", "Nightlight", "Oxbow", "Pinwheel", "Quicksilver", "Raindrop",
    "Seashell", "Turnstile", "Umbrella", "Velvetleaf", "Whistle", "Yellowhammer", "Zephyr",
)  # fmt: skip
"""Names of infants who come later. Families are things, as in the census."""


class Story:
    """The demonstration's tale, told from `start` (aware). `scribes` are the three units' writers, in census order."""

    def __init__(self, scribes: Sequence[Scribe], start: datetime) -> None:
        self._scribes = scribes
        self._start = start.astimezone(UTC)
        self._told = 0
        self._charts: list[list[Chart]] = [[], [], []]
        self._waiting: list[tuple[Chart, str]] = []
        self._rounds = Rounds(scribes)

    def opening(self) -> Iterator[Event]:
        """The records on file at the start: places first, then one message per infant."""
        for unit, scribe in enumerate(self._scribes):
            where = scribe.site.name
            yield Event(unit, scribe.places(self._start - timedelta(days=90)), f"{where}: wards and beds")
        today = [self._day(unit, self._start) for unit in range(3)]
        for infant in census((today[0], today[1], today[2])):
            event = self._admit_on_file(infant, today[infant.unit])
            yield self._at_the_cot(self._charts[infant.unit][-1], event, today[infant.unit])
        for course, infant in courses((today[0], today[1], today[2])):
            chart, event = self._rounds.on_file(course, infant, today[infant.unit], self._start)
            self._charts[infant.unit].append(chart)
            yield self._at_the_cot(chart, event, today[infant.unit])

    def tell(self, at: datetime) -> Event:
        """The next event, happening at `at`. Call after `opening` has been read to its end."""
        self._told += 1
        random = Random(f"{self._start:%Y-%m-%d} {self._told}")  # noqa: S311 -- a tale, not a secret
        if self._waiting and (len(self._waiting) > 2 or random.random() < 0.6):
            chart, record = self._waiting.pop(0)
            return self._record(chart, record, at, random)
        kind = random.choices(("eyes", "move", "correction", "birth", "admission"), (8, 4, 2, 2, 1))[0]
        unit = random.randrange(3)
        if kind == "eyes":
            event = self._rounds.tell(self._charts[unit], self._day(unit, at), at, random)
            if event is not None:
                return event
        if kind in ("birth", "admission") and len(self._free_beds(unit)) > 2:
            return self._arrive(unit, kind, at, random)
        present = [chart for chart in self._charts[unit] if chart.bed is not None]
        if kind == "correction":
            return self._correct(random.choice([chart for chart in present if chart.weighed]), at, random)
        return self._move(random.choice(present), at, random)

    # --- the opening --------------------------------------------------------------------------------------------

    def _admit_on_file(self, infant: Newborn, today: date) -> Event:
        unit, scribe, tale = infant.unit, self._scribes[infant.unit], infant.tale
        late = tale in ("came-late", "just-came", "nothing-known")
        since = today - timedelta(days=1) if late else infant.born
        chart = Chart(infant, infant.number, since, {"patient": 1, "stay": 1})
        self._charts[unit].append(chart)
        at = self._morning(unit, since)
        died = infant.born + timedelta(days=2) if tale == "died" else None
        resources = [scribe.patient(infant, at, died=died)]
        gone = {"went-home": today - timedelta(days=1), "sent-away": today - timedelta(days=2), "died": died}.get(tale)
        if gone is not None:
            chart.bed = None
            sent_to: Literal["home", "other-hcf"] = "other-hcf" if tale == "sent-away" else "home"
            resources.append(scribe.stay(infant, infant.number, since, self._morning(unit, gone), 2, gone, sent_to))
        else:
            resources.append(scribe.stay(infant, infant.number, since, at))
        resources.extend(self._measurements(scribe, chart, at))
        if tale == "mother-on-file":
            resources.extend(scribe.mother(infant, at))
        return Event(unit, resources, f"{scribe.site.name}: an infant on file")

    def _at_the_cot(self, chart: Chart, event: Event, today: date) -> Event:
        """The same message, with what helps the infant to breathe and the day on which it is to leave, where there is
        anything to say: by postmenstrual age, and every few infants otherwise (invented)."""
        infant, scribe = chart.infant, self._scribes[chart.infant.unit]
        if chart.bed is None or infant.tale == "nothing-known":
            return event
        weeks, at = (infant.gestation + (today - infant.born).days) // 7, self._morning(infant.unit, today)
        more: list[Resource] = []
        if (kind := _breathes(weeks, infant.number)) is not None:
            since = max(infant.born, today - timedelta(days=1 + infant.number % 9))
            more.append(scribe.support(infant, kind, since, at))
        if weeks >= 35 and infant.number % 4 == 1:
            chart.leaves = today + timedelta(days=1 + infant.number % 6)
            if scribe.plans_stays:
                version = chart.next_version("stay")
                more.append(scribe.stay(infant, chart.bed, chart.since, at, version, leaves=chart.leaves))
            else:
                by = WARD_DOCTORS[infant.unit]
                plan = {"on": today.isoformat(), "leaves": chart.leaves.isoformat(), "by": by}
                more.append(scribe.form(infant, "bedside", plan, by, at))
        return Event(event.unit, [*event.resources, *more], event.says)

    def _measurements(self, scribe: Scribe, chart: Chart, at: datetime) -> Iterator[Resource]:
        """Birth weight and gestational age as this infant's tale has them."""
        infant, tale = chart.infant, chart.infant.tale
        later = at + timedelta(hours=5)
        if tale == "nothing-known":
            return
        if tale == "weight-corrected":
            yield scribe.weight(infant, at, 1, grams=1540)
            yield scribe.weight(infant, later, 2)
        elif tale == "weight-withdrawn":
            yield scribe.weight(infant, at, 1)
            yield scribe.weight(infant, later, 2, status="entered-in-error")
        else:
            yield scribe.weight(infant, at, slipped=tale == "kilograms-as-grams")
        chart.versions["weight"] = 2 if tale in ("weight-corrected", "weight-withdrawn") else 1
        if tale not in ("kilograms-as-grams", "weight-withdrawn"):
            chart.weighed = infant.grams
        if tale == "long-oxygen":
            yield from scribe.oxygen(infant, later)
        if tale == "age-missing":
            return
        chart.versions["age"] = 1
        if tale == "whole-weeks":
            yield scribe.age(infant, at, form="completed-weeks")
        elif tale == "decimal-weeks":
            yield scribe.age(infant, at, form="decimal-weeks")
        else:
            yield scribe.age(infant, at)
        if tale == "two-ages":
            yield scribe.age(infant, later, days=infant.gestation + 10, name="age-early-scan")

    # --- what happens while you watch -------------------------------------------------------------------------------

    def _arrive(self, unit: int, kind: str, at: datetime, random: Random) -> Event:
        """A birth on the unit (weight and age follow later), or an infant brought in with everything on file."""
        scribe, today = self._scribes[unit], self._day(unit, at)
        known = len(ROWS[unit]) + len(COURSES[unit])
        number = known + 1 + sum(1 for chart in self._charts[unit] if chart.infant.number > known)
        sex: Sex = random.choice(("female", "male"))
        gestation = random.randint(24 * 7, 34 * 7 + 6)
        typical = MEDIAN_GIRL_GRAMS[gestation // 7] * (1.06 if sex == "male" else 1.0)
        grams = int(typical * random.uniform(0.85, 1.2)) // 10 * 10
        born = today if kind == "birth" else today - timedelta(days=random.randint(2, 20))
        infant = Newborn(unit, number, random.choice(_GIVEN[sex]), random.choice(_FAMILY), sex, born, gestation, grams)
        chart = Chart(infant, random.choice(self._free_beds(unit)), today, {"patient": 1, "stay": 1})
        self._charts[unit].append(chart)
        resources = [scribe.patient(infant, at), scribe.stay(infant, chart.bed or 1, today, at)]
        word = "girl" if sex == "female" else "boy"
        if kind == "birth":
            self._waiting += [(chart, "weight"), (chart, "age")]
            return Event(unit, resources, f"{scribe.site.name}: a {word} is born; weight and age to follow")
        chart.weighed = grams
        chart.versions.update(weight=1, age=1)
        resources += [scribe.weight(infant, at), scribe.age(infant, at)]
        age = format_age(gestation)
        return Event(unit, resources, f"{scribe.site.name}: a {word} born at {age} is brought in from elsewhere")

    def _record(self, chart: Chart, record: str, at: datetime, random: Random) -> Event:
        """The weight or the age of an infant born a while ago. One weight in five is first typed in kilograms."""
        infant, scribe = chart.infant, self._scribes[chart.infant.unit]
        version = chart.next_version(record)
        where = scribe.site.name
        if record == "age":
            text = f"{where}: gestational age {format_age(infant.gestation)} is recorded"
            return Event(infant.unit, [scribe.age(infant, at, version)], text)
        if version == 1 and random.random() < 0.2:
            self._waiting.append((chart, "weight"))
            text = f"{where}: a birth weight of {infant.grams / 1000:g} g arrives: a slip, kept and shown"
            return Event(infant.unit, [scribe.weight(infant, at, version, slipped=True)], text)
        chart.weighed = infant.grams
        text = f"{where}: birth weight {infant.grams} g is recorded"
        return Event(infant.unit, [scribe.weight(infant, at, version)], text)

    def _correct(self, chart: Chart, at: datetime, random: Random) -> Event:
        """A birth weight put right by a few grams; now and then across a limit."""
        infant, scribe = chart.infant, self._scribes[chart.infant.unit]
        before = chart.weighed or infant.grams
        after = infant.grams + random.choice((-60, -40, -20, 20, 40, 60))
        if after == before:
            after = infant.grams
        chart.weighed = after
        resource = scribe.weight(infant, at, chart.next_version("weight"), grams=after)
        text = f"{scribe.site.name}: a birth weight is corrected, {before} g to {after} g"
        return Event(infant.unit, [resource], text)

    def _move(self, chart: Chart, at: datetime, random: Random) -> Event:
        infant, scribe = chart.infant, self._scribes[chart.infant.unit]
        before, chart.bed = chart.bed, random.choice(self._free_beds(infant.unit))
        resource = scribe.stay(infant, chart.bed, chart.since, at, chart.next_version("stay"), leaves=chart.leaves)
        text = f"{scribe.site.name}: an infant moves from bed {before} to bed {chart.bed}"
        return Event(infant.unit, [resource], text)

    def _free_beds(self, unit: int) -> list[int]:
        taken = {chart.bed for chart in self._charts[unit]}
        return [bed for bed in range(1, BEDS + 1) if bed not in taken]

    def _day(self, unit: int, at: datetime) -> date:
        """The calendar day at the unit."""
        return at.astimezone(self._scribes[unit].site.timezone).date()

    def _morning(self, unit: int, day: date) -> datetime:
        """Eight o'clock at the unit, or the start if that is still to come."""
        return min(datetime.combine(day, time(8), self._scribes[unit].site.timezone), self._start)


def _breathes(weeks: int, number: int) -> Support | None:
    """What helps an infant of so many completed weeks to breathe; None for nothing."""
    if weeks < 28:
        return "ventilator"
    if weeks < 33:
        return "ventilator" if number % 4 == 1 else "CPAP"
    return "oxygen" if weeks < 36 and number % 2 else None
