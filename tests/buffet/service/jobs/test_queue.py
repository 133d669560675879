"""The queue, in both databases: which job comes next, and of which content."""

from __future__ import annotations

import pytest
from sqlalchemy import Engine, insert, update

from buffet.service import catalogue
from buffet.service.database.engine import writing
from buffet.service.database.tables import JOBS, RESULTS
from buffet.service.errors import QueueFullError
from buffet.service.jobs import queue
from buffet.service.jobs.requests import result_key

SETTINGS = {"speed": 36.0}


def campaign(engine: Engine, name: str) -> catalogue.Campaign:
    """One without runs."""
    with writing(engine) as connection:
        found = catalogue.Found(name, None, (), (), ())
        stored = [catalogue.StoredFile("campaign.toml", name.rjust(64, "0"), 1)]
        return catalogue.add(connection, found, stored, "somebody")[0]


def asked(
    engine: Engine, of: catalogue.Campaign, kind: str = "rate", longest: int = 9
) -> queue.Job:
    """A job that waits."""
    key = result_key(of.manifest_sha256, kind, SETTINGS)
    with writing(engine) as connection:
        return queue.add(
            connection, of.id, kind, SETTINGS, key, of.manifest_sha256, "somebody", longest
        )[0]


def changed(engine: Engine, before: catalogue.Campaign) -> catalogue.Campaign:
    """The same campaign with another sheet."""
    with writing(engine) as connection:
        found = catalogue.Found(before.title, None, (), (), ())
        stored = [catalogue.StoredFile("campaign.toml", "f" * 64, 1)]
        return catalogue.change(connection, before, found, stored)


def test_a_campaign_that_changed_is_analysed_as_it_stands(engine: Engine) -> None:
    """Nothing that was asked for is lost, though a run came in while it waited."""
    first = campaign(engine, "a")
    job = asked(engine, first)
    present = changed(engine, first)
    with writing(engine) as connection:
        taken = queue.claim(connection)
    assert taken is not None
    assert (taken.id, taken.state) == (job.id, "running")
    assert taken.manifest_sha256 == present.manifest_sha256 != first.manifest_sha256
    assert taken.result_key == result_key(present.manifest_sha256, "rate", SETTINGS)


def test_what_is_computed_of_the_present_content_is_done(engine: Engine) -> None:
    """It is not computed again, and the next job comes."""
    first = campaign(engine, "a")
    job, other = asked(engine, first), asked(engine, first, "table")
    present = changed(engine, first)
    row = {
        "key": result_key(present.manifest_sha256, "rate", SETTINGS),
        "campaign_id": first.id,
        "kind": "rate",
        "sha256": "e" * 64,
        "size": 1,
        "media_type": "application/json",
        "created_at": 0.0,
    }
    with writing(engine) as connection:
        connection.execute(insert(RESULTS).values(row))
        taken = queue.claim(connection)
        assert taken is not None
        assert taken.id == other.id
        assert queue.job(connection, job.id).state == "done"
        assert queue.claim(connection) is None


def test_a_worker_stays_with_its_campaign_for_a_while(engine: Engine) -> None:
    """Then the oldest comes first, whosever it is."""
    first, second = campaign(engine, "a"), campaign(engine, "b")
    old, near = asked(engine, first), asked(engine, second)
    with writing(engine) as connection:
        taken = queue.claim(connection, second.id)
        assert taken is not None
        assert taken.id == near.id
        queue.put_back(connection, near.id, counts=False)
        long_ago = {"created_at": 0.0}
        connection.execute(update(JOBS).where(JOBS.c.id == old.id).values(long_ago))
        taken = queue.claim(connection, second.id)
        assert taken is not None
        assert taken.id == old.id


def test_a_queue_has_an_end(engine: Engine) -> None:
    """Beyond it a job is refused; one that waits already stands for all who ask."""
    first = campaign(engine, "a")
    job = asked(engine, first, longest=1)
    assert asked(engine, first, longest=1).id == job.id
    with pytest.raises(QueueFullError, match="try again"):
        asked(engine, first, "table", longest=1)
