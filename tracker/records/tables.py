"""CSV tables, read strictly: a number is either understood for certain or refused.

Written with comma, dot, UTF-8, header line and LF. Read as well: semicolon or tab as separator,
decimal commas where they cannot be thousands, a byte order mark, UTF-16 with its mark, CR LF.
"""

from __future__ import annotations

import csv
import errno
import io
import os
import re
import tempfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from tracker.errors import JobError, TableError

SAVE_AS = (
    "Save the table as CSV in UTF-8, with commas between columns and dots in numbers "
    "(in a spreadsheet: save as, CSV UTF-8)."
)
_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?", re.ASCII)
_WHOLE = re.compile(r"\d{1,9}", re.ASCII)
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}", re.ASCII)
_NOT_A_FIGURE = frozenset({"nan", "inf", "infinity", "-inf", "+inf", "-nan", "-infinity"})


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a table: its number in the file and its fields by column."""

    line: int
    fields: dict[str, str]


@dataclass(frozen=True, slots=True)
class Table:
    """A table as text, with what is needed to name a fault.

    Attributes
    ----------
    source : str
        File name, for messages.
    columns : tuple of str
    rows : tuple of Row
        At least one.
    decimal_comma : bool
        Whether commas within numbers are decimal commas; only then are they read.
    """

    source: str
    columns: tuple[str, ...]
    rows: tuple[Row, ...]
    decimal_comma: bool

    def number(self, row: Row, column: str) -> float:
        """Figure in a field.

        Raises
        ------
        TableError
            Empty, text, not finite, or a comma that may mean two things.
        """
        text = row.fields[column]
        if not _NUMBER.fullmatch(text):
            raise self.fault(row, f"{column} is {_shown(text)}, not a number")
        value = float(text.replace(",", ".") if self.decimal_comma else text)
        if abs(value) == float("inf"):
            raise self.fault(row, f"{column} is {text}, too large to be a number of millimetres")
        return value

    def number_or(self, row: Row, column: str, default: float) -> float:
        """Figure in a field, or the default where the column or the field is empty."""
        return self.number(row, column) if row.fields.get(column) else default

    def whole(self, row: Row, column: str) -> int:
        """Whole number, zero or more, in a field.

        Raises
        ------
        TableError
            Anything else.
        """
        text = row.fields[column]
        if not _WHOLE.fullmatch(text):
            raise self.fault(row, f"{column} is {_shown(text)}, not a whole number")
        return int(text)

    def text(self, row: Row, column: str) -> str:
        """Text of a field.

        Raises
        ------
        TableError
            Empty, or with characters that cannot be printed.
        """
        text = row.fields[column]
        if not text:
            raise self.fault(row, f"{column} is empty")
        if not text.isprintable():
            raise self.fault(row, f"{column} has characters that cannot be printed")
        return text

    def fault(self, row: Row, found: str, remedy: str = "Correct that line.") -> TableError:
        """Error that names the line."""
        return TableError(f"{self.source}, line {row.line}: {found}.", remedy)


def read_table(path: Path, needed: Sequence[str], numbers: Sequence[str]) -> Table:
    """Table with the needed columns.

    Parameters
    ----------
    path : Path
    needed : columns that must be there
    numbers : columns that hold figures (needed or not); they settle what a comma means

    Raises
    ------
    TableError
        Not a text table, columns missing or repeated, lines of another length, no line at all,
        or figures whose commas could be read in two ways.
    """
    text = _read_text(path)
    separator = _separator(path.name, text, needed)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    try:
        lines = [(reader.line_num, [field.strip() for field in line]) for line in reader]
    except csv.Error as error:
        raise TableError(f"{path.name} is not a clean CSV table ({error}).", SAVE_AS) from error
    lines = [(number, fields) for number, fields in lines if any(fields)]
    columns = tuple(_column(field) for field in lines[0][1])
    _check_columns(path.name, columns, needed)
    rows = tuple(_row(path.name, separator, columns, *line) for line in lines[1:])
    if not rows:
        raise TableError(
            f"{path.name} has a header but no line below it.", "Add a line for each entry."
        )
    figures = [row.fields[c] for row in rows for c in numbers if row.fields.get(c)]
    _check_finite(path.name, rows, numbers)
    return Table(path.name, columns, rows, _decimal_comma(path.name, figures))


def write_table(
    path: Path, columns: Sequence[str], rows: Iterable[Sequence[str | int | float]]
) -> None:
    """Writes a table as one, so that a reader sees the old one or the new one, whole.

    Raises
    ------
    JobError
        The folder cannot be written to, or the disk is full.
    """
    write_whole(path, table_text(columns, rows).encode("utf-8"))


def table_text(columns: Sequence[str], rows: Iterable[Sequence[str | int | float]]) -> str:
    """Text of a table: comma, dot, header, LF."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(rows)
    return out.getvalue()


def write_whole(path: Path, data: bytes) -> None:
    """Writes a file to a temporary name, flushes it to the disk and renames it into place.

    Raises
    ------
    JobError
        The folder cannot be written to, or the disk is full.
    """
    temporary: Path | None = None
    try:
        with tempfile.NamedTemporaryFile(
            dir=path.parent, prefix=f".{path.name}-", delete=False
        ) as out:
            temporary = Path(out.name)
            out.write(data)
            out.flush()
            os.fsync(out.fileno())
        temporary.chmod(0o644)
        temporary.replace(path)
    except OSError as error:
        raise write_failure(error, path.parent) from error
    finally:
        if temporary is not None:
            temporary.unlink(missing_ok=True)


def refuse_existing(path: Path) -> None:
    """Refuses to write over a file.

    Raises
    ------
    JobError
        There is one.
    """
    if path.exists():
        raise JobError(f"{path} is there already.", "Name a file that is not.")


def write_failure(error: OSError, folder: Path) -> JobError:
    """Sentence for a write that failed; nothing that stood there before is touched."""
    if error.errno in {errno.ENOSPC, errno.EDQUOT}:
        return JobError(
            f"The disk that holds {folder} is full; nothing was changed.",
            "Free some space and run the command again.",
        )
    if error.errno in {errno.EACCES, errno.EPERM, errno.EROFS}:
        return JobError(
            f"The folder {folder} cannot be written to; nothing was changed.",
            "Give yourself the right to write there, or copy the job to another place.",
        )
    return JobError(
        f"Writing to {folder} failed ({error.strerror or error}); nothing was changed.",
        "Check the disk and run the command again.",
    )


def fixed(value: float, decimals: int) -> str:
    """Figure with fixed decimals, without a minus before zero."""
    text = f"{value:.{decimals}f}"
    return text[1:] if text.startswith("-") and not text.strip("-0.") else text


def millimetres(value: float) -> str:
    """Millimetres to the micrometre."""
    return fixed(value, 3)


def _read_text(path: Path) -> str:
    try:
        data = path.read_bytes()
    except OSError as error:
        raise TableError(
            f"The table {path} cannot be opened ({error.strerror}).", "Check its name and place."
        ) from error
    if data[:2] == b"PK" or data[:4] == b"\xd0\xcf\x11\xe0":
        raise TableError(f"{path.name} is a spreadsheet file, not a CSV table.", SAVE_AS)
    encoding = "utf-16" if data[:2] in {b"\xff\xfe", b"\xfe\xff"} else "utf-8-sig"
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        raise TableError(f"{path.name} is not written in UTF-8.", SAVE_AS) from error
    if "\x00" in text:
        raise TableError(f"{path.name} is not a text file.", SAVE_AS)
    if not text.strip():
        raise TableError(f"{path.name} is empty.", "It needs a header line and a line per entry.")
    return text


def _separator(source: str, text: str, needed: Sequence[str]) -> str:
    header = next(line for line in text.splitlines() if line.strip(' \t,;"'))
    for separator in (",", ";", "\t"):
        if separator in header:
            found = [_column(name.strip().strip('"')) for name in header.split(separator)]
            if any(name in found for name in needed):
                return separator
    raise TableError(
        f"{source} has no header line with the columns {', '.join(needed)}.",
        f"Its first line must be: {','.join(needed)}",
    )


def _column(name: str) -> str:
    return name.strip().lower()


def _check_columns(source: str, columns: tuple[str, ...], needed: Sequence[str]) -> None:
    missing = [name for name in needed if name not in columns]
    if missing:
        noun = "column" if len(missing) == 1 else "columns"
        raise TableError(
            f"{source} lacks the {noun} {', '.join(missing)}.",
            f"Its first line must name: {', '.join(needed)}.",
        )
    repeated = sorted({name for name in columns if name and columns.count(name) > 1})
    if repeated:
        raise TableError(
            f"{source} names the column {', '.join(repeated)} twice.", "Leave one of them."
        )
    for name in columns:
        stem = name.removesuffix("_mm")
        if stem in {"u95", "sigma", "u", "uncertainty"} and name != "u95_mm":
            raise TableError(
                f"{source} has a column {name}, which may mean more than one thing.",
                "Call it u95_mm and give expanded uncertainties (coverage factor 2) in mm.",
            )


def _row(
    source: str, separator: str, columns: tuple[str, ...], line: int, fields: list[str]
) -> Row:
    spare = fields[len(columns) :]
    if len(fields) < len(columns) or any(spare):
        noun = "field" if len(fields) == 1 else "fields"
        remedy = "Give each line one field per column."
        if separator == "," and len(fields) > len(columns):
            remedy = (
                "If the numbers have decimal commas, write them with dots, "
                "or put semicolons between the columns."
            )
        raise TableError(
            f"{source}, line {line}: {len(fields)} {noun} where the header names {len(columns)}.",
            remedy,
        )
    return Row(line, dict(zip(columns, fields, strict=False)))


def _check_finite(source: str, rows: Sequence[Row], numbers: Sequence[str]) -> None:
    for row in rows:
        for column in numbers:
            if row.fields.get(column, "").lower() in _NOT_A_FIGURE:
                raise TableError(
                    f"{source}, line {row.line}: {column} is {row.fields[column]}, "
                    "which is no measured figure.",
                    "Give the figure, or leave the line out.",
                )


def _decimal_comma(source: str, figures: Sequence[str]) -> bool:
    """Whether commas are decimal commas, refused when they could be thousands."""
    with_comma = [text for text in figures if "," in text]
    if not with_comma:
        return False
    if any("." in text for text in figures):
        dotted = next(text for text in figures if "." in text)
        raise TableError(
            f"{source} mixes dots and commas in its numbers ({dotted} and {with_comma[0]}).",
            "Write all numbers with decimal dots and without thousands separators.",
        )
    if all(_THOUSANDS.fullmatch(text) for text in with_comma):
        raise TableError(
            f"{source}: {with_comma[0]} may be read as {with_comma[0].replace(',', '.')} "
            f"or as {with_comma[0].replace(',', '')}.",
            "Write the numbers with decimal dots.",
        )
    return True


def _shown(text: str) -> str:
    return f"'{text[:40]}'" if text else "empty"
