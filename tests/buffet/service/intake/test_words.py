"""Words of sheets that a page, an address or the catalogue cannot take."""

from __future__ import annotations

import pytest

from buffet.service.intake.words import number_problem, run_table_problems, word_problem


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("a\0b", "U+0000"),
        ("a\r\nSet-Cookie: a=b", "U+000D"),
        ("gnilerips\u202e", "U+202E"),
        ("half a \ud800", "U+D800"),
        ("x" * 501, "501 characters"),
    ],
)
def test_what_is_not_shown_is_no_word(text: str, told: str) -> None:
    """The first character of it is named, or how long it is."""
    assert told in (word_problem(text) or "")


@pytest.mark.parametrize("text", ["Hatchback tailgates, 30 %", "Heckspoiler für Ω", "<b>&'\"", "½"])
def test_what_people_write_is_a_word(text: str) -> None:
    """Signs of markup, too: pages escape them."""
    assert word_problem(text) is None
    assert number_problem(text) is None


@pytest.mark.parametrize("text", ["12/3", "/", ".", "..", "1\n", "1\0", "1" * 101])
def test_what_cannot_stand_in_an_address_is_no_number(text: str) -> None:
    """An address of several parts, one that browsers shorten, or a line's end in a header."""
    assert number_problem(text) is not None


@pytest.mark.parametrize("table", [{}, {"run": 3}, {"run": {"number": 3}}, {"run": []}])
def test_what_is_no_run_table_has_no_words(table: dict[str, object]) -> None:
    """Its faults are told by others."""
    assert list(run_table_problems(table)) == []
