"""How each unit of the demonstration writes its records: the same infant, three ways of coding.

Two units type exams of the eyes in on the published forms; the third sends its own Observations, one for each eye. What
helps to breathe is an amount of oxygen in one unit, a Procedure in another, a word of the register in the third, which
has no place for a planned day of leaving: there it is typed in on a form.

One resource keeps one id for life and counts its versions, as a hospital's server does, so sending it again changes
nothing. What is written here is read back through the site files in `mappings/`; the tests compare the two.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final, Literal

from service.core.ages import format_age
from service.core.findings import SIDES
from service.demo.census import Newborn
from service.fhir import terms
from service.fhir.forms import fill
from service.fhir.sites import Site

Resource = dict[str, Any]
Coding = tuple[str, str, str]
"""System, code, display."""

LOINC: Final = "http://loinc.org"
SNOMED: Final = "http://snomed.info/sct"
UCUM: Final = "http://unitsofmeasure.org"
REGISTER: Final = "https://tamarind-vale.example/register"
EYE_CLINIC: Final = "https://quillhaven.example/eye"
BEDS: Final = 30
"""Beds in every unit."""

Support = Literal["ventilator", "CPAP", "oxygen"]
WeightForm = Literal["grams", "kilograms", "bare-number"]
AgeForm = Literal["text", "two-parts", "completed-weeks", "decimal-weeks"]


@dataclass(frozen=True, slots=True)
class Style:
    """How one unit codes a birth weight and a gestational age, in which form, and what it calls grams and weeks; how it
    codes a body weight and what helps to breathe; whether its eye clinic sends Observations (`eye_codes` is its system)
    or fills in forms; and whether the stay says when it is planned to end."""

    weight_code: Coding
    weight_form: WeightForm
    age_code: Coding
    age_form: AgeForm
    support: Mapping[Support, Coding]
    grams: str = "g"
    weeks: str = "wk"
    oxygen_code: Coding | None = None
    growth_code: Coding = (LOINC, "29463-7", "Body weight")
    eye_codes: str = ""
    plans_stays: bool = True


STYLES: Final = {
    "larkmoor": Style(
        (LOINC, "8339-4", "Birth weight Measured"), "grams", (LOINC, "76516-4", "Gestational age--at birth"), "text",
        {
            "ventilator": (LOINC, "19994-3", "Ventilator, inspired oxygen"),
            "CPAP": (LOINC, "3150-0", "CPAP, inspired oxygen"),
            "oxygen": (LOINC, "3151-8", "Nasal cannula, oxygen"),
        },
    ),
    "quillhaven": Style(
        (SNOMED, "364589006", "Birth weight"), "kilograms",
        (SNOMED, "412726003", "Length of gestation at birth"), "two-parts",
        {
            "ventilator": (SNOMED, "40617009", "Artificial ventilation"),
            "CPAP": (SNOMED, "47545007", "Continuous positive airway pressure"),
            "oxygen": (SNOMED, "371907003", "Oxygen by nasal cannula"),
        },
        growth_code=(SNOMED, "27113001", "Body weight"), eye_codes=EYE_CLINIC,
    ),
    "tamarind-vale": Style(
        (REGISTER, "BWT", "Birth weight"), "bare-number", (REGISTER, "GA", "Gestational age"), "completed-weeks",
        {
            "ventilator": (REGISTER, "RESP", "ventilator"), "CPAP": (REGISTER, "RESP", "bubble CPAP"),
            "oxygen": (REGISTER, "RESP", "oxygen by prongs"),
        },
        "grms", "completed wks", (REGISTER, "OXY", "Oxygen for more than a few days"), plans_stays=False,
    ),
}  # fmt: skip
"""The three units by site id, in census order."""

_OXYGEN: Final[Mapping[Support, tuple[float, str]]] = {
    "ventilator": (35, "%"), "CPAP": (25, "%"), "oxygen": (0.2, "L/min"),
}  # fmt: skip
"""Amounts of oxygen, invented."""


class Scribe:
    """Writes one unit's FHIR R4 resources in that unit's own style. `site` gives ids, time zone and number system."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self._style = STYLES[site.id]
        self.ward = next(iter(site.units))
        """Reference of the ward's Location, as the site file names it."""

    def patient(self, infant: Newborn, at: datetime, version: int = 1, died: date | None = None) -> Resource:
        """The infant's own record."""
        resource = self._start("Patient", self.patient_id(infant), at, version)
        if self.site.identifier_system:
            resource["identifier"] = [{"system": self.site.identifier_system, "value": self._number(infant)}]
        resource["name"] = [{"family": infant.family, "given": [infant.given]}]
        resource["gender"] = infant.sex
        resource["birthDate"] = infant.born.isoformat()
        if infant.order is not None:
            resource["multipleBirthInteger"] = infant.order
        if died is not None:
            resource["deceasedDateTime"] = died.isoformat()
        if infant.tale == "mother-on-file":
            related = {"reference": f"RelatedPerson/{self.patient_id(infant)}-m"}
            resource["link"] = [{"other": related, "type": "seealso"}]
        return resource

    def mother(self, infant: Newborn, at: datetime) -> list[Resource]:
        """The mother's own Patient record, and the RelatedPerson that ties it to the infant."""
        patient = self._start("Patient", f"{self.patient_id(infant)}-mother", at, 1)
        patient["name"] = [{"family": infant.family, "given": ["Rosalind"]}]
        patient["gender"] = "female"
        patient["birthDate"] = infant.born.replace(year=infant.born.year - 31, day=1).isoformat()
        related = self._start("RelatedPerson", f"{self.patient_id(infant)}-m", at, 1)
        related["patient"] = {"reference": f"Patient/{self.patient_id(infant)}"}
        related["relationship"] = [
            {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/v3-RoleCode", "code": "NMTH"}]}
        ]
        return [patient, related]

    def stay(
        self,
        infant: Newborn,
        bed: int,
        since: date,
        at: datetime,
        version: int = 1,
        left: date | None = None,
        sent_to: Literal["home", "other-hcf"] = "home",
        leaves: date | None = None,
    ) -> Resource:
        """The stay in the unit: open in `bed`, where the unit plans stays until `leaves`; or ended on `left`."""
        resource = self._start("Encounter", f"{self.patient_id(infant)}-stay", at, version)
        resource["status"] = "in-progress" if left is None else "finished"
        resource["class"] = {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"}
        resource["subject"] = {"reference": f"Patient/{self.patient_id(infant)}"}
        period = {"start": since.isoformat()}
        place: Resource = {"location": {"reference": self.bed(bed)}, "status": "active", "period": dict(period)}
        if leaves is not None and self.plans_stays and left is None:
            period["end"] = leaves.isoformat()
        if left is not None:
            period["end"] = place["period"]["end"] = left.isoformat()
            place["status"] = "completed"
            system = "http://terminology.hl7.org/CodeSystem/discharge-disposition"
            resource["hospitalization"] = {"dischargeDisposition": {"coding": [{"system": system, "code": sent_to}]}}
        resource["period"] = period
        resource["location"] = [place]
        return resource

    def weight(
        self,
        infant: Newborn,
        at: datetime,
        version: int = 1,
        grams: int | None = None,
        slipped: bool = False,
        status: str = "final",
    ) -> Resource:
        """The birth weight; `slipped` writes the number of kilograms with the unit gram."""
        resource = self._observation(infant, "weight", self._style.weight_code, at, version, status)
        value, form = grams or infant.grams, self._style.weight_form
        if slipped:
            resource["valueQuantity"] = {"value": value / 1000, "unit": self._style.grams}
        elif form == "bare-number":
            resource["valueInteger"] = value
        elif form == "kilograms":
            resource["valueQuantity"] = _quantity(value / 1000, "kg")
        else:
            resource["valueQuantity"] = _quantity(value, "g")
        return resource

    def age(
        self,
        infant: Newborn,
        at: datetime,
        version: int = 1,
        days: int | None = None,
        form: AgeForm | None = None,
        name: str = "age",
    ) -> Resource:
        """The gestational age at birth in the unit's own form, or in `form`."""
        resource = self._observation(infant, name, self._style.age_code, at, version, "final")
        days, form = days or infant.gestation, form or self._style.age_form
        weeks, rest = divmod(days, 7)
        if form == "text":
            resource["valueString"] = format_age(days)
        elif form == "two-parts":
            resource["component"] = [
                {"code": {"text": "completed weeks"}, "valueQuantity": _quantity(weeks, "wk")},
                {"code": {"text": "additional days"}, "valueQuantity": _quantity(rest, "d")},
            ]
        elif form == "completed-weeks":
            resource["valueQuantity"] = {"value": weeks, "unit": self._style.weeks}
        else:
            resource["valueQuantity"] = {"value": round(days / 7, 1), "unit": self._style.weeks}
        return resource

    def oxygen(self, infant: Newborn, at: datetime) -> list[Resource]:
        """Oxygen for long, where the unit's register has a box for it."""
        if self._style.oxygen_code is None:
            return []
        resource = self._observation(infant, "oxygen", self._style.oxygen_code, at, 1, "final")
        return [{**resource, "valueBoolean": True}]

    @property
    def plans_stays(self) -> bool:
        """Whether an open stay says when it is planned to end."""
        return self._style.plans_stays

    def support(self, infant: Newborn, kind: Support, since: date, at: datetime) -> Resource:
        """What has helped the infant to breathe since a day."""
        system, code, words = self._style.support[kind]
        if system == SNOMED:
            resource = self._start("Procedure", f"{self.patient_id(infant)}-support", at, 1)
            resource["status"] = "in-progress"
            resource["code"] = {"coding": [{"system": system, "code": code, "display": words}]}
            resource["subject"] = {"reference": f"Patient/{self.patient_id(infant)}"}
            resource["performedPeriod"] = {"start": since.isoformat()}
            return resource
        display = words if system == LOINC else "Breathing aid"
        resource = self._observation(infant, "support", (system, code, display), at, 1, "final")
        resource["effectiveDateTime"] = since.isoformat()
        said = {"valueQuantity": _quantity(*_OXYGEN[kind])} if system == LOINC else {"valueString": words}
        return {**resource, **said}

    def body_weight(self, infant: Newborn, on: date, at: datetime, grams: int) -> Resource:
        """What the infant weighed on a day."""
        resource = self._observation(infant, f"weight-{on.isoformat()}", self._style.growth_code, at, 1, "final")
        resource["effectiveDateTime"] = on.isoformat()
        in_kilograms = self._style.weight_form == "kilograms"
        resource["valueQuantity"] = _quantity(grams / 1000, "kg") if in_kilograms else _quantity(grams, "g")
        return resource

    def exam(
        self, infant: Newborn, exam: Mapping[str, Any], name: str, at: datetime, version: int = 1,
        withdrawn: bool = False,
    ) -> list[Resource]:  # fmt: skip
        """An exam of both eyes, the value of the form `eye-exam`: on the form, or as an Observation for each eye whose
        body site says which, its stage in the clinic's own code, the rest in the published ones."""
        if not self._style.eye_codes:
            return [self.form(infant, "eye-exam", exam, exam["examiner"], at, name, version, withdrawn)]
        status = "entered-in-error" if withdrawn else "corrected" if version > 1 else "final"
        return [self._eye(infant, side, exam, f"{name}-{side}", at, version, status) for side in SIDES]

    def _eye(
        self, infant: Newborn, side: str, exam: Mapping[str, Any], name: str, at: datetime, version: int, status: str
    ) -> Resource:
        resource = self._observation(infant, name, ("", "", "Eye clinic record"), at, version, status)
        local = datetime.fromisoformat(f"{exam['on']}T{exam['at']}").replace(tzinfo=self.site.timezone)
        resource["effectiveDateTime"] = local.isoformat()
        code = {"right": "RE", "left": "LE"}[side]
        resource["bodySite"] = {"coding": [{"system": self._style.eye_codes, "code": code, "display": f"{side} eye"}]}
        resource["performer"] = [{"display": exam["examiner"]}]
        resource["component"] = [self._finding(key, value) for key, value in exam[side].items()]
        return resource

    def _finding(self, key: str, value: Any) -> Resource:
        own = {"system": self._style.eye_codes, "code": "stage", "display": "Stage"}
        code = own if key == "stage" else terms.coding(terms.question_code(key))
        if isinstance(value, bool):
            return {"code": {"coding": [code]}, "valueBoolean": value}
        if isinstance(value, int):
            return {"code": {"coding": [code]}, "valueQuantity": {"value": value, "unit": "disc diameters"}}
        return {"code": {"coding": [code]}, "valueString": value}

    def treatment(self, infant: Newborn, treatment: Mapping[str, Any], by: str, at: datetime) -> Resource:
        """A treatment, the value of the form of that name: on the form; laser as a Procedure where the clinic has a
        code of its own for it."""
        name = f"treatment-{treatment['on']}-{treatment['eyes']}"
        if not self._style.eye_codes or treatment["kind"] != "laser":
            return self.form(infant, "treatment", treatment, by, at, name)
        resource = self._start("Procedure", f"{self.patient_id(infant)}-{name}", at, 1)
        resource["status"] = "completed"
        system, eyes = self._style.eye_codes, treatment["eyes"]
        resource["code"] = {"coding": [{"system": system, "code": "retinal-laser", "display": "Laser of the retina"}]}
        resource["subject"] = {"reference": f"Patient/{self.patient_id(infant)}"}
        resource["performedDateTime"] = treatment["on"]
        named = [code for side, code in (("right", "RE"), ("left", "LE")) if eyes in (side, "both")]
        resource["bodySite"] = [{"coding": [{"system": system, "code": code}]} for code in named]
        return resource

    def form(
        self, infant: Newborn, form: str, value: Mapping[str, Any], by: str, at: datetime, name: str = "",
        version: int = 1, withdrawn: bool = False,
    ) -> Resource:  # fmt: skip
        """One of the published forms, filled in by a named person. `name` tells it from the infant's others."""
        status = "entered-in-error" if withdrawn else "amended" if version > 1 else "completed"
        patient = self.patient_id(infant)
        id = f"{patient}-{name or form + '-' + value['on']}"
        return fill(form, value, id=id, version=version, patient=patient, author=by, authored=at, status=status)

    def places(self, at: datetime) -> list[Resource]:
        """The ward and its beds."""
        ward = self._start("Location", self.ward.removeprefix("Location/"), at, 1)
        ward["name"] = self.site.units[self.ward]
        beds = []
        for number in range(1, BEDS + 1):
            bed = self._start("Location", self.bed(number).removeprefix("Location/"), at, 1)
            bed["name"] = f"Bed {number}"
            bed["physicalType"] = _kind("bd")
            bed["partOf"] = {"reference": self.ward}
            beds.append(bed)
        ward["physicalType"] = _kind("wa")
        return [ward, *beds]

    def bed(self, number: int) -> str:
        """Reference of a bed's Location."""
        return f"{self.ward}-bed-{number}"

    def patient_id(self, infant: Newborn) -> str:
        """The infant's Patient id at this site."""
        return f"{self.site.id}-{infant.number:03d}"

    def _number(self, infant: Newborn) -> str:
        return f"{self.site.id[:2].upper()}{70000 + 137 * infant.number}"

    def _start(self, kind: str, id: str, at: datetime, version: int) -> Resource:
        meta = {"versionId": str(version), "lastUpdated": at.isoformat(timespec="seconds")}
        return {"resourceType": kind, "id": id, "meta": meta}

    def _observation(
        self, infant: Newborn, name: str, coding: tuple[str, str, str], at: datetime, version: int, status: str
    ) -> Resource:
        system, code, display = coding
        resource = self._start("Observation", f"{self.patient_id(infant)}-{name}", at, version)
        resource["status"] = status
        coded = {"coding": [{"system": system, "code": code, "display": display}]} if code else {}
        resource["code"] = {**coded, "text": display}
        resource["subject"] = {"reference": f"Patient/{self.patient_id(infant)}"}
        resource["effectiveDateTime"] = infant.born.isoformat()
        resource["issued"] = at.isoformat(timespec="seconds")
        return resource


def bundle(resources: list[Resource]) -> Resource:
    """What one message carries."""
    return {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": each} for each in resources]}


def _quantity(value: float, unit: str) -> Resource:
    return {"value": value, "unit": unit, "system": UCUM, "code": unit}


def _kind(code: str) -> Resource:
    system = "http://terminology.hl7.org/CodeSystem/location-physical-type"
    return {"coding": [{"system": system, "code": code}]}
