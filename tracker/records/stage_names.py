"""Names of stages: what every file system can hold, and when two of them are one."""

from __future__ import annotations

import unicodedata

from tracker.errors import InputError

LONGEST_NAME = 80
_FORBIDDEN = frozenset('/\\:*?"<>|')
_RESERVED = frozenset(
    {"con", "prn", "aux", "nul", *(f"{port}{k}" for port in ("com", "lpt") for k in range(1, 10))}
)


def check_stage_name(name: str) -> str:
    """The name, trimmed and in one spelling of its accents.

    Raises
    ------
    InputError
        Empty, too long, or with characters that not every file system can hold.
    """
    clean = unicodedata.normalize("NFC", name.strip())
    bad = sorted({c for c in clean if c in _FORBIDDEN or not c.isprintable()})
    if bad:
        shown = " ".join(c if c.isprintable() else repr(c) for c in bad)
        raise InputError(
            f"The stage name {clean!r} has characters that a folder cannot have: {shown}",
            "Use letters, digits, spaces, dots and dashes.",
        )
    reserved = clean.casefold().split(".")[0] in _RESERVED
    if not clean or clean[0] == "." or clean[-1] == "." or reserved:
        raise InputError(
            f"{clean!r} cannot be the name of a stage.",
            "Use letters, digits, spaces and dashes, and no dot at either end.",
        )
    if len(clean) > LONGEST_NAME or len(clean.encode()) > 2 * LONGEST_NAME:
        raise InputError(
            f"The stage name is {len(clean)} characters long.",
            f"Use {LONGEST_NAME} at the most.",
        )
    return clean


def same_stage_name(one: str, other: str) -> bool:
    """Whether two names are one, whatever their capitals and the spelling of their accents."""

    def plain(name: str) -> str:
        return unicodedata.normalize("NFC", name.strip()).casefold()

    return plain(one) == plain(other)
