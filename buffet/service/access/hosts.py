"""What a request may be asked of (Host) and from where a change may come (Origin).

A name of somebody else that is made to point at this machine (DNS rebinding) stands in Host, and a
page of somebody else that sends a form here stands in Origin: both are refused. There is no CORS.
"""

from __future__ import annotations

from dataclasses import dataclass
from ipaddress import IPv6Address, ip_address

from buffet.service.access.errors import WrongHostError, WrongOriginError
from buffet.service.settings import LOCAL_NAMES, ServiceSettings

DEFAULT_PORTS = {"http": 80, "https": 443}
SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
OWN_SITES = frozenset({"same-origin", "none"})  # "none": typed into the address bar


@dataclass(frozen=True)
class Hosts:
    """Names a service answers to."""

    scheme: str
    hosts: frozenset[str]  # as they stand in Host, in lower case

    @property
    def origins(self) -> frozenset[str]:
        """Of its own pages."""
        return frozenset(f"{self.scheme}://{host}" for host in self.hosts)


def hosts_of(settings: ServiceSettings) -> Hosts:
    """Names given and the address bound to, each with the port; a given name may have its own.

    A proxy has a port that is not known here: names stand for its scheme's own unless they say.
    """
    scheme = "https" if settings.is_encrypted else "http"
    own = LOCAL_NAMES if settings.is_loopback else ()
    bound = () if is_wildcard(settings.host) else (settings.host,)
    outside = DEFAULT_PORTS[scheme] if settings.proxy else settings.port
    found = {
        written
        for names, port in ((settings.names, outside), ((*own, *bound), settings.port))
        for name in names
        for written in _written(name, port, scheme)
    }
    return Hosts(scheme, frozenset(found))


def is_wildcard(host: str) -> bool:
    """Whether an address stands for all of the machine's."""
    try:
        return ip_address(host).is_unspecified
    except ValueError:
        return host == ""


def _written(name: str, port: int, scheme: str) -> tuple[str, ...]:
    """How browsers write a name: without the port where it is the scheme's own."""
    name = name.lower()
    try:
        is_ipv6 = isinstance(ip_address(name), IPv6Address)
    except ValueError:
        is_ipv6 = False
    if is_ipv6:
        name = f"[{name}]"
    elif ":" in name and not name.endswith("]"):  # has a port of its own
        return (name,)
    return (f"{name}:{port}", *((name,) if port == DEFAULT_PORTS[scheme] else ()))


def require_host(hosts: Hosts, given: str | None) -> str:
    """The Host of a request, where it is ours.

    Raises
    ------
    WrongHostError
        It is not, or there is none or more than one.
    """
    host = (given or "").lower()
    if host not in hosts.hosts:
        raise WrongHostError(
            f"this service does not answer to the name {host[:200]!r}: it is reached as "
            f"{', '.join(sorted(hosts.hosts))}; `buffet serve --name` adds others"
        )
    return host


def require_origin(
    hosts: Hosts, method: str, origin: str | None, site: str | None, *, by_token: bool
) -> None:
    """Nothing, where a request changes nothing, or comes from a page of ours or by a token.

    A browser adds cookies, and reaches this machine, for pages of others too: without a token of
    its own in the request (`by_token`), Origin or Sec-Fetch-Site (`site`) must say it was ours.

    Raises
    ------
    WrongOriginError
        It was not, or nothing says so.
    """
    if method in SAFE_METHODS:
        return
    if origin is not None:
        if origin.lower() not in hosts.origins:
            raise WrongOriginError(
                f"a page of {origin[:200]!r} may change nothing here; wanted "
                f"{', '.join(sorted(hosts.origins))}"
            )
    elif not by_token and site not in OWN_SITES:
        raise WrongOriginError(
            "nothing says which page this change comes from: send a token as `Authorization: "
            f"Bearer …`, or `Origin: {min(hosts.origins, default='')}`"
        )
