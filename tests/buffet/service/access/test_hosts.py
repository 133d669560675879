"""Names a service answers to, pages that may change something, and what a proxy is believed."""

from __future__ import annotations

from contextlib import nullcontext
from itertools import product
from pathlib import Path
from typing import Any

import pytest

from buffet.service.access.errors import ForbiddenError, WrongHostError, WrongOriginError
from buffet.service.access.hosts import hosts_of, require_host, require_origin
from buffet.service.access.peer import Head, peer_of
from buffet.service.settings import ServiceSettings

HERE = Path("service")
TLS = {"tls_certificate": Path("c"), "tls_key": Path("k")}
LOCAL = ServiceSettings(HERE)
OUTSIDE = ServiceSettings(HERE, host="0.0.0.0", port=443, names=("tunnel.example",), **TLS)  # type: ignore[arg-type]
BEHIND = ServiceSettings(HERE, names=("tunnel.example",), proxy="192.0.2.1")


@pytest.mark.parametrize(
    ("settings", "right", "wrong"),
    [
        (
            LOCAL,
            ["localhost:8000", "127.0.0.1:8000", "[::1]:8000", "LOCALHOST:8000"],
            ["localhost", "localhost:8001", "evil.example:8000", "127.0.0.1.evil.example:8000"],
        ),
        (
            ServiceSettings(HERE, port=80, names=("localhost:9000",)),
            ["localhost", "localhost:80", "127.0.0.1", "localhost:9000"],
            ["localhost:443", "evil.example", "localhost."],
        ),
        (
            OUTSIDE,
            ["tunnel.example", "tunnel.example:443", "Tunnel.Example"],
            ["localhost", "0.0.0.0", "192.0.2.5", "tunnel.example:80", "a.tunnel.example"],
        ),
        (
            ServiceSettings(HERE, host="192.0.2.5", port=8443, **TLS),  # type: ignore[arg-type]
            ["192.0.2.5:8443"],
            ["192.0.2.5", "localhost:8443", "192.0.2.6:8443"],
        ),
        (
            ServiceSettings(HERE, host="2001:db8::5", port=443, names=("[::1]",), **TLS),  # type: ignore[arg-type]
            ["[2001:db8::5]", "[2001:db8::5]:443", "[::1]"],
            ["2001:db8::5", "[2001:db8::6]"],
        ),
        (BEHIND, ["tunnel.example", "tunnel.example:443", "127.0.0.1:8000"], ["localhost:8000"]),
    ],
)
def test_hosts(settings: ServiceSettings, right: list[str], wrong: list[str]) -> None:
    """What somebody else can make point at this machine is none of ours."""
    hosts = hosts_of(settings)
    for host in right:
        assert require_host(hosts, host) == host.lower()
    for host in [*wrong, "", None, f"{right[0]}, {right[0]}", f"{right[0]}/", f"@{right[0]}"]:
        with pytest.raises(WrongHostError, match="does not answer to the name"):
            require_host(hosts, host)


METHODS = ("GET", "HEAD", "POST", "PUT", "DELETE", "PATCH", "MOVE")
SITES = (None, "same-origin", "none", "same-site", "cross-site")


@pytest.mark.parametrize("by_token", [False, True], ids=["cookie", "token"])
@pytest.mark.parametrize("whose", ["ours", "theirs", "null", "absent", "other scheme"])
@pytest.mark.parametrize(
    ("settings", "scheme", "other", "host"),
    [(LOCAL, "http", "https", "localhost:8000"), (OUTSIDE, "https", "http", "tunnel.example")],
    ids=["local", "TLS"],
)
def test_origins(
    settings: ServiceSettings, scheme: str, other: str, host: str, whose: str, *, by_token: bool
) -> None:
    """A change needs a page of ours, or a token that no browser adds by itself."""
    origin = {
        "ours": f"{scheme}://{host}",
        "theirs": f"{scheme}://evil.example",
        "null": "null",
        "absent": None,
        "other scheme": f"{other}://{host}",
    }[whose]
    for method, site in product(METHODS, SITES):
        said = by_token or site in ("same-origin", "none")
        changes = method not in ("GET", "HEAD")
        refused = changes and whose != "ours" and not (whose == "absent" and said)
        with pytest.raises(WrongOriginError) if refused else nullcontext():
            require_origin(hosts_of(settings), method, origin, site, by_token=by_token)


def seen(settings: ServiceSettings, client: str | None, **headers: str) -> Any:
    """Of a request with header fields."""
    fields = ((name.replace("_", "-").encode(), text.encode()) for name, text in headers.items())
    scope = {"client": (client, 5) if client else None, "scheme": "http"}
    return peer_of(scope, Head.of(fields), settings)


FORGED = {
    "X_Forwarded_For": "203.0.113.9",
    "X_Forwarded_Host": "evil.example",
    "X_Forwarded_Proto": "https",
}


def test_nobody_is_believed_without_a_proxy() -> None:
    """What is forwarded changes nothing, but that the request is no longer taken for local."""
    plain = seen(LOCAL, "127.0.0.1", Host="localhost:8000")
    forged = seen(LOCAL, "127.0.0.1", Host="localhost:8000", **FORGED)

    assert (plain.address, plain.host, plain.scheme) == ("127.0.0.1", "localhost:8000", "http")
    assert (forged.address, forged.host, forged.scheme) == ("127.0.0.1", "localhost:8000", "http")
    assert plain.is_direct
    assert not forged.is_direct
    assert not seen(LOCAL, "127.0.0.1", Host="localhost:8000", Forwarded="for=_a").is_direct


@pytest.mark.parametrize("client", ["192.0.2.1", "::ffff:192.0.2.1"])
def test_the_proxy_is_believed_what_it_added_itself(client: str) -> None:
    """The last of a list; what stands before it came from its client."""
    peer = seen(
        BEHIND,
        client,
        Host="127.0.0.1:8000",
        X_Forwarded_For="10.0.0.1, 203.0.113.9",
        X_Forwarded_Host="evil.example, tunnel.example",
    )
    assert (peer.address, peer.host, peer.scheme) == ("203.0.113.9", "tunnel.example", "https")
    assert seen(BEHIND, client, Host="tunnel.example").address == client


def test_nobody_comes_past_the_proxy() -> None:
    """Nor through it unencrypted."""
    for client in ("192.0.2.2", "127.0.0.1", None):
        with pytest.raises(ForbiddenError, match="through its proxy alone"):
            seen(BEHIND, client, Host="tunnel.example", **FORGED)
    with pytest.raises(ForbiddenError, match="by https alone"):
        seen(BEHIND, "192.0.2.1", Host="tunnel.example", X_Forwarded_Proto="http")


def test_a_field_that_comes_twice_is_none() -> None:
    """Of two Hosts nobody knows which one counts."""
    head = Head.of([(b"Host", b"localhost:8000"), (b"host", b"evil.example")])
    assert head.one("host") is None
    assert head.all("host") == ("localhost:8000", "evil.example")
