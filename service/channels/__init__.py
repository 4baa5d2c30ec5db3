"""Ways out, one module each. A module of this package is a channel when it has `build(connect) -> Channel`;
channels are found by looking, so that adding one is adding one file."""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Callable
from typing import Any, Protocol, runtime_checkable

from service.client import FhirClient
from service.fhir.sites import Site
from service.fhir.write import Step

Receipt = dict[str, Any]
"""What became of a step, JSON-able: references, versions and element names; no clinical value, no name."""

Connect = Callable[[Site], FhirClient]
"""The client for a site's own server. Raises SiteRefused for a site that has none."""


@runtime_checkable
class Channel(Protocol):
    """Sends steps out. Sending the same step again must change nothing at the other end."""

    name: str

    def send(self, step: Step) -> Receipt:
        """Makes the other end say what `step` says. Raises SiteUnavailable (try again) or SiteRefused (stop)."""
        ...


def find_channels(connect: Connect) -> dict[str, Channel]:
    """Every channel of this package, by name."""
    found: dict[str, Channel] = {}
    for module in pkgutil.iter_modules(__path__):
        build = getattr(importlib.import_module(f"{__name__}.{module.name}"), "build", None)
        if build is not None:
            channel: Channel = build(connect)
            found[channel.name] = channel
    return found
