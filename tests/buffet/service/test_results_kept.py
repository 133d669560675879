"""Which result stands for what is asked, in both databases: none is lost with another campaign."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from buffet.service import catalogue
from buffet.service.catalogue import Campaign, Found, StoredFile
from buffet.service.database.engine import reading, writing
from buffet.service.jobs import queue
from buffet.service.jobs.queue import Job
from buffet.service.settings import ServiceSettings
from buffet.service.state import Service
from tests.buffet.service.filling import service_of

FOUND = Found("Hatchback", "bare", ("bare",), (), ())


@pytest.fixture
def service(settings: ServiceSettings) -> Iterator[Service]:
    """Without a server and without workers."""
    with service_of(settings) as opened:
        yield opened


def added(service: Service, digest: str) -> Campaign:
    """A campaign of one file."""
    with writing(service.engine) as connection:
        files = [StoredFile("campaign.toml", digest * 64, 9)]
        return catalogue.add(connection, FOUND, files, "hall")[0]


def asked(service: Service, own: Campaign, key: str, manifest: str = "") -> Job:
    """The board's job for a key, computed where it waits."""
    content = manifest or own.manifest_sha256
    with writing(service.engine) as connection:
        job, _ = queue.add(connection, own.id, "board", {}, key * 64, content, "hall", 9)
        if job.state == "queued":
            queue.keep(connection, job, key * 64, 9, "application/json")
        return queue.job(connection, job.id)


def shown(service: Service, own: Campaign) -> str:
    """Key of what the page shows."""
    with reading(service.engine) as connection:
        content = own.manifest_sha256
        job = queue.newest(connection, own.id, "board", ("done",), content=content)
        assert job is not None
        return job.result_key[0]


def test_who_asks_for_an_earlier_result_is_shown_that_one(service: Service) -> None:
    """At 130 km/h, at 110, and at 130 again: it is there at once, and nothing is computed."""
    own = added(service, "a")
    first, other = asked(service, own, "1"), asked(service, own, "2")
    assert shown(service, own) == "2"
    again = asked(service, own, "1")
    assert (again.state, again.result_key, again.id) == ("done", first.result_key, other.id + 1)
    assert shown(service, own) == "1"
    assert asked(service, own, "1").id == again.id


def test_a_campaign_that_is_as_before_shows_what_it_showed(service: Service) -> None:
    """A run went into the bin, another board was computed, and the run came back."""
    own = added(service, "a")
    asked(service, own, "1")
    asked(service, own, "2", manifest="f" * 64)
    assert shown(service, own) == "1"


def test_results_of_the_same_content_outlive_the_campaign_they_were_computed_for(
    service: Service,
) -> None:
    """Taken in again while the first was in the bin, which is then deleted for good."""
    first = added(service, "a")
    asked(service, first, "1")
    asked(service, first, "3")
    with writing(service.engine) as connection:
        catalogue.put_into_bin(connection, first.id, "hall")
    second = added(service, "a")
    assert second.id != first.id
    asked(service, second, "1")
    with writing(service.engine) as connection:
        catalogue.delete_for_good(connection, first.id)
    with reading(service.engine) as connection:
        kept = queue.result(connection, "1" * 64)
        assert kept is not None
        assert kept.campaign_id == second.id
        assert queue.result(connection, "3" * 64) is None
