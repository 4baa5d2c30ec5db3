"""A drawing of one retina, to tap and to look at: zones, clock hours, what was found. What was typed in, SVG out; pure.

Zones as the International Classification of ROP, 3rd edition, draws them (Ophthalmology 2021;128:e51): circles about
the optic disc, not about the middle of the eye. Zone I has a radius of twice the distance from disc to fovea; posterior
zone II reaches two disc diameters further; zone II as far as the ora serrata on the nasal side, where its circle
touches it; zone III is the crescent that is left on the temporal side.

The eye is drawn as the examiner sees it who faces the infant: in the right eye the nose is to the right of the drawing,
in the left eye to the left. Clock hours are read off the same way, so that 3 is nasal in the right eye and temporal in
the left (the classification since its first edition, Arch Ophthalmol 1984;102:1130; from memory).

Everything a drawing can show is in it; which of it is seen depends on the attributes of the `svg` alone, each a field
of the form under its own name. So the page's script redraws by copying fields, and cannot draw anything else than this.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from markupsafe import Markup, escape

from service.core.findings import Side
from service.web.words import _

# All lengths in units of the drawing, which is `SIZE` wide; about one CSS pixel on a phone.
SIZE: Final = 360
MIDDLE: Final = SIZE / 2
ORA: Final = 135.0
"""Radius of the ora serrata, about the middle of the drawing."""
DISC_TO_FOVEA: Final = 29.0
DISC_DIAMETER: Final = 12.0
"""The fovea lies about two and a half disc diameters from the disc: common practice, no source. So large that posterior
zone II and what is left of zone II are each wide enough to tap."""
ZONE_I: Final = 2 * DISC_TO_FOVEA
POSTERIOR_II: Final = ZONE_I + 2 * DISC_DIAMETER
OFF_MIDDLE: Final = DISC_TO_FOVEA
"""The fovea is drawn in the middle, the disc so far to its nasal side."""
ZONE_II: Final = ORA - OFF_MIDDLE
"""About the disc: touches the ora serrata on the nasal side."""
RING: Final = (136.0, 178.0)
"""Between these radii lie the clock hours to tap: 42 units deep, and 71 along the inner edge."""

RADII: Final[Mapping[str, float]] = {"I": ZONE_I, "posterior II": POSTERIOR_II, "II": ZONE_II}
SHOWN: Final = ("view", "zone", "vascularization", "stage", "plus", "aggressive", "regression", "reactivation")
"""Fields of an eye that the drawing shows, each as the attribute `data-` of its name."""
HOURS: Final = "clock_positions"
EXTENT: Final = "avascular_extent"


def nasal(side: Side) -> int:
    """Where the nose is in the drawing of an eye: 1 to the right, -1 to the left."""
    return 1 if side == "right" else -1


def disc(side: Side) -> tuple[float, float]:
    """Where the optic disc is drawn."""
    return MIDDLE + nasal(side) * OFF_MIDDLE, MIDDLE


def draw_retina(side: Side, typed: Mapping[str, Sequence[str]], *, tap: bool = False) -> Markup:
    """The retina of one eye with what was typed into a sheet. `tap`: it can be tapped, by the script of the page.

    It is hidden from screen readers: the form beneath it, or the words beside it, say the same.
    """

    def field(name: str) -> str:
        return (typed.get(f"{side}.{name}") or [""])[0].strip()

    hours = {hour for hour in typed.get(f"{side}.{HOURS}", ()) if hour}
    shown = "".join(f' data-{name}="{escape(field(name))}"' for name in SHOWN)
    return Markup("").join(
        Markup(piece)  # noqa: S704 -- all of it is made here; what was typed is escaped above
        for piece in (
            f'<svg class="retina {side}{" tap" if tap else ""}" viewBox="0 0 {SIZE} {SIZE + 14}" data-side="{side}"',
            f'{shown} data-hours="{len(hours) or ""}" aria-hidden="true" focusable="false">',
            *_defined(side, tap),
            *_zones(side),
            *_bare(side, tap, band_width(field(EXTENT))),
            *_vessels(side),
            *_disease(side, hours),
            *_clock(hours),
            *_words(side),
            "</svg>",
        )
    )


def band_width(extent: str) -> float:
    """Width of the band of avascular retina along the ora serrata: disc diameters as typed; 0 when they say nothing."""
    try:
        number = float(extent.replace(",", "."))
    except ValueError:
        return 0.0
    return round(min(max(number, 0.0) * DISC_DIAMETER, ORA), 2) if math.isfinite(number) else 0.0


# --- the pieces, from the back to the front ------------------------------------------------------------------------


def _defined(side: Side, tap: bool) -> Iterator[str]:
    name = _pattern(side, tap)
    yield (
        f'<defs><pattern id="{name}" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        '<rect class="bare-ground" width="7" height="7"/><rect class="bare-line" width="1.6" height="7"/></pattern>'
        "</defs>"
    )


def _pattern(side: Side, tap: bool) -> str:
    return f"bare-{side}{'' if tap else '-shown'}"


def _zones(side: Side) -> Iterator[str]:
    x, y = disc(side)
    yield f'<circle class="field" data-pick="III" cx="{MIDDLE:g}" cy="{MIDDLE:g}" r="{ORA:g}"/>'
    for zone in ("II", "posterior II", "I"):
        yield f'<circle class="field" data-pick="{zone}" cx="{x:g}" cy="{y:g}" r="{RADII[zone]:g}"/>'


def _bare(side: Side, tap: bool, band: float) -> Iterator[str]:
    """Retina without vessels: beyond the zone in which they end; and what was measured, as a band along the ora."""
    x, y = disc(side)
    fill = f'fill="url(#{_pattern(side, tap)})"'
    for zone, radius in RADII.items():
        path = f"{_circle(MIDDLE, MIDDLE, ORA)} {_circle(x, y, radius)}"
        yield f'<path class="beyond {_class(zone)}" fill-rule="evenodd" d="{path}" {fill}/>'
    yield (
        f'<circle class="band" cx="{MIDDLE:g}" cy="{MIDDLE:g}" r="{round(ORA - band / 2, 2):g}" fill="none" '
        f'stroke="url(#{_pattern(side, tap)})" stroke-width="{band:g}"/>'
    )


def _vessels(side: Side) -> Iterator[str]:
    """Disc, fovea and four vessels; plus disease winds them."""
    x, y = disc(side)
    out = -nasal(side)
    for kind in ("calm", "winding"):
        paths = []
        for up in (-1, 1):
            for reach, bend in ((out * 74, 34), (-out * 28, 38)):
                paths.append(_vessel(x, y, reach, up * bend, kind == "winding"))
        yield f'<path class="vessel {kind}" d="{" ".join(paths)}"/>'
    yield f'<circle class="disc" cx="{x:g}" cy="{y:g}" r="{DISC_DIAMETER / 2:g}"/>'
    yield f'<circle class="fovea" cx="{MIDDLE:g}" cy="{MIDDLE:g}" r="2.2"/>'


def _vessel(x: float, y: float, reach: float, rise: float, winds: bool) -> str:
    points = []
    for step in range(25):
        share = step / 24
        across, along = reach * share, rise * math.sin(share * math.pi / 2) * 1.15
        wave = 3.4 * math.sin(share * math.pi * 7) if winds else 0.0
        points.append((x + across, y + along + wave))
    return "M" + " L".join(f"{a:.1f} {b:.1f}" for a, b in points)


def _disease(side: Side, hours: set[str]) -> Iterator[str]:
    """The edge of disease in each zone: at the hours that were tapped; a broken ring where none were."""
    for zone in ("I", "posterior II", "II", "III"):
        yield f'<g class="disease {_class(zone)}">'
        points = [_edge(side, zone, angle) for angle in range(0, 360, 6)]
        yield f'<path class="somewhere" d="M{" L".join(points)} Z"/>'
        for hour in range(1, 13):
            arc = " L".join(_edge(side, zone, hour * 30 + turn) for turn in range(-14, 15, 4))
            yield f'<path class="{"on" if str(hour) in hours else "off"}" data-hour="{hour}" d="M{arc}"/>'
        yield "</g>"


def _edge(side: Side, zone: str, degrees: float) -> str:
    """A point in the middle of a zone, at an angle from 12 o'clock with the hands, seen from the middle of the eye."""
    inner = {"I": 0.0, "posterior II": ZONE_I, "II": POSTERIOR_II, "III": ZONE_II}[zone]
    outer = RADII.get(zone, 0.0)
    near = _out_to(side, inner, degrees) if inner else 0.0
    far = _out_to(side, outer, degrees) if outer else ORA
    return "{:.1f} {:.1f}".format(*at(degrees, near + (far - near) * (0.62 if zone == "I" else 0.5)))


def at(degrees: float, radius: float) -> tuple[float, float]:
    """A point of the drawing: an angle from 12 o'clock with the hands, and the distance from the middle."""
    turn = math.radians(degrees)
    return MIDDLE + radius * math.sin(turn), MIDDLE - radius * math.cos(turn)


def _out_to(side: Side, radius: float, degrees: float) -> float:
    """How far it is from the middle, in a direction, to a circle about the disc."""
    off = nasal(side) * OFF_MIDDLE
    along = off * math.sin(math.radians(degrees))
    return along + math.sqrt(radius**2 - off**2 + along**2)


def _clock(hours: set[str]) -> Iterator[str]:
    inner, outer = RING
    for hour in range(1, 13):
        a, b = hour * 30 - 14.4, hour * 30 + 14.4
        (ax, ay), (bx, by), (cx, cy), (dx, dy) = at(a, inner), at(a, outer), at(b, outer), at(b, inner)
        x, y = at(hour * 30, (inner + outer) / 2)
        on = ' class="hour on"' if str(hour) in hours else ' class="hour"'
        yield (
            f'<g{on} data-hour="{hour}"><path d="M{ax:.1f} {ay:.1f} L{bx:.1f} {by:.1f} A{outer:g} {outer:g} 0 0 1 '
            f'{cx:.1f} {cy:.1f} L{dx:.1f} {dy:.1f} A{inner:g} {inner:g} 0 0 0 {ax:.1f} {ay:.1f} Z"/>'
            f'<text x="{x:.1f}" y="{y + 6:.1f}" text-anchor="middle">{hour}</text></g>'
        )


def _words(side: Side) -> Iterator[str]:
    to_right = nasal(side) > 0
    left, right = (_("temporal"), _("nasal")) if to_right else (_("nasal"), _("temporal"))
    yield f'<text class="way" x="2" y="{SIZE + 10}">← {escape(left)}</text>'
    yield f'<text class="way" x="{SIZE - 2}" y="{SIZE + 10}" text-anchor="end">{escape(right)} →</text>'
    a, b = MIDDLE - 70, MIDDLE + 70
    yield f'<path class="unseen" d="M{a:g} {a:g} L{b:g} {b:g} M{a:g} {b:g} L{b:g} {a:g}"/>'


def _circle(x: float, y: float, radius: float) -> str:
    half = f"A{radius:g} {radius:g} 0 1 1"
    return f"M{x - radius:g} {y:g} {half} {x + radius:g} {y:g} {half} {x - radius:g} {y:g} Z"


def _class(zone: str) -> str:
    return f"in-{zone.replace(' ', '-')}"
