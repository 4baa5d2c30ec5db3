"""What every channel must do, whichever it is: channels are found, so a new one is held to this without being named."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from typing import Any
from uuid import uuid4

import pytest
from contracts.counterpart import Sekmet
from steps import a_decision, a_step, data_needed, decided, handed_over, reviewed, treated

from service.channels import Channel, find_channels
from service.errors import SiteRefused, SiteUnavailable
from service.fhir.sites import CHANNELS, Site

NAMES = list(find_channels(lambda _: pytest.fail("finding a channel must not connect")))


def _channel(name: str, server: Sekmet) -> Channel:
    client = server.client()
    return find_channels(lambda _: client)[name]


def test_the_names_a_site_file_may_say_are_the_channels_there_are() -> None:
    assert set(NAMES) == set(CHANNELS)


@pytest.mark.parametrize("name", NAMES)
def test_it_is_a_channel(name: str, sekmet: Sekmet) -> None:
    channel = _channel(name, sekmet)
    assert isinstance(channel, Channel)
    assert channel.name == name


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("make", [a_step, data_needed, reviewed, treated, decided, handed_over])
def test_sent_twice_is_there_once(name: str, make: Any, sekmet: Sekmet) -> None:
    """Also from another process that knows nothing of the first sending."""
    step = make(patient=f"c-{uuid4().hex[:12]}")
    _channel(name, sekmet).send(step)
    before = sekmet.all("Task", subject=f"Patient/{step.patient}")
    receipt = _channel(name, sekmet).send(step)
    assert sekmet.all("Task", subject=f"Patient/{step.patient}") == before
    assert len(before) == 1
    assert json.loads(json.dumps(receipt)) == receipt
    assert step.patient not in json.dumps(receipt), "a receipt names resources of ours, not patients"


@pytest.mark.parametrize("name", NAMES)
def test_every_status_can_be_sent(name: str, sekmet: Sekmet) -> None:
    step = a_step(patient=f"c-{uuid4().hex[:12]}")
    channel = _channel(name, sekmet)
    for status in ("requested", "completed", "cancelled"):
        channel.send(
            replace(
                step,
                status=status,
                decision=a_decision(None if status == "cancelled" else a_step().decision.next.window),
            )
        )


@pytest.mark.parametrize("name", NAMES)
def test_a_server_that_is_down_is_tried_again_later(name: str, start_sekmet: Callable[..., Sekmet]) -> None:
    server = start_sekmet()
    channel = _channel(name, server)
    server.stop()
    with pytest.raises(SiteUnavailable):
        channel.send(a_step())
    server.start()
    channel.send(a_step())


@pytest.mark.parametrize("name", NAMES)
def test_a_server_that_does_not_let_us_in_is_not_tried_again(name: str, start_sekmet: Callable[..., Sekmet]) -> None:
    server = start_sekmet(server_auth={"types": ["bearer"], "tokens": ["something else"]})
    with pytest.raises(SiteRefused):
        _channel(name, server).send(a_step())


@pytest.mark.parametrize("name", NAMES)
def test_a_site_without_a_server_is_refused(name: str) -> None:
    def connect(_: Site) -> Any:
        raise SiteRefused("this site has no server")

    with pytest.raises(SiteRefused):
        find_channels(connect)[name].send(a_step())
