"""The document's text: a template that the carver can edit, rendered and cut into blocks.

A line that begins with # or ## is a heading, one with - an item of a list; [[chart]] and the like
alone on a line stand for what the program draws; everything else is a paragraph, ended by an empty
line. The result is plain text: whatever a name holds is shown as it is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

from jinja2 import StrictUndefined, TemplateSyntaxError
from jinja2.sandbox import SandboxedEnvironment

from tracker.errors import InputError
from tracker.report.words import Words

OWN_TEXT = "document.jinja"
FIGURES = ("photographs", "stages", "chart", "states", "sides", "spots", "notes")


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading; level 1 is the title."""

    level: int
    text: str


@dataclass(frozen=True, slots=True)
class Paragraph:
    """A paragraph."""

    text: str


@dataclass(frozen=True, slots=True)
class Bullets:
    """A list."""

    items: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Drawn:
    """A place for something that is drawn, one of FIGURES."""

    name: str


Block = Heading | Paragraph | Bullets | Drawn


def shipped_text() -> str:
    """The template that comes with the program."""
    return (files("tracker.report") / "templates" / OWN_TEXT).read_text(encoding="utf-8")


def text_of(job_folder: Path) -> tuple[str, str]:
    """The template in force and its name: the job's own, else the one that comes with the program.

    Raises
    ------
    InputError
        The job's own cannot be read.
    """
    own = job_folder / OWN_TEXT
    if not own.is_file():
        return shipped_text(), OWN_TEXT
    try:
        return own.read_text(encoding="utf-8-sig"), OWN_TEXT
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{own} cannot be read as UTF-8 text.", "Save it as UTF-8.") from error


def blocks_of(template: str, source: str, values: Mapping[str, Any], words: Words) -> list[Block]:
    """The text as blocks.

    Raises
    ------
    InputError
        A fault in the template, named with its line.
    """
    world = SandboxedEnvironment(
        extensions=["jinja2.ext.i18n"],
        undefined=StrictUndefined,
        finalize=lambda value: " ".join(value.split()) if isinstance(value, str) else value,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    world.install_gettext_callables(  # type: ignore[attr-defined]
        words.catalogue.gettext, words.catalogue.ngettext, newstyle=True
    )
    try:
        text = world.from_string(template).render(values)
    except TemplateSyntaxError as error:
        raise InputError(
            f"{source}, line {error.lineno}: {error.message}.", "Correct the template there."
        ) from error
    except Exception as error:  # whatever a template's own sum or call may raise
        raise InputError(
            f"{source} asks for something that is not there: {error}.",
            "Correct the template, or take the program's own anew: stoneleft report --own-text",
        ) from error
    return _cut(text, source)


def _cut(text: str, source: str) -> list[Block]:
    blocks: list[Block] = []
    for part in _parts(text):
        first = part[0]
        if first.startswith(("# ", "## ")):
            marks, _, title = first.partition(" ")
            blocks.append(Heading(len(marks), title.strip()))
        elif first.startswith("[[") and first.endswith("]]"):
            blocks.append(_drawn(first[2:-2].strip(), source))
        elif first.startswith("- "):
            items = "\n".join(part).removeprefix("- ").split("\n- ")
            blocks.append(Bullets(tuple(" ".join(item.split()) for item in items)))
        else:
            blocks.append(Paragraph(" ".join(part)))
    return blocks


def _parts(text: str) -> list[list[str]]:
    """Lines that belong together."""
    parts: list[list[str]] = [[]]
    for line in (raw.strip() for raw in text.splitlines()):
        drawn = line.startswith("[[") and line.endswith("]]")
        alone = drawn or line.startswith(("# ", "## "))
        begins_list = line.startswith("- ") and not (parts[-1] and parts[-1][0].startswith("- "))
        if not line or alone or begins_list:
            parts.append([])
        if line:
            parts[-1].append(line)
        if alone:
            parts.append([])
    return [part for part in parts if part]


def _drawn(name: str, source: str) -> Drawn:
    if name not in FIGURES:
        raise InputError(
            f"{source}: [[{name}]] is nothing that can be drawn.",
            f"Use one of: {', '.join(f'[[{known}]]' for known in FIGURES)}.",
        )
    return Drawn(name)
