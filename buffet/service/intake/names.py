"""Names of files relative to a campaign folder: kept as people wrote them, or refused."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence

from buffet.service.intake.errors import BadNameError, TooLargeError
from buffet.service.intake.limits import UploadLimits

# Longest name of one file or folder in the file systems of Linux, in bytes.
_COMPONENT_BYTES = 255
# Control, format (bidirectional marks, joiners), surrogate, private and unassigned characters,
# and ends of lines and paragraphs: what a page does not show, or shows as something else.
_UNSEEN = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
# Device names of Windows, whatever the suffix; a file so called cannot be unpacked there.
_DEVICE = re.compile(
    r"(con|prn|aux|nul|conin\$|conout\$|(com|lpt)[0-9¹²³])\s*(\..*)?", re.IGNORECASE | re.DOTALL
)
_DRIVE = re.compile(r"[A-Za-z]:")
_CAMPAIGN_FILE, _RUNS = "campaign.toml", "runs"


def checked_name(text: str, limits: UploadLimits | None = None) -> str:
    """The name in Unicode's composed form (NFC), "/" between folders, safe below any folder.

    Blanks, umlauts, dashes, `$` and the signs of markup stay as they are: pages escape them.

    Raises BadNameError where it is absolute, climbs (".."), holds a backslash, a character that is
    not seen, an empty component, one that ends in a dot or blank, a device name of Windows, or is
    too long or too deep.
    """
    limits = limits or UploadLimits()
    name = unicodedata.normalize("NFC", text)
    if problem := _problem(name, limits):
        raise BadNameError(text, problem)
    return name


def unseen(text: str) -> str | None:
    """The first character that a page does not show, as its code point: "U+202E"."""
    found = next((one for one in text if unicodedata.category(one) in _UNSEEN), None)
    return None if found is None else f"U+{ord(found):04X}"


def _problem(name: str, limits: UploadLimits) -> str | None:
    if not name:
        return "is empty"
    if "\\" in name:
        return "holds a backslash; wanted '/' between folders"
    if (character := unseen(name)) is not None:
        return f"holds {character}, a character that is not shown"
    if name.startswith("/") or _DRIVE.match(name):
        return "is absolute; wanted one relative to the campaign folder"
    if len(name.encode()) > limits.name_bytes:
        return f"is longer than {limits.name_bytes} bytes"
    components = name.split("/")
    if len(components) > limits.depth:
        return f"has more than {limits.depth} levels of folders"
    return next(filter(None, map(_component_problem, components)), None)


def _component_problem(component: str) -> str | None:
    if component == "":
        return "has an empty component ('//', or '/' at its end)"
    if component in (".", ".."):
        return f"holds {component!r}; wanted one that stays inside the campaign folder"
    if component[-1] in ". ":
        return f"has a component that ends in {component[-1]!r}, which Windows takes away"
    if _DEVICE.fullmatch(component):
        return f"holds {component!r}, a device on Windows"
    if len(component.encode()) > _COMPONENT_BYTES:
        return f"has a component longer than {_COMPONENT_BYTES} bytes"
    return None


def checked_names(texts: Iterable[str], limits: UploadLimits | None = None) -> tuple[str, ...]:
    """Each name checked, in order, and all of them able to stand in one folder anywhere.

    Raises BadNameError where one cannot be kept (`checked_name`), stands there twice, differs from
    another by case or normal form alone, or is a file and a folder at once; TooLargeError where
    there are too many.
    """
    limits = limits or UploadLimits()
    names = tuple(checked_name(text, limits) for text in texts)
    if len(names) > limits.entries:
        raise TooLargeError(
            f"{len(names)} files; wanted {limits.entries} or fewer: send them in parts"
        )
    files: dict[str, str] = {}
    for name in names:
        if (first := files.get(_key(name))) is not None:
            raise _collision(name, first)
        files[_key(name)] = name
    folders: dict[str, str] = {}
    for name in names:
        for folder in _folders(name):
            first = folders.setdefault(_key(folder), folder)
            if first != folder:
                raise _collision(folder, first)
            if _key(folder) in files:
                raise BadNameError(folder, f"is a file and a folder at once (of {name!r})")
    return names


def _collision(name: str, first: str) -> BadNameError:
    if name == first:
        return BadNameError(name, "stands there twice", "send it once")
    return BadNameError(name, f"differs from {first!r} by upper and lower case alone")


def _key(name: str) -> str:
    """Alike for names that some file system takes for one."""
    folded = unicodedata.normalize("NFD", name).casefold()
    return unicodedata.normalize("NFD", folded)


def _folders(name: str) -> list[str]:
    parts = name.split("/")
    return ["/".join(parts[:end]) for end in range(1, len(parts))]


def without_top_folder(names: Sequence[str]) -> tuple[str, ...]:
    """Checked names without the one folder that all lie in, where this is the campaign's own.

    It is where what it holds looks like a campaign: campaign.toml or runs/. Recordings alone, all
    in recordings/, stay there.
    """
    tops = {name.split("/", 1)[0] for name in names}
    if len(tops) != 1 or any("/" not in name for name in names):
        return tuple(names)
    inner = tuple(name.split("/", 1)[1] for name in names)
    holds_campaign = any(name == _CAMPAIGN_FILE or name.startswith(f"{_RUNS}/") for name in inner)
    return inner if holds_campaign else tuple(names)


def name_beside(sheet: str, text: str, limits: UploadLimits | None = None) -> str:
    """The checked name of a file that a sheet names, relative to the sheet.

    Example: "../recordings/014.csv" in runs/014.toml is recordings/014.csv.

    Raises BadNameError where it leaves the campaign folder or cannot be kept.
    """
    if text.startswith("/"):
        raise BadNameError(text, "is absolute", "name it relative to its sheet")
    components = sheet.split("/")[:-1]
    for component in text.split("/"):
        if component == "..":
            if not components:
                raise BadNameError(text, "leaves the campaign folder", "keep it inside")
            components.pop()
        elif component != ".":
            components.append(component)
    return checked_name("/".join(components), limits)
