"""The one type family of all printed pages: DejaVu Sans, which comes with matplotlib.

Its licence (Bitstream Vera, and public domain for the additions) allows embedding; it has
umlauts, the true minus and the plus-minus sign.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

from matplotlib import get_data_path
from reportlab import rl_config
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

BODY, STRONG = "DejaVuSans", "DejaVuSans-Bold"


@cache
def use_family() -> None:
    """Makes the family known to reportlab, and has pages written as plain bytes.

    Its own spelling in printable characters (ASCII base 85) takes a quarter more room, and
    seconds.
    """
    rl_config.useA85 = 0
    folder = Path(get_data_path()) / "fonts" / "ttf"
    for name in (BODY, STRONG):
        pdfmetrics.registerFont(TTFont(name, str(folder / f"{name}.ttf")))
    pdfmetrics.registerFontFamily(BODY, BODY, STRONG, BODY, STRONG)


def width_pt(text: str, size_pt: float, font: str = BODY) -> float:
    """Width of a text in points."""
    use_family()
    return float(pdfmetrics.stringWidth(text, font, size_pt))


def fitted(text: str, room_pt: float, size_pt: float, font: str = BODY) -> str:
    """The text, or as much of its beginning as has room, with an ellipsis."""
    if width_pt(text, size_pt, font) <= room_pt:
        return text
    low, high = 0, len(text)
    while low < high:
        middle = (low + high + 1) // 2
        if width_pt(text[:middle].rstrip() + "…", size_pt, font) <= room_pt:
            low = middle
        else:
            high = middle - 1
    return text[:low].rstrip() + "…"


def wrapped(text: str, room_pt: float, size_pt: float, font: str = BODY) -> list[str]:
    """Lines of a text that have room; a word that is too long is cut off."""
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and width_pt(longer, size_pt, font) <= room_pt:
            lines[-1] = longer
        else:
            lines.append(fitted(word, room_pt, size_pt, font))
    return lines
