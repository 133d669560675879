"""How often one may ask: token buckets in memory, a bounded number of them."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass
from ipaddress import IPv6Address, ip_address
from threading import Lock

from buffet.service.access.errors import TooManyRequestsError
from buffet.service.settings import ServiceSettings

CAPACITY = 10_000  # buckets; about 2 MB
# Ten sign-ins may fail at once, then one a minute: nobody types more.
FAILURES, FAILURES_PER_S = 10, 1 / 60
# Users of one IPv6 network are handed 2**64 addresses.
IPV6_NETWORK = 64


@dataclass
class _Bucket:
    left: float
    at: float


class Buckets:
    """One bucket a key: full at first, a unit a request, filled again over time."""

    def __init__(self, what: str, size: float, per_second: float, capacity: int = CAPACITY) -> None:
        self.what, self.size, self.per_second, self.capacity = what, size, per_second, capacity
        self._buckets: OrderedDict[str, _Bucket] = OrderedDict()  # the longest unused first
        self._lock = Lock()

    def __len__(self) -> int:
        return len(self._buckets)

    def take(self, key: str, now: float) -> None:
        """Take one unit.

        Raises
        ------
        TooManyRequestsError
            There is none left.
        """
        with self._lock:
            bucket = self._buckets.pop(key, None) or _Bucket(self.size, now)
            self._buckets[key] = bucket
            if len(self._buckets) > self.capacity:
                self._buckets.popitem(last=False)
            elapsed_s = max(0.0, now - bucket.at)
            bucket.left = min(self.size, bucket.left + elapsed_s * self.per_second)
            bucket.at = now
            if bucket.left < 1:
                raise TooManyRequestsError(self.what, (1 - bucket.left) / self.per_second)
            bucket.left -= 1


@dataclass(frozen=True)
class RateLimits:
    """Of a service."""

    requests: Buckets  # by user, or by address where nobody is known
    failures: Buckets  # sign-ins that failed, by address

    @classmethod
    def of(cls, settings: ServiceSettings) -> RateLimits:
        """A minute's requests may come at once."""
        per_minute = settings.requests_per_minute
        return cls(
            Buckets("requests", per_minute, per_minute / 60),
            Buckets("failed sign-ins", FAILURES, FAILURES_PER_S),
        )


def network_of(address: str) -> str:
    """What stands for an address in the counting: IPv6 addresses by their network."""
    try:
        parsed = ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if not isinstance(parsed, IPv6Address):
        return str(parsed)
    if parsed.ipv4_mapped:
        return str(parsed.ipv4_mapped)
    bits = 128 - IPV6_NETWORK
    return f"{IPv6Address(int(parsed) >> bits << bits)}/{IPV6_NETWORK}"
