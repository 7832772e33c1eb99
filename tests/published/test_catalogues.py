"""Message catalogues: complete, compiled as they stand, with the values that the texts ask for.

GNU gettext's rules for python-format messages, as Babel checks them; compiled catalogues read by
Python's own gettext.
"""

from __future__ import annotations

import importlib.machinery
import importlib.util
import re
from datetime import date
from pathlib import Path
from types import ModuleType

import pytest
from babel.messages.catalog import Message
from babel.messages.pofile import read_po

from tracker.report.words import SHIPPED, words_for

ROOT = Path(__file__).resolve().parents[2]
SHIPPED_LANGUAGES = sorted(path.parents[1].name for path in SHIPPED.glob("*/LC_MESSAGES/*.po"))


@pytest.fixture(scope="module")
def tool() -> ModuleType:
    loader = importlib.machinery.SourceFileLoader("catalogues", str(ROOT / "scripts/catalogues"))
    spec = importlib.util.spec_from_loader("catalogues", loader)
    assert spec is not None
    module = importlib.util.module_from_spec(spec)
    loader.exec_module(module)
    return module


def messages(language: str) -> list[Message]:
    with (SHIPPED / language / "LC_MESSAGES" / "stoneleft.po").open("rb") as file:
        return [message for message in read_po(file, locale=language) if message.id]


def test_german_is_there() -> None:
    assert "de" in SHIPPED_LANGUAGES


def test_the_collected_texts_are_those_of_the_code(tool: ModuleType) -> None:
    assert tool.TEMPLATE.read_bytes() == tool.written(tool.collected())


@pytest.mark.parametrize("language", SHIPPED_LANGUAGES)
def test_every_text_is_translated_and_no_other(tool: ModuleType, language: str) -> None:
    found = {str(message.id): message for message in messages(language)}
    assert set(found) == {str(message.id) for message in tool.collected() if message.id}
    for message in found.values():
        texts = message.string if isinstance(message.string, tuple) else (message.string,)
        assert all(text.strip() for text in texts), message.id
        assert not message.fuzzy


@pytest.mark.parametrize("language", SHIPPED_LANGUAGES)
def test_compiled_catalogues_are_those_of_their_sources(tool: ModuleType, language: str) -> None:
    assert tool.source(language).with_suffix(".mo").read_bytes() == tool.compiled(language)


@pytest.mark.parametrize("language", SHIPPED_LANGUAGES)
def test_values_are_asked_for_by_the_same_names(language: str) -> None:
    value = re.compile(r"%\((\w+)\)([sd])")
    for message in messages(language):
        ids = message.id if isinstance(message.id, (tuple, list)) else (message.id,)
        texts = message.string if isinstance(message.string, (tuple, list)) else (message.string,)
        needed = set(value.findall(ids[-1]))
        assert set(value.findall(texts[-1])) == needed, message.id
        # "one place" may say its number as a word
        assert set(value.findall(texts[0])) <= needed, message.id


def test_numbers_and_days_as_each_language_writes_them() -> None:
    """CLDR: decimal comma and point between thousands in German; the minus is U+2212."""
    english, german = words_for("en"), words_for("de")
    assert english.number(-1234.56, 1) == "\u22121,234.6"
    assert german.number(-1234.56, 1) == "\u22121.234,6"
    assert english.number(-0.04, 1) == "0.0"
    assert german.uncertain(2.04, 0.31) == "2,0 ± 0,3"
    assert english.day(date(2026, 3, 9)) == "9 March 2026"
    assert german.day(date(2026, 3, 9)) == "9. März 2026"
    assert words_for("de_AT").text("over-cut") == german.text("over-cut")
    assert english.percent(0.004) == "under 1 %"
    assert english.percent(0.0) == "0 %"
