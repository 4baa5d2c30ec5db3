"""Files of editions and variations for tests: one to write, and those that must be refused."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from service.errors import ConfigurationError


def a_variation(site: str, effective: str) -> str:
    """The text of a site's variation of AAP 2018, `<site>-aap`: from this day on the limit is 1700 g."""
    return f"""
extends = "aap-2018"
id = "{site}-aap"
revision = 1
title = "AAP 2018 as {site.capitalize()} keeps it"
reason = "our own infants above the limit had disease"
approved_by = "Dr Kestrel"
effective = {effective}

[[criterion]]
id = "birth-weight"
birth_weight_at_most = "1700g"
cite = "a decision of the unit"
provenance = "practice"
confidence = "high"
"""


def assert_refused(read: Callable[[Path], object], path: Path) -> None:
    """An invalid file is refused in its own name. Its first lines, `#: words`, are what the message must contain."""
    lines = path.read_text("utf-8").splitlines()
    words = [line.removeprefix("#: ") for line in lines if line.startswith("#: ")]
    assert words
    with pytest.raises(ConfigurationError) as refused:
        read(path)
    assert refused.value.where.startswith(path.name)
    for word in words:
        assert word in str(refused.value)
