"""Requests made from the API's own description, right and wrong ones; no job runs."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import requests
import schemathesis
from hypothesis import HealthCheck, Phase, given, seed, settings
from schemathesis import GenerationMode, checks

from buffet.service.access import tokens
from buffet.service.access.roles import Role
from buffet.service.database.engine import writing
from buffet.service.settings import ServiceSettings
from buffet.service.state import Service
from tests.buffet.service.inside import add_campaign, add_job
from tests.buffet.service.served import serving

# What is there: a campaign, its run, a job that has ended, and tokens that nobody uses.
KNOWN = {"campaign_id": 1, "number": "1", "job_id": 1, "token_id": 1}
CHECKS = [
    checks.not_a_server_error,
    *(
        check
        for check in checks.CHECKS.get_all()
        if check.__name__
        in (
            "status_code_conformance",
            "content_type_conformance",
            "response_headers_conformance",
            "response_schema_conformance",
        )
    ),
]
# What takes things away comes last, that the rest finds them.
ORDER = ("get", "post", "delete")
PATIENCE_S = 30


@contextmanager
def fuzzed(own: ServiceSettings) -> Iterator[tuple[str, dict[str, str]]]:
    """Address of a service, and an owner's head for it."""
    with serving(own, workers=0, requests_per_minute=10**9) as running:
        with writing(running.service.engine) as connection:
            tokens.make(connection, "spare", Role.READER, time.time())
            secret, _ = tokens.make(connection, "owner", Role.OWNER, time.time())
        _fill(running.service)
        yield running.address, {"Authorization": f"Bearer {secret}"}


def _fill(service: Service) -> None:
    add_job(service, add_campaign(service))


def fuzz_api(address: str, head: dict[str, str], n: int, number: int) -> Counter[str]:
    """Send `n` requests over all operations; answers by their class of status.

    Raises whatever the description's checks find.
    """
    session = requests.Session()
    schema = schemathesis.openapi.from_url(f"{address}/openapi.json", headers=head)
    operations = sorted(
        (found.ok() for found in schema.get_all_operations()),
        key=lambda one: (ORDER.index(one.method), one.path),
    )
    each = -(-n // (2 * len(operations)))
    tally: Counter[str] = Counter()
    for operation in operations:
        for mode in (GenerationMode.POSITIVE, GenerationMode.NEGATIVE):
            _ask(operation, mode, each, number, session, address, head, tally)
    return tally


def _ask(
    operation: Any,
    mode: GenerationMode,
    n: int,
    number: int,
    session: requests.Session,
    address: str,
    head: dict[str, str],
    tally: Counter[str],
) -> None:
    told = {one.name for one in operation.path_parameters}
    more: dict[str, Any] = {}
    if mode is GenerationMode.POSITIVE and told:
        more = {"path_parameters": {key: KNOWN[key] for key in KNOWN if key in told}}
    elif mode is GenerationMode.NEGATIVE and not _can_be_wrong(operation):
        return

    @seed(number)
    @settings(
        max_examples=n,
        database=None,
        deadline=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(operation.as_strategy(generation_mode=mode, **more))
    def ask(case: Any) -> None:
        answer = case.call(base_url=address, session=session, headers=head, timeout=PATIENCE_S)
        tally[f"{answer.status_code // 100}xx"] += 1
        assert answer.status_code not in (401, 403), (case, answer.text)
        case.validate_response(answer, checks=CHECKS)

    ask()


def _can_be_wrong(operation: Any) -> bool:
    """Whether it takes anything."""
    places: Sequence[Any] = (operation.path_parameters, operation.query, operation.body)
    return any(len(list(place)) for place in places)
