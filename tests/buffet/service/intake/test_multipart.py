"""Forms stream to disk part by part, as Python's own parser of messages reads them."""

from __future__ import annotations

import email
import email.policy
import hashlib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from buffet.service.intake.errors import (
    BadFormError,
    IncompleteBodyError,
    IntakeError,
    NoSpaceError,
    TooLargeError,
    UnsupportedTypeError,
)
from buffet.service.intake.limits import UploadLimits
from buffet.service.intake.multipart import FilePart, TextPart, discard, receive_form
from tests.buffet.service.intake.streams import cut_off, done, full_disk, left_in, pieces, split

TYPE = "multipart/form-data; boundary=limit"
SMALL = UploadLimits(body_bytes=100_000, sheet_bytes=50, parts=3, field_bytes=20, header_bytes=200)


def part(headers: str, content: bytes, boundary: str = "limit") -> bytes:
    """One part with these headers."""
    return f"--{boundary}\r\n{headers}\r\n\r\n".encode() + content + b"\r\n"


def field(name: str, content: bytes, boundary: str = "limit") -> bytes:
    """A text field."""
    return part(f'Content-Disposition: form-data; name="{name}"', content, boundary)


def file(name: str, file_name: str, content: bytes, boundary: str = "limit") -> bytes:
    """A file."""
    disposition = f'Content-Disposition: form-data; name="{name}"; filename="{file_name}"'
    return part(f"{disposition}\r\nContent-Type: text/csv", content, boundary)


def form(*parts: bytes, boundary: str = "limit") -> bytes:
    """A whole body."""
    return b"".join(parts) + f"--{boundary}--\r\n".encode()


def received(folder: Path, body: bytes, n_bytes: int = 1 << 16, **more: Any) -> tuple[Any, ...]:
    """The parts of a body that comes in pieces."""
    content_type = more.pop("content_type", TYPE)
    parts = done(receive_form(pieces(*split(body, n_bytes)), content_type, folder, **more))
    return tuple(parts)


@pytest.mark.parametrize("n_bytes", [1, 7, 1000])
def test_fields_and_files_come_in_their_order(tmp_path: Path, n_bytes: int) -> None:
    """Text in memory, files on disk with size and digest, names as they were sent."""
    content = b"t;lift\r\n1;2\r\n--limi\r\n" * 50
    body = form(
        field("title", "Heck – größer".encode()),
        file("files", "Prüfung/../<b>.csv", content),
        file("files", "", b""),
        file("files", "leer.csv", b""),
    )

    title, one, empty = received(tmp_path, body, n_bytes)

    assert title == TextPart("title", "Heck – größer")
    assert isinstance(one, FilePart)
    assert (one.field, one.file_name) == ("files", "Prüfung/../<b>.csv")
    assert one.stored.path.read_bytes() == content
    assert one.stored.sha256 == hashlib.sha256(content).hexdigest()
    assert (empty.file_name, empty.stored.size) == ("leer.csv", 0)
    assert left_in(tmp_path) == sorted([one.stored.path.name, empty.stored.path.name])
    discard((title, one, empty))
    assert left_in(tmp_path) == []


NAMES = st.text(
    st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"], exclude_characters='"\\%'),
    min_size=1,
    max_size=12,
)
CONTENT = st.binary(max_size=60) | st.text("\r\n-limt", max_size=30).map(str.encode)


FILES = st.tuples(st.just("file"), NAMES, CONTENT)
TEXTS = st.tuples(st.just("text"), NAMES, st.text("\r\n-limtäß ", max_size=30).map(str.encode))


def encoded(kind: str, name: str, content: bytes, boundary: str) -> bytes:
    """A part of either kind."""
    if kind == "file":
        return file("f", name, content, boundary)
    headers = f'Content-Disposition: form-data; name="x"\r\nContent-Type: application/x; n="{name}"'
    return part(headers, content, boundary)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(FILES | TEXTS, min_size=1, max_size=4), st.integers(1, 50))
def test_any_form_reads_as_pythons_own_parser_reads_it(
    tmp_path: Path, sent: list[tuple[str, str, bytes]], n_bytes: int
) -> None:
    """However it is cut into pieces; a boundary that no content holds."""
    boundary = "0123456789limit"
    content_type = f"multipart/form-data; boundary={boundary}"
    body = form(*[encoded(*one, boundary) for one in sent], boundary=boundary)
    head = f"Content-Type: {content_type}\r\n\r\n".encode()
    message = email.message_from_bytes(head + body, policy=email.policy.HTTP)

    parts = received(tmp_path, body, n_bytes, content_type=content_type)

    found = [
        one.stored.path.read_bytes() if isinstance(one, FilePart) else one.text.encode()
        for one in parts
    ]
    assert found == [one.get_payload(decode=True) for one in message.iter_parts()]
    assert found == [content for _, _, content in sent]
    names = [one.file_name for one in parts if isinstance(one, FilePart)]
    assert names == [name for kind, name, _ in sent if kind == "file"]
    discard(parts)


DISPOSITION = 'Content-Disposition: form-data; name="a"'
BAD = [
    (b"", BadFormError, "ends before its last boundary; it was cut short"),
    (form(field("a", b"1"))[:-10], BadFormError, "cut short"),
    (file("a", "b", b"1"), BadFormError, "cut short"),
    (b"nonsense", BadFormError, "part 0 of the form is damaged"),
    (form(part("nonsense", b"")), BadFormError, "part 1 of the form is damaged"),
    (form(part("X-Other: 1", b"")), BadFormError, "has 0 headers Content-Disposition"),
    (form(part(f"{DISPOSITION}\r\n{DISPOSITION}", b"")), BadFormError, "has 2 headers"),
    (form(part("Content-Disposition: attachment; name=a", b"")), BadFormError, "no form-data"),
    (form(part("Content-Disposition: form-data", b"")), BadFormError, "has no field name"),
    (form(field("a", b"\xff")), BadFormError, "text in 'a' that is not UTF-8"),
    (
        form(part(f"{DISPOSITION}; filename*=utf-8''x.csv", b"")),
        BadFormError,
        r"has filename\* alone, which forms may not use; send filename in UTF-8",
    ),
    (
        form(part(f"{DISPOSITION}\r\nContent-Transfer-Encoding: base64", b"")),
        BadFormError,
        "is encoded as 'base64'; send it as it is",
    ),
    (form(*[field("a", b"")] * 4), TooLargeError, "has more than 3 parts; pack the files into one"),
    (form(field("a", b"x" * 21)), TooLargeError, "text fields hold more than 20 bytes"),
    (form(field("a", b"x" * 11), field("b", b"x" * 11)), TooLargeError, "text fields hold more"),
    (form(field("a" * 300, b"")), TooLargeError, "part 1 of the form has more than 8 headers"),
    (form(part("A: 1\r\n" * 9 + DISPOSITION, b"")), TooLargeError, "more than 8 headers"),
    (
        form(file("a", "x.toml", b"x" * 51)),
        TooLargeError,
        "the file 'x.toml' is longer than the 50 bytes",
    ),
    (form(file("a", "x.csv", b"x" * 100_000)), TooLargeError, "the body is longer"),
]


@pytest.mark.parametrize("n_bytes", [1 << 16, 3])
@pytest.mark.parametrize(("body", "error", "problem"), BAD, ids=[case[2][:30] for case in BAD])
def test_a_bad_form_is_refused_and_leaves_nothing(
    tmp_path: Path, body: bytes, error: type[IntakeError], problem: str, n_bytes: int
) -> None:
    """A file that came before it is removed, too."""
    if body.startswith(b"--limit") and len(body) < 1000 and error is BadFormError:
        body = file("first", "first.csv", b"1,2") + body
        problem = problem.replace("part 1", "part 2")

    with pytest.raises(error, match=problem):
        received(tmp_path, body, n_bytes, limits=SMALL)

    assert left_in(tmp_path) == []


@pytest.mark.parametrize(
    ("content_type", "error", "problem"),
    [
        (None, UnsupportedTypeError, "Content-Type is none; wanted multipart/form-data"),
        ("application/json", UnsupportedTypeError, "is 'application/json'"),
        ("multipart/mixed; boundary=a", UnsupportedTypeError, "wanted multipart/form-data"),
        ("multipart/form-data", BadFormError, "has no boundary of 1 to 70 characters"),
        ("multipart/form-data; boundary=", BadFormError, "no boundary"),
        (f"multipart/form-data; boundary={'a' * 71}", BadFormError, "no boundary"),
        ("multipart/form-data; boundary=\u20ac", UnsupportedTypeError, "wanted multipart"),
    ],
)
def test_a_body_of_another_kind_is_refused(
    tmp_path: Path, content_type: str | None, error: type[IntakeError], problem: str
) -> None:
    """Before it is read."""
    with pytest.raises(error, match=problem):
        received(tmp_path, form(field("a", b"1")), content_type=content_type)


def test_a_broken_connection_leaves_nothing(tmp_path: Path) -> None:
    """In the middle of a file."""
    body = file("a", "b.csv", b"x" * 2_000_000)

    with pytest.raises(ConnectionError):
        done(receive_form(cut_off(body), TYPE, tmp_path))
    with pytest.raises(IncompleteBodyError, match=r"came of 10000000 that were declared"):
        received(tmp_path, body, declared="10000000")

    assert left_in(tmp_path) == []


def test_a_full_disk_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With the files before it removed."""
    full_disk(monkeypatch, 1_000_000)
    body = form(file("a", "b.csv", b"x" * 900_000), file("a", "c.csv", b"x" * 900_000))

    with pytest.raises(NoSpaceError, match="is full"):
        received(tmp_path, body)

    assert left_in(tmp_path) == []
