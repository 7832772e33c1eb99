"""Texts, numbers and dates of sheets and documents in the reader's language.

English stands in the code; other languages are message catalogues: those that come with the
program (``languages/LANGUAGE/LC_MESSAGES/stoneleft.mo``), and any ``languages/LANGUAGE.po`` in the
job's folder, which needs no compiling.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from datetime import date
from gettext import GNUTranslations, NullTranslations
from pathlib import Path

from babel import Locale, UnknownLocaleError
from babel.dates import format_date, format_skeleton
from babel.messages.mofile import write_mo
from babel.messages.pofile import PoFileError, read_po
from babel.numbers import format_decimal

from tracker.errors import InputError

SHIPPED = Path(__file__).parent / "languages"
DOMAIN = "stoneleft"
OWN_FOLDER = "languages"
SOURCE, DAY_FIRST = "en", "en_GB"
MINUS, PLUS_MINUS = "\u2212", "\u00b1"


@dataclass(frozen=True, slots=True)
class Words:
    """A language: its texts and how it writes numbers and days."""

    locale: Locale
    catalogue: NullTranslations

    def text(self, message: str, **values: object) -> str:
        """The message in this language; ``%(name)s`` in it stands for a value."""
        found = self.catalogue.gettext(message)
        return found % values if values else found

    def count(self, one: str, many: str, number: int, **values: object) -> str:
        """The message for one or for many, with ``%(number)s`` filled in."""
        return self.catalogue.ngettext(one, many, number) % {"number": number, **values}

    def number(self, value: float, places: int = 1) -> str:
        """A figure with so many decimals; a rounded nought has no minus."""
        rounded = round(float(value), places) + 0.0
        shape = "#,##0" + ("." + "0" * places if places else "")
        return str(format_decimal(rounded, shape, locale=self.locale)).replace("-", MINUS)

    def percent(self, share: float) -> str:
        """A share of one."""
        if 0.0 < share < 0.01:
            return self.text("under 1 %")
        return f"{self.number(100.0 * share, 0)} %"

    def uncertain(self, value: float, u95: float, places: int = 1) -> str:
        """A figure with its U95."""
        return f"{self.number(value, places)} {PLUS_MINUS} {self.number(u95, places)}"

    def day(self, day: date) -> str:
        """A day as people write it, the day before the month."""
        return str(format_date(day, "long", locale=self._days()))

    def short_day(self, day: date) -> str:
        """Day and month for a chart."""
        return str(format_skeleton("dMMM", day, locale=self._days()))

    def _days(self) -> Locale:
        return Locale.parse(DAY_FIRST) if self.locale == Locale(SOURCE) else self.locale


def words_for(language: str, own: Path | None = None) -> Words:
    """The texts of a language.

    Parameters
    ----------
    language : str
        For example en, de, pt_BR.
    own : Path, optional
        The job's folder, whose own catalogues go before those that come with the program.

    Raises
    ------
    InputError
        The language is unknown, or its catalogue cannot be read.
    """
    name = language.replace("-", "_")
    try:
        locale = Locale.parse(name)
    except (UnknownLocaleError, ValueError) as error:
        raise InputError(
            f"{language} is no language that is known.",
            f"Use one of: {', '.join(languages(own))}.",
        ) from error
    candidates = [name, locale.language]
    for candidate in candidates:
        path = None if own is None else own / OWN_FOLDER / f"{candidate}.po"
        if path is not None and path.is_file():
            return Words(locale, _from_source(path, locale))
    for candidate in candidates:
        path = SHIPPED / candidate / "LC_MESSAGES" / f"{DOMAIN}.mo"
        if path.is_file():
            with path.open("rb") as file:
                return Words(locale, GNUTranslations(file))
    if locale.language == SOURCE:
        return Words(locale, NullTranslations())
    raise InputError(
        f"There are no texts in the language {language}.",
        f"Use one of: {', '.join(languages(own))}, or put {OWN_FOLDER}/{name}.po into the job.",
    )


def languages(own: Path | None = None) -> tuple[str, ...]:
    """Languages that can be had."""
    found = {SOURCE} | {path.parent.parent.name for path in SHIPPED.glob("*/LC_MESSAGES/*.mo")}
    if own is not None:
        found |= {path.stem for path in (own / OWN_FOLDER).glob("*.po")}
    return tuple(sorted(found))


def _from_source(path: Path, locale: Locale) -> GNUTranslations:
    try:
        with path.open("rb") as file:
            catalogue = read_po(file, locale=locale, abort_invalid=True)
    except (PoFileError, OSError, ValueError) as error:
        raise InputError(
            f"The texts in {path.name} cannot be read ({error}).", "Correct that file."
        ) from error
    compiled = io.BytesIO()
    write_mo(compiled, catalogue)
    compiled.seek(0)
    return GNUTranslations(compiled)
