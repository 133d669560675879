"""A body streams to disk whole and as it was sent, or leaves nothing behind."""

from __future__ import annotations

import asyncio
import base64
import hashlib
import os
from pathlib import Path

import pytest

from buffet.service.intake.body import declared_length, receive, wanted_sha256
from buffet.service.intake.errors import (
    BadHeaderError,
    DigestMismatchError,
    IncompleteBodyError,
    NoSpaceError,
    TooLargeError,
)
from buffet.service.intake.limits import GIB, UploadLimits
from tests.buffet.service.intake.streams import cut_off, done, full_disk, left_in, pieces, split

BODY = os.urandom(3_000_000)
SHA256 = hashlib.sha256(BODY).hexdigest()
HEADER = f"sha-256=:{base64.b64encode(hashlib.sha256(BODY).digest()).decode()}:"
SMALL = UploadLimits(body_bytes=1000)


@pytest.mark.parametrize("n_bytes", [1000, 65_536, 1 << 20, 3_000_000])
def test_a_body_arrives_as_it_was_sent(tmp_path: Path, n_bytes: int) -> None:
    """Whatever its pieces, with its digest; no one else may read it."""
    stored = done(
        receive(pieces(*split(BODY, n_bytes)), tmp_path, declared=str(len(BODY)), digest=SHA256)
    )

    assert stored.path.read_bytes() == BODY
    assert (stored.size, stored.sha256) == (len(BODY), SHA256)
    assert left_in(tmp_path) == [stored.path.name]
    assert stored.path.stat().st_mode & 0o777 == 0o600


def test_a_body_is_on_the_disk_before_it_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its handle was synchronised after the last byte."""
    synced: list[int] = []
    real = os.fsync

    def fsync(handle: int) -> None:
        synced.append(os.fstat(handle).st_size)
        real(handle)

    monkeypatch.setattr("buffet.service.intake.disk.os.fsync", fsync)

    done(receive(pieces(BODY), tmp_path))

    assert synced == [len(BODY)]


def test_ten_gigabytes_declared_are_refused_before_the_first_byte(tmp_path: Path) -> None:
    """The stream is never asked."""

    async def asked() -> object:
        async def never() -> object:
            raise AssertionError("the body was read")
            yield b""

        limits = UploadLimits(body_bytes=5 * GIB)
        return await receive(never(), tmp_path, limits, declared=str(10 * GIB))  # type: ignore[arg-type]

    with pytest.raises(TooLargeError, match="declared as 10 GiB, longer than the 5 GiB") as caught:
        done(asked())

    assert (caught.value.status, caught.value.kind) == (413, "too-large")
    assert left_in(tmp_path) == []


def test_more_than_the_disk_has_is_refused_early(tmp_path: Path) -> None:
    """With what it has to spare."""
    limits = UploadLimits(body_bytes=10**17)

    with pytest.raises(NoSpaceError, match=r"are to come and the disk of .* to spare") as caught:
        done(receive(pieces(b"x"), tmp_path, limits, declared=str(10**16)))

    assert caught.value.status == 507
    assert left_in(tmp_path) == []


@pytest.mark.parametrize("declared", [None, "10"])
def test_a_body_is_counted_whatever_it_declares(tmp_path: Path, declared: str | None) -> None:
    """It ends at the first byte too many."""
    with pytest.raises(TooLargeError, match="is longer than the 1000 bytes"):
        done(receive(pieces(b"x" * 600, b"x" * 401), tmp_path, SMALL, declared=declared))

    assert left_in(tmp_path) == []


def test_a_lower_limit_may_be_asked_for(tmp_path: Path) -> None:
    """A sheet's, say; the limit itself is still taken."""
    assert done(receive(pieces(b"x" * 100), tmp_path, SMALL, limit=100)).size == 100
    with pytest.raises(TooLargeError, match="than the 100 bytes"):
        done(receive(pieces(b"x" * 101), tmp_path, SMALL, limit=100))


def test_another_digest_is_refused(tmp_path: Path) -> None:
    """The message holds both."""
    with pytest.raises(DigestMismatchError, match=f"SHA-256 is {SHA256}, its sender states 000"):
        done(receive(pieces(BODY), tmp_path, digest="0" * 64))

    assert left_in(tmp_path) == []


def test_a_content_digest_header_is_compared(tmp_path: Path) -> None:
    """RFC 9530's form, other algorithms beside it."""
    digest = f"sha-512=:AAAA:, {HEADER}"

    assert done(receive(pieces(BODY), tmp_path, digest=digest)).sha256 == SHA256
    with pytest.raises(DigestMismatchError):
        done(receive(pieces(BODY[1:]), tmp_path, digest=digest))


def test_the_example_of_rfc_9530_is_read() -> None:
    """Appendix B.1, from memory: the JSON text {"hello": "world"} and a line feed."""
    header = "sha-256=:RK/0qy18MlBSVnWgjwz6lZEWjP/lF5HF9bvEF8FabDg=:"

    assert wanted_sha256(header) == hashlib.sha256(b'{"hello": "world"}\n').hexdigest()


@pytest.mark.parametrize(
    "digest", ["", "abc", "g" * 64, "sha-256=abc", "sha-256=:abc:", "sha-256=:AAAA:", "=::"]
)
def test_a_digest_that_says_nothing_is_refused(tmp_path: Path, digest: str) -> None:
    """Before the body is read."""
    with pytest.raises(BadHeaderError, match="wanted 64 hex digits, or Content-Digest"):
        done(receive(pieces(BODY), tmp_path, digest=digest))

    assert left_in(tmp_path) == []


def test_a_digest_of_another_kind_alone_is_none() -> None:
    """RFC 9530, section 2: unknown algorithms are ignored."""
    assert wanted_sha256("sha-512=:AAAA:") is None
    assert wanted_sha256(None) is None


@pytest.mark.parametrize("declared", ["-1", "1e3", "", "0x10", "9" * 30, "1, 1"])
def test_a_length_that_is_none_is_refused(declared: str) -> None:
    """It is no number of bytes."""
    with pytest.raises(BadHeaderError, match="wanted a number of bytes"):
        declared_length(declared)


def test_a_client_that_leaves_leaves_nothing(tmp_path: Path) -> None:
    """Its own error goes on."""
    with pytest.raises(ConnectionError):
        done(receive(cut_off(BODY), tmp_path))

    assert left_in(tmp_path) == []


def test_a_body_that_ends_early_is_refused(tmp_path: Path) -> None:
    """Fewer bytes than declared."""
    with pytest.raises(IncompleteBodyError, match="5 bytes came of 10"):
        done(receive(pieces(b"12345"), tmp_path, declared="10"))

    assert left_in(tmp_path) == []


def test_a_cancelled_request_leaves_nothing(tmp_path: Path) -> None:
    """Between two pieces."""

    async def cancelled() -> None:
        async def slow() -> object:
            yield BODY
            await asyncio.sleep(60)

        task = asyncio.create_task(receive(slow(), tmp_path))  # type: ignore[arg-type]
        while not any(path.stat().st_size for path in tmp_path.iterdir()):
            await asyncio.sleep(0.001)
        task.cancel()
        await task

    with pytest.raises(asyncio.CancelledError):
        done(cancelled())

    assert left_in(tmp_path) == []


def test_a_full_disk_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As a problem of its own, with nothing left."""
    full_disk(monkeypatch, 2_000_000)

    with pytest.raises(NoSpaceError, match=r"the disk of .* is full.*make room") as caught:
        done(receive(pieces(*split(BODY, 65_536)), tmp_path))

    assert (caught.value.status, caught.value.kind) == (507, "no-space")
    assert left_in(tmp_path) == []


def test_other_trouble_with_the_disk_is_not_hidden(tmp_path: Path) -> None:
    """A folder that is not there is the service's own fault."""
    with pytest.raises(FileNotFoundError):
        done(receive(pieces(b"x"), tmp_path / "none"))


def test_an_empty_body_is_an_empty_file(tmp_path: Path) -> None:
    """Whoever wants content looks at its size."""
    stored = done(receive(pieces(), tmp_path, declared="0"))

    assert stored.size == 0
    assert stored.sha256 == hashlib.sha256(b"").hexdigest()
