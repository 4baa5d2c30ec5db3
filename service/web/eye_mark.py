"""One eye at one exam as a mark: a shape, and under it zone and stage as they are written by hand.

Hollow is quiet, filled is active; a bar for each stage up to 3, a diamond for 4 and 5, a triangle for aggressive ROP, a
ring around it for plus disease, a broken ring for pre-plus, a cross for what was not seen.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from markupsafe import escape

from service.core.findings import Eye, Zone
from service.web.words import N_, _

_ZONES: Final = {Zone.I: "I", Zone.POSTERIOR_II: "pII", Zone.II: "II", Zone.III: "III", Zone.FULL: N_("full")}


def letters(eye: Eye) -> tuple[str, str]:
    """Zone and stage in as few letters as they are written by hand; what was not seen in words."""
    if _unseen(eye):
        return (_("not"), _("seen")) if eye.view == "none" else (_("poor"), _("view"))
    zone = _(_ZONES[eye.where]) if eye.where is not None else "?"
    if eye.aggressive:
        stage = "A"
    elif eye.stage is not None:
        stage = eye.stage
    else:
        stage = "" if eye.regressing else "0" if eye.where == Zone.FULL else "?"
    return zone, f"{stage}{'r' if eye.regressing else ''}{_PLUS.get(eye.plus or '', '')}"


def draw_eye(eye: Eye) -> str:
    """The shape, about 0 0 and at most 15 to each side."""
    if _unseen(eye):
        return '<path class="unseen" d="M-8 -8 L8 8 M-8 8 L8 -8"/>'
    kind = "quiet" if _is_quiet(eye) else "active"
    if eye.aggressive:
        shape = f'<path class="{kind}" d="M0 -11 L11 9 H-11 Z"/>'
    elif eye.stage is not None and eye.stage[0] in "45":
        shape = f'<path class="{kind}" d="M0 -12 L12 0 L0 12 L-12 0 Z"/>'
    else:
        bars = (f'<line class="bar {kind}" x1="-6" x2="6" y1="{y}" y2="{y}"/>' for y in _bars(eye))
        shape = f'<circle class="{kind}" r="10"/>{"".join(bars)}'
    return f'{shape}<circle class="{eye.plus}" r="14.5"/>' if eye.plus in _PLUS else shape


def _unseen(eye: Eye) -> bool:
    return not eye.seen and not eye.has_findings


def _is_quiet(eye: Eye) -> bool:
    """Nothing active was seen. A stage that was not recorded is shown as a question mark, never as quiet alone."""
    return eye.regressing or not eye.any_rop


def _bars(eye: Eye) -> tuple[int, ...]:
    return _BARS.get(eye.stage or "", ()) if not eye.aggressive else ()


_PLUS: Final = {"plus": "+", "pre-plus": "(+)"}
_BARS: Final = {"1": (0,), "2": (-3, 3), "3": (-5, 0, 5)}


def explain(eyes: Sequence[Eye]) -> str:
    """What the shapes and letters mean, as far as these eyes show them: the spans of a legend."""
    seen = [eye for eye in eyes if not _unseen(eye)]
    staged = [eye.stage[0] for eye in seen if eye.stage is not None and not eye.aggressive]
    shapes = (
        (Eye(stage="0"), _("no active disease"), any(_is_quiet(eye) for eye in seen)),
        (Eye(stage="2"), _("active, a bar for each stage"), any(_bars(eye) and not _is_quiet(eye) for eye in seen)),
        (Eye(stage="4A"), _("stage 4 or 5"), "4" in staged or "5" in staged),
        (Eye(aggressive=True), _("A: aggressive ROP"), any(eye.aggressive for eye in seen)),
        (Eye(stage="0", plus="plus"), _("+ plus disease"), any(eye.plus == "plus" for eye in seen)),
        (Eye(stage="0", plus="pre-plus"), _("(+) pre-plus"), any(eye.plus == "pre-plus" for eye in seen)),
        (Eye(view="none"), _("not seen, or a poor view"), len(seen) < len(eyes)),
    )
    posterior = any(eye.where == Zone.POSTERIOR_II for eye in seen)
    written = (
        (_("I to III: zone, p: posterior") if posterior else _("I to III: zone"), any(eye.where for eye in seen)),
        (_("0: no ROP"), any(eye.stage == "0" for eye in seen)),
        (_("r: regressing"), any(eye.regressing for eye in seen)),
        (_("?: not recorded"), any("?" in "".join(letters(eye)) for eye in seen)),
    )
    drawn = "".join(
        '<span><svg width="32" height="32" viewBox="-16 -16 32 32" aria-hidden="true">'
        f"{draw_eye(eye)}</svg>{escape(words)}</span>"
        for eye, words, used in shapes
        if used
    )
    return drawn + "".join(f"<span>{escape(words)}</span>" for words, used in written if used)
