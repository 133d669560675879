"""The service's pages as text: escaped, obeying the policy, in order, and right for each role."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from html import unescape
from html.parser import HTMLParser
from itertools import pairwise

import pytest

from buffet.rating.criteria import WORST_FIRST
from buffet.service.pages.assets import NAMES, address_of, asset
from buffet.service.pages.chart import Span, tick_text
from buffet.service.pages.frame import Role, coded, environment, size, when
from tests.buffet.board_campaign import documents
from tests.buffet.report_campaign import HOSTILE, HOSTILE_TITLE
from tests.buffet.service.pages.samples import (
    NASTY,
    NASTY_NUMBER,
    NOW,
    TOKEN,
    Documents,
    board,
    every_page,
)

UNSAFE = r"innerHTML|outerHTML|insertAdjacentHTML|eval\(|new Function|document\.write"
ENGINEER_POSTS = ("upload", "analyse", "cancel", "bin", "restore")


class Tags(HTMLParser):
    """Every element with its attributes, and what the inside of data blocks is."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.blocks: list[str] = []
        self._in_script = False
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Keep it."""
        self.found.append((tag, dict(attrs)))
        self._in_script = tag == "script"

    def handle_endtag(self, tag: str) -> None:
        """No longer inside."""
        self._in_script = False

    def handle_data(self, data: str) -> None:
        """Of scripts alone."""
        if self._in_script:
            self.blocks.append(data)

    def of(self, tag: str) -> list[dict[str, str | None]]:
        """Attributes of all elements of a kind."""
        return [attributes for name, attributes in self.found if name == tag]


@pytest.fixture(scope="module")
def docs() -> Documents:
    """Of the small campaign."""
    return Documents(**documents())


@pytest.fixture(scope="module")
def pages(docs: Documents) -> dict[str, str]:
    """As the owner sees them."""
    return every_page(docs)


@pytest.fixture(scope="module")
def parsed(pages: dict[str, str]) -> dict[str, Tags]:
    """The same, parsed."""
    return {address: Tags(html) for address, html in pages.items()}


def forms(html: str) -> Iterator[tuple[str, str]]:
    """Action and inside of each form that changes something."""
    for tag, inside in re.findall(r"(<form\b[^>]*>)(.*?)</form>", html, re.DOTALL):
        if 'method="post"' in tag:
            yield unescape(re.findall(r'action="([^"]*)"', tag)[0]), inside


def test_hostile_names_stay_text(pages: dict[str, str], parsed: dict[str, Tags]) -> None:
    """In no page do they become elements; in most they are seen."""
    for address, tags in parsed.items():
        assert not tags.of("b"), address
        assert not tags.of("i"), address
    for html in pages.values():
        text = re.sub(r"<script type=.application/json.>.*?</script>", "", html, flags=re.DOTALL)
        assert "alert(" not in text.replace("&lt;script&gt;alert(", "")
    assert HOSTILE in unescape(pages["/campaigns/3"])
    assert HOSTILE_TITLE in unescape(pages["/campaigns/3"])
    assert NASTY in unescape(pages["/problem"])


def test_pages_obey_the_policy(parsed: dict[str, Tags]) -> None:
    """No style or handler in an attribute, no script but ours, no address outside."""
    for address, tags in parsed.items():
        for name, attributes in tags.found:
            assert name not in ("style", "iframe", "object", "base", "embed"), address
            assert not [key for key in attributes if key == "style" or key.startswith("on")]
            for key in ("href", "src", "action", "formaction", "data-events"):
                target = attributes.get(key)
                assert target is None or (target[:1] in "/#?" and target[:2] != "//"), target
        for script in tags.of("script"):
            own = (script.get("src") or "").startswith("/static/")
            assert own or script == {"type": "application/json"} | _id(script), address


def _id(attributes: dict[str, str | None]) -> dict[str, str | None]:
    return {"id": attributes["id"]} if "id" in attributes else {}


def test_data_blocks_are_json_that_cannot_end_early(parsed: dict[str, Tags]) -> None:
    """Read as they stand in the page; names in them come out as they went in."""
    blocks = [json.loads(b) for tags in parsed.values() for b in tags.blocks if b.strip()]
    assert any(HOSTILE in json.dumps(block) for block in blocks)
    for tags in parsed.values():
        assert not [block for block in tags.blocks if "<" in block]


def test_headings_are_in_order(parsed: dict[str, Tags]) -> None:
    """One h1, and no level left out on the way down."""
    for address, tags in parsed.items():
        levels = [int(name[1]) for name, _ in tags.found if re.fullmatch(r"h\d", name)]
        assert levels.count(1) == 1, address
        assert levels[0] == 1, address
        assert all(after <= before + 1 for before, after in pairwise(levels)), address


def test_ids_are_unique_and_labels_lead_somewhere(parsed: dict[str, Tags]) -> None:
    """Every field has a label; what is referred to is there, once."""
    for address, tags in parsed.items():
        ids = [attributes["id"] for _, attributes in tags.found if "id" in attributes]
        assert len(ids) == len(set(ids)), address
        known = set(ids)
        for _, attributes in tags.found:
            for key in ("for", "aria-labelledby", "aria-describedby"):
                assert set((attributes.get(key) or "").split()) <= known, (address, attributes)
        labelled = {label.get("for") for label in tags.of("label")}
        fields = [*tags.of("input"), *tags.of("select"), *tags.of("textarea")]
        visible = [one for one in fields if one.get("type") != "hidden"]
        assert {one["id"] for one in visible} <= labelled, address


def test_every_form_that_changes_something_has_the_token(pages: dict[str, str]) -> None:
    """As a hidden field."""
    hidden = f'<input type="hidden" name="form_token" value="{TOKEN}">'
    found = [(action, inside) for html in pages.values() for action, inside in forms(html)]
    assert len({action for action, _ in found}) >= 12
    assert not [action for action, inside in found if hidden not in inside]


@pytest.mark.parametrize("role", [None, "reader", "engineer", "owner"])
def test_roles_see_the_forms_that_they_may_use(docs: Documents, role: Role | None) -> None:
    """Nobody sees what would be refused."""
    html = every_page(docs, role)
    html = {address: text for address, text in html.items() if address not in ("/access", "/login")}
    actions = [action for text in html.values() for action, _ in forms(text)]
    words = {action.rsplit("/", 1)[-1] for action in actions}

    assert bool(words & set(ENGINEER_POSTS)) == (role in ("engineer", "owner"))
    assert ("delete" in words) == (role == "owner")
    assert ('href="/access"' in html["/"]) == (role == "owner")
    assert ('href="/upload"' in html["/"]) == (role in ("engineer", "owner"))
    assert ("logout" in words) == (role is not None)


def test_owner_forms_stand_on_the_access_page(pages: dict[str, str]) -> None:
    """A token that still holds can be revoked, no other; the new one is shown."""
    actions = [action for action, _ in forms(pages["/access"])]
    assert [a for a in actions if "tokens" in a] == ["/access/tokens/1/revoke", "/access/tokens"]
    assert "new-secret" in pages["/access"]
    assert "revoked" in pages["/access"]
    assert "expired" in pages["/access"]


@pytest.mark.parametrize("speed_km_h", [None, 60, 145, 1000])
def test_board_groups_are_the_documents(docs: Documents, speed_km_h: float | None) -> None:
    """At the speed asked for, else the rated one; beyond the end the last, said so."""
    html = board(docs, "reader", speed_km_h)
    place = {None: 14, 60: 0, 145: 17, 1000: -1}[speed_km_h]
    shown = docs.board["speeds_m_s"][place] * 3.6
    groups = re.findall(r'data-verdict="(\w+)"(.*?)</section>', html, re.DOTALL)

    assert f"<span data-speed>{shown:.0f}</span> km/h" in html
    assert ("the nearest speed" in html) == (speed_km_h == 1000)
    assert [verdict for verdict, _ in groups] == list(WORST_FIRST)
    for verdict, inside in groups:
        own = [c for c in docs.board["configurations"] if c["at"][place]["verdict"] == verdict]
        cards = re.findall(r"<h4>(.*?)(?: <span.*?)?</h4>", inside)
        assert [unescape(name) for name in cards] == [one["name"] for one in own]
        assert inside[: inside.index(">")].endswith(" hidden") == (not own)
        for one in own:
            assert one["at"][place]["why"] in unescape(inside)


def test_cautions_stand_where_verdicts_do(docs: Documents, pages: dict[str, str]) -> None:
    """On board and comparison, every one."""
    for address in ("/campaigns/3", "/campaigns/3/compare"):
        for caution in docs.board["cautions"]:
            assert caution in unescape(pages[address])


def test_the_run_s_page_shows_every_channel_and_peak(
    docs: Documents, pages: dict[str, str]
) -> None:
    """Signals, spectra, the planted peak, and what was found."""
    html = pages["/campaigns/3/runs/2"]
    tags = Tags(html)
    specs = [json.loads(block) for block in tags.blocks if block.strip()]

    assert len(specs) == len(docs.spectra["channels"]) + len(docs.signals["channels"])
    (peak,) = (p for one in docs.spectra["channels"] for p in one["peaks"])
    marked = [spec["peaks"] for spec in specs if spec["peaks"]]
    assert marked[0][0][0] == peak["frequency_hz"]["value"]
    for finding in docs.spectra["findings"]:
        assert finding["message"] in unescape(html)
    assert quoted(NASTY_NUMBER) in pages["/campaigns/3"]


def quoted(number: str) -> str:
    """A run's address as a page must write it."""
    return "/campaigns/3/runs/" + str(environment().filters["urlencode"](number))


def test_without_scripts_a_job_asks_again(pages: dict[str, str]) -> None:
    """While it waits or runs, and not when it has ended."""
    again = '<noscript><meta http-equiv="refresh"'
    assert again in pages["/jobs/7"]
    assert again in pages["/jobs/8"]
    assert again not in pages["/jobs/9"]
    assert "2 jobs wait before it" in pages["/jobs/8"]


def test_the_api_s_page_names_every_operation(pages: dict[str, str]) -> None:
    """Parameters of the path, and an example made of the schema."""
    html = unescape(pages["/docs"])
    assert "Send <code>a</code> token, or <b>" in html
    assert '<span class="method">POST</span> <code>/api/check-sheet</code>' in html
    assert "path, required" in html
    assert '"sheet": "text"' in html
    assert '"kind": "wind-on"' in html


def test_static_files_are_named_by_their_content() -> None:
    """All that pages name are there; nothing else, however the path is written."""
    for name in NAMES:
        found = asset(name)
        assert found is not None
        assert address_of(name) == f"/static/{name}?{found.digest}"
    for name in ("../frame.py", "app.css/../app.css", "/etc/passwd", "", "APP.CSS"):
        assert asset(name) is None


def test_scripts_are_short_and_write_text_alone() -> None:
    """Our own: no markup made of data, no code made of text."""
    for name in NAMES:
        if name.endswith(".js") and not name.startswith("vendor/"):
            found = asset(name)
            assert found is not None
            text = found.content.decode()
            assert len(text.splitlines()) < 250
            assert not re.search(
                r"innerHTML|outerHTML|insertAdjacentHTML|eval\(|document\.write", text
            )


@pytest.mark.parametrize(
    ("span", "ticks"),
    [
        (Span(60, 220, False), [60, 80, 100, 120, 140, 160, 180, 200, 220]),
        (Span(0.11, 2.4, True), [0.2, 0.5, 1, 2]),
        (Span(3e-9, 2e-3, True), [1e-8, 1e-7, 1e-6, 1e-5, 1e-4, 1e-3]),
        (Span(-0.05, 0.04, False), [-0.04, -0.02, 0, 0.02, 0.04]),
    ],
)
def test_ticks_are_round_numbers(span: Span, ticks: list[float]) -> None:
    """1, 2 and 5 times powers of ten."""
    assert span.ticks() == pytest.approx(ticks)


@pytest.mark.parametrize(
    ("value", "text"), [(1e-7, "10⁻⁷"), (2e-4, "2·10⁻⁴"), (-0.04, "−0.04"), (0, "0"), (220, "220")]
)
def test_ticks_are_short(value: float, text: str) -> None:
    """Powers of ten where zeros would have to be counted."""
    assert tick_text(value) == text


def test_an_odd_backtick_is_one() -> None:
    """And all else is escaped."""
    assert coded("a`<b>") == "a`&lt;b&gt;"
    assert coded("`<b>` x") == "<code>&lt;b&gt;</code> x"


def test_times_and_sizes_are_told_plainly() -> None:
    """In UTC; in steps of a thousand."""
    assert when(NOW) == "2026-03-02 10:14 UTC"
    assert [size(n) for n in (0, 999, 1000, 999_999, 2 * 10**9)] == [
        "0 B", "999 B", "1 kB", "1 MB", "2 GB"
    ]  # fmt: skip
