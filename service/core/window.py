"""What is to be done, when, and why: the words that rules answer in."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Literal

Kind = Literal[
    "first-exam", "repeat-exam", "treatment", "review-after-laser", "review-after-injection", "decision",
    "data-needed", "hand-over", "long-term", "none",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Window:
    """The days on which something is to be done: not before `opens`, best on `due`, late after `closes`."""

    opens: date
    due: date
    closes: date


@dataclass(frozen=True, slots=True)
class Reason:
    """Why: the rule's id in the policy file, its published source, a sentence built from the rule's own numbers,
    and how the numbers came into the file (`read`, `memory`, `practice`, `computed`, or `unconfirmed`)."""

    rule: str
    cite: str
    text: str
    provenance: str


@dataclass(frozen=True, slots=True)
class NextStep:
    """What comes next. `window` is None exactly when `kind` is "none".

    `by` is the instant at which the clock of a treatment, or of a decision about one, runs out: local time at the
    infant's site, `2031-06-04T09:30+02:00`, without the offset where no zone is known; the window closes on its date.
    `eye` is the eye that asks for the step, None when it is the infant's.
    """

    kind: Kind
    window: Window | None
    reason: Reason
    by: str | None = None
    eye: Literal["right", "left"] | None = None
