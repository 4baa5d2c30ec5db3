"""The weight reference against packages of others."""

from __future__ import annotations

from statistics import NormalDist

import pytest
from pretermgrowth import Fenton

from service.core.centiles import FIRST_WEEK, LAST_WEEK, centiles

SEXES = [(False, "f"), (True, "m")]


@pytest.mark.parametrize(("boy", "sex"), SEXES)
def test_every_day_is_the_centile_of_the_study(boy: bool, sex: str) -> None:
    """Fenton TR, Kim JH, BMC Pediatrics 2013;13:59: L, M and S by day, from PyPI `pretermgrowth`. The LMS centile is
    M (1 + L S z)^(1/L) (Cole TJ, Green PJ, Statistics in Medicine 1992;11:1305). To the gram on the first day of each
    week, within 1% between."""
    for age in range(FIRST_WEEK * 7, LAST_WEEK * 7 + 1):
        skew, median, spread = Fenton.get_lms("weight", sex, age)
        grams = centiles(boy, age)
        assert grams is not None
        for share, ours in zip((0.03, 0.5, 0.97), grams, strict=True):
            study = median * (1 + skew * spread * NormalDist().inv_cdf(share)) ** (1 / skew)
            assert ours == pytest.approx(study, abs=0.51 if age % 7 == 0 else study / 100)


def test_there_is_no_reference_beyond_the_table() -> None:
    assert centiles(True, FIRST_WEEK * 7 - 1) is None
    assert centiles(True, LAST_WEEK * 7 + 1) is None
