"""How often one may ask, and that counting takes no memory."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from buffet.service.access.errors import TooManyRequestsError
from buffet.service.access.rate_limits import CAPACITY, Buckets, RateLimits, network_of
from buffet.service.settings import ServiceSettings


def test_a_bucket_is_emptied_and_filled_again() -> None:
    """Three at once, then one each two seconds, and never more than three saved up."""
    buckets = Buckets("requests", 3, 0.5)

    def taken(now: float, wanted: int) -> int:
        for done in range(wanted):
            try:
                buckets.take("a", now)
            except TooManyRequestsError:
                return done
        return wanted

    assert taken(100.0, 9) == 3
    assert taken(101.0, 9) == 0
    assert taken(102.0, 9) == 1
    assert taken(1000.0, 9) == 3
    assert taken(990.0, 9) == 0  # a clock that was put back gives nothing


@pytest.mark.parametrize(("per_second", "wait_s"), [(0.5, 2), (1 / 60, 60), (20.0, 1)])
def test_who_asks_too_often_is_told_how_long_to_wait(per_second: float, wait_s: int) -> None:
    """In whole seconds, rounded up; after that time it works."""
    buckets = Buckets("requests", 1, per_second)
    buckets.take("a", 0.0)
    with pytest.raises(TooManyRequestsError, match=f"try again in {wait_s} s") as caught:
        buckets.take("a", 0.0)
    buckets.take("b", 0.0)
    buckets.take("a", float(wait_s))

    assert caught.value.headers == {"Retry-After": str(wait_s)}
    assert caught.value.status == 429


def test_no_more_pass_than_the_bucket_and_the_time_let() -> None:
    """Whatever the times of asking: at most its size and what flowed in meanwhile."""
    draws = random.Random(5)
    size, per_second = 20, 3.0
    buckets = Buckets("requests", size, per_second)
    now, passed = 0.0, 0
    for _ in range(3000):
        now += draws.expovariate(10.0)
        try:
            buckets.take("a", now)
            passed += 1
        except TooManyRequestsError:
            pass
        assert passed <= size + per_second * now
    assert passed > 0.95 * (size + per_second * now)


def test_a_flood_of_addresses_takes_no_memory() -> None:
    """The longest unused are forgotten; who keeps asking is not."""
    buckets = Buckets("requests", 1, 1e-9, capacity=100)
    buckets.take("busy", 0.0)
    for i in range(10_000):
        buckets.take(f"address {i}", 0.0)
        if i % 50 == 0:
            with pytest.raises(TooManyRequestsError):
                buckets.take("busy", 0.0)
    assert len(buckets) == 100
    assert CAPACITY <= 100_000


def test_failed_sign_ins_are_much_dearer_than_requests() -> None:
    """A minute's requests at once, ten failures."""
    limits = RateLimits.of(ServiceSettings(Path(), requests_per_minute=600))
    assert (limits.requests.size, limits.requests.per_second) == (600, 10.0)
    assert limits.failures.size <= 10
    assert limits.failures.per_second <= 1 / 60


@pytest.mark.parametrize(
    ("address", "network"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),
        ("2001:db8:1:2:ffff::", "2001:db8:1:2::/64"),
        ("fe80::1%eth0", "fe80::/64"),
        ("local", "local"),
    ],
)
def test_addresses_of_one_network_are_counted_together(address: str, network: str) -> None:
    """Where each user is handed a whole network of them."""
    assert network_of(address) == network
