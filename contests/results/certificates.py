"""Draw a certificate by Pillow: one sheet of A4 at 300 dots an inch, as PNG or PDF. Words in, picture out."""

from __future__ import annotations

import hashlib
import io
import unicodedata
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from PIL import Image, ImageDraw, ImageFont

WIDTH, HEIGHT, DOTS_PER_INCH = 2480, 3508, 300
"""A4 is 210 mm by 297 mm (ISO 216); at 300 dots an inch that is 2480.3 by 3507.9 dots."""

INK, MUTED, LINE, ACCENT, WHITE = "#161a20", "#545b66", "#cfd4d8", "#1d4f91", "#ffffff"
"""The site's own colours; white instead of its paper, because printers would tint the whole sheet."""

FONT_FILE = Path(__file__).parent / "fonts" / "DejaVuSerif.ttf"
LEFT, RIGHT = 250, WIDTH - 250
MIDDLE = WIDTH // 2
STROKES = 61
COLOURS = 64  # ink, accent, and the steps of grey and blue at the edges of letters
JPEG_QUALITY = 92
NO_CHARACTER = "\U0010fffe"  # Unicode, 23.7: never a character, so a font draws its sign for a missing one


@dataclass(frozen=True)
class Certificate:
    """Everything that a certificate says. `place` is empty on one that says only that somebody took part."""

    site: str
    contest: str
    name: str
    place: str
    of_entries: str
    published: str
    reference: str
    check_address: str

    @property
    def sentence(self) -> str:
        """What the name did, in words."""
        if self.place:
            return f"reached place {self.place} of {self.of_entries}"
        return f"took part, one of {self.of_entries}"

    @property
    def facts(self) -> list[tuple[str, str]]:
        """The lines at its foot."""
        return [
            ("Result published", self.published),
            ("Receipt of the entry", self.reference),
            ("To be checked at", self.check_address),
        ]

    @property
    def is_whole(self) -> bool:
        """Whether the font has every letter of it; otherwise a line of the sheet is left for a pen."""
        return all(can_draw(text) for text in (self.site, self.contest, self.name))


def as_png(words: Certificate) -> bytes:
    """The sheet as a picture whose only metadata is its size on paper, for print programs (PNG, 11.3.4.3)."""
    file = io.BytesIO()
    few = _drawn(words).quantize(COLOURS, method=Image.Quantize.FASTOCTREE)
    few.save(file, "PNG", dpi=(DOTS_PER_INCH, DOTS_PER_INCH))
    return file.getvalue()


def as_pdf(words: Certificate) -> bytes:
    """The same sheet as a page of a PDF, without title, author or dates."""
    file = io.BytesIO()
    nothing = {"title": None, "creationDate": None, "modDate": None}
    _drawn(words).save(file, "PDF", resolution=DOTS_PER_INCH, quality=JPEG_QUALITY, **nothing)
    return file.getvalue()


def can_draw(text: str) -> bool:
    """Whether the font has every letter of a text: Latin, Greek and Cyrillic, but not many other scripts."""
    font = _font(40)
    missing = bytes(font.getmask(NO_CHARACTER))
    composed = unicodedata.normalize("NFC", text)
    return all(bytes(font.getmask(letter)) != missing for letter in composed if not letter.isspace())


def _drawn(words: Certificate) -> Image.Image:
    image = Image.new("RGB", (WIDTH, HEIGHT), WHITE)
    canvas = ImageDraw.Draw(image)
    canvas.line([(LEFT, 300), (RIGHT, 300)], fill=INK, width=8)
    canvas.line([(LEFT, 320), (RIGHT, 320)], fill=INK, width=2)
    _centred(canvas, 440, words.site, size=54, fill=MUTED)
    _centred(canvas, 690, "Certificate", size=190, fill=INK)
    _centred(canvas, 950, words.contest, size=84, fill=INK)
    _strokes(canvas, 1250, words.reference)
    _centred(canvas, 1660, words.name, size=140, fill=INK)
    canvas.line([(LEFT, 1740), (RIGHT, 1740)], fill=INK, width=3)
    if words.place:
        _centred(canvas, 2120, words.place, size=300, fill=ACCENT)
        _centred(canvas, 2320, words.sentence, size=66, fill=INK)
    else:
        _centred(canvas, 2080, words.sentence, size=90, fill=INK)
    _facts(canvas, 2740, words.facts)
    canvas.line([(LEFT, 3208), (RIGHT, 3208)], fill=INK, width=2)
    canvas.line([(LEFT, 3228), (RIGHT, 3228)], fill=INK, width=8)
    return image


def _facts(canvas: ImageDraw.ImageDraw, top: int, facts: list[tuple[str, str]]) -> None:
    """Name and value between ruled lines."""
    for at, (name, value) in enumerate(facts):
        y = top + 130 * at
        canvas.line([(LEFT, y - 88), (RIGHT, y - 88)], fill=LINE, width=3)
        canvas.text((LEFT, y), name, font=_font(42), fill=MUTED, anchor="ls")
        font = _fitting(value, size=46, width=RIGHT - LEFT - 560)
        canvas.text((RIGHT, y), value, font=font, fill=INK, anchor="rs")


def _strokes(canvas: ImageDraw.ImageDraw, middle: int, reference: str) -> None:
    """A row of upright strokes like a short sound. Their heights come from the reference alone."""
    heights = hashlib.shake_256(reference.encode()).digest(STROKES)
    apart = (RIGHT - LEFT) / (STROKES - 1)
    for at, height in enumerate(heights):
        swell = 1 - abs(2 * at / (STROKES - 1) - 1)  # quiet at both ends
        half = 6 + round(130 * swell * (0.25 + 0.75 * height / 255))
        x = round(LEFT + at * apart)
        canvas.line([(x, middle - half), (x, middle + half)], fill=ACCENT, width=9)


def _centred(canvas: ImageDraw.ImageDraw, y: int, text: str, *, size: int, fill: str) -> None:
    """One line in the middle, its feet at `y`, smaller where it would not fit.

    What the font cannot draw stays empty, for a pen: a name is nothing to replace letters in.
    """
    if not can_draw(text):
        return
    composed = unicodedata.normalize("NFC", text)
    font = _fitting(composed, size=size, width=RIGHT - LEFT)
    canvas.text((MIDDLE, y), composed, font=font, fill=fill, anchor="ms")


def _fitting(text: str, *, size: int, width: int) -> ImageFont.FreeTypeFont:
    length = _font(size).getlength(text)
    return _font(size if length <= width else max(1, int(size * width / length)))


@cache
def _font(size: int) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(FONT_FILE, size)
