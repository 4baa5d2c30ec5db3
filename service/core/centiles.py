"""Body weight of preterm infants by postmenstrual age and sex, to see an infant's own weights against.

Fenton TR, Kim JH, BMC Pediatrics 2013;13:59, doi:10.1186/1471-2431-13-59 (open access): 3rd, 50th and 97th centile on
the first day of each week, from the study's L, M and S, in whole grams. A reference, not a target; nothing is decided
by it.
"""

from __future__ import annotations

from typing import Final, NamedTuple

FIRST_WEEK: Final = 23
LAST_WEEK: Final = 50
SOURCE: Final = "Fenton and Kim, BMC Pediatrics 2013;13:59"


class Centiles(NamedTuple):
    """Grams: three infants of a hundred weigh less than `low`, half of them less than `middle`, 97 less than `high`."""

    low: float
    middle: float
    high: float


_GIRLS: Final = (
    (404, 537, 702), (435, 606, 803), (466, 694, 936), (493, 792, 1085), (521, 899, 1247), (558, 1017, 1426),
    (616, 1152, 1627), (702, 1306, 1851), (826, 1482, 2101), (987, 1681, 2370), (1179, 1897, 2651),
    (1392, 2126, 2936), (1616, 2362, 3221), (1842, 2602, 3505), (2057, 2835, 3783), (2252, 3050, 4037),
    (2421, 3239, 4262), (2575, 3415, 4471), (2729, 3596, 4686), (2890, 3787, 4917), (3055, 3987, 5158),
    (3223, 4192, 5404), (3391, 4398, 5653), (3559, 4601, 5897), (3724, 4800, 6136), (3888, 4994, 6369),
    (4050, 5181, 6596), (4204, 5362, 6808),
)  # fmt: skip
_BOYS: Final = (
    (420, 571, 732), (455, 651, 852), (491, 741, 986), (528, 841, 1133), (568, 953, 1295), (617, 1079, 1475),
    (682, 1223, 1677), (774, 1388, 1903), (901, 1578, 2157), (1065, 1790, 2434), (1259, 2018, 2723),
    (1475, 2255, 3014), (1701, 2493, 3296), (1926, 2726, 3564), (2142, 2947, 3811), (2347, 3156, 4042),
    (2543, 3360, 4268), (2736, 3568, 4503), (2927, 3785, 4760), (3120, 4014, 5041), (3312, 4251, 5340),
    (3504, 4492, 5646), (3696, 4732, 5950), (3890, 4967, 6241), (4084, 5195, 6514), (4275, 5416, 6774),
    (4459, 5630, 7025), (4631, 5835, 7275),
)  # fmt: skip


def centiles(boy: bool, age: float) -> Centiles | None:
    """The centiles at a postmenstrual age in days, between weeks along a straight line (within 1% of the study's own
    daily values); None outside 23w0d to 50w0d."""
    table = _BOYS if boy else _GIRLS
    weeks = age / 7 - FIRST_WEEK
    if not 0 <= weeks <= len(table) - 1:
        return None
    week = min(int(weeks), len(table) - 2)
    share = weeks - week
    return Centiles(*(a + (b - a) * share for a, b in zip(table[week], table[week + 1], strict=True)))
