"""A picture of a measured recording: its outline above, its short-term loudness below, on ruled paper."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFont
from PIL.PngImagePlugin import PngInfo

from analysis.dsp.envelope import Envelope
from analysis.dsp.loudness import SHORT_TERM_STEPS
from analysis.dsp.meter import Measures
from analysis.dsp.steps import STEPS_PER_READING, STEPS_PER_S

Font = ImageFont.ImageFont | ImageFont.FreeTypeFont

WIDTH, HEIGHT = 1200, 520
LEFT, RIGHT = 80, 1170
OUTLINE_TOP, OUTLINE_BOTTOM = 60, 250
LOUDNESS_TOP, LOUDNESS_BOTTOM = 280, 470
N_PARTS = RIGHT - LEFT

PAPER, INK, RULE, ACCENT = "#fbfaf7", "#26241f", "#d8d4ca", "#1f5f8b"

HIGHEST_LUFS, LOWEST_LUFS, LUFS_PER_RULE = 0, -60, 10
LONGEST_TITLE = 90


def describe_measures(measures: Measures) -> str:
    """The picture's text equivalent: what it shows, in one line."""
    if measures.silent:
        return "digital silence"
    parts = (
        ("integrated", measures.integrated_lufs, "LUFS"),
        ("range", measures.loudness_range_lu, "LU"),
        ("max short-term", measures.max_short_term_lufs, "LUFS"),
        ("true peak", measures.true_peak_dbtp, "dBTP"),
    )
    return ", ".join(f"{name} {_number(value)} {unit}" for name, value, unit in parts if math.isfinite(value))


def draw(measures: Measures, envelope: Envelope, *, title: str, duration_s: float) -> Image.Image:
    """The picture, 1200 x 520 pixels; silence is a flat line. The caption says the same in words."""
    image = Image.new("RGB", (WIDTH, HEIGHT), PAPER)
    canvas = ImageDraw.Draw(image)
    font = ImageFont.load_default(size=16)
    shown = title if len(title) <= LONGEST_TITLE else f"{title[: LONGEST_TITLE - 1]}…"
    canvas.text((LEFT, 20), shown, fill=INK, font=font)
    _draw_outline(canvas, envelope, font)
    _draw_loudness(canvas, measures, font, duration_s=duration_s)
    caption = f"{describe_measures(measures)}, length {_number(duration_s)} s"
    canvas.text((LEFT, HEIGHT - 34), _drawable(caption), fill=INK, font=font)
    return image


def save(image: Image.Image, path: Path, *, text: str) -> None:
    """Write a PNG with its text equivalent inside. Raises OSError where it cannot be written."""
    note = PngInfo()
    note.add_itxt("Description", text)
    image.save(path, format="PNG", pnginfo=note)


def _draw_outline(canvas: ImageDraw.ImageDraw, envelope: Envelope, font: Font) -> None:
    middle, half = (OUTLINE_TOP + OUTLINE_BOTTOM) / 2, (OUTLINE_BOTTOM - OUTLINE_TOP) / 2
    for level, label in ((1.0, "+1"), (0.0, "0"), (-1.0, "−1")):
        _rule(canvas, middle - level * half, label, font)
    part_width = (RIGHT - LEFT) / envelope.high.size
    at = LEFT + part_width * np.arange(envelope.high.size)
    low, high = np.clip(envelope.low, -1.0, 1.0), np.clip(envelope.high, -1.0, 1.0)
    for x, bottom, top in zip(at, middle - low * half, middle - high * half, strict=True):
        canvas.rectangle([(x, top), (x + part_width - 1.0, bottom)], fill=INK)


def _draw_loudness(canvas: ImageDraw.ImageDraw, measures: Measures, font: Font, *, duration_s: float) -> None:
    for lufs in range(LOWEST_LUFS, HIGHEST_LUFS + 1, LUFS_PER_RULE):
        _rule(canvas, _height_of(lufs), _number(lufs, digits=0) if lufs % 20 == 0 else "", font)
    canvas.text((12, LOUDNESS_TOP + 4), "LUFS", fill=INK, font=font)
    readings = np.maximum(measures.short_term_lufs, LOWEST_LUFS)
    # A reading is drawn where its 3 s window ends, as one would see it on a running meter.
    window_s, step_s = SHORT_TERM_STEPS / STEPS_PER_S, STEPS_PER_READING / STEPS_PER_S
    ends_s = window_s + step_s * np.arange(readings.size)
    at = LEFT + ends_s / duration_s * (RIGHT - LEFT)
    if readings.size > 1:
        heights = [_height_of(lufs) for lufs in readings.tolist()]
        canvas.line(list(zip(at.tolist(), heights, strict=True)), fill=ACCENT, width=2)
    if measures.integrated_lufs >= LOWEST_LUFS:
        y = _height_of(measures.integrated_lufs)
        for x in range(LEFT, RIGHT, 12):  # dashes: told from the curve without colour
            canvas.line([(x, y), (x + 6, y)], fill=INK)


def _height_of(lufs: float) -> float:
    share = (min(lufs, HIGHEST_LUFS) - LOWEST_LUFS) / (HIGHEST_LUFS - LOWEST_LUFS)
    return LOUDNESS_BOTTOM - share * (LOUDNESS_BOTTOM - LOUDNESS_TOP)


def _rule(canvas: ImageDraw.ImageDraw, y: float, label: str, font: Font) -> None:
    canvas.line([(LEFT, y), (RIGHT, y)], fill=RULE)
    canvas.text((LEFT - 8, y), _drawable(label), fill=INK, font=font, anchor="rm")


def _drawable(text: str) -> str:
    """The font that comes with Pillow has no minus sign: a hyphen stands for it."""
    return text.replace("−", "-")


def _number(value: float, *, digits: int = 1) -> str:
    return f"{value:z.{digits}f}".replace("-", "−")
