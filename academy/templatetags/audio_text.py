"""How a number, a time and a text become words. Rounding happens here, once, at the edge."""

from __future__ import annotations

import math
import re
from datetime import datetime, tzinfo
from decimal import ROUND_HALF_UP, Decimal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import markdown
import nh3
from django import template
from django.conf import settings
from django.utils import timezone
from django.utils.safestring import SafeString, mark_safe

register = template.Library()

MINUS = "\N{MINUS SIGN}"
NOTHING = "\N{EN DASH}"
NO_BREAK = "\N{NO-BREAK SPACE}"

# ISO 4217, list one: currencies whose minor unit is not two digits.
NO_MINOR_UNIT = ["BIF", "CLP", "DJF", "GNF", "ISK", "JPY", "KMF", "KRW", "PYG", "RWF"]
NO_MINOR_UNIT += ["UGX", "UYI", "VND", "VUV", "XAF", "XOF", "XPF"]
MINOR_DIGITS = {
    **dict.fromkeys(NO_MINOR_UNIT, 0),
    **dict.fromkeys(["BHD", "IQD", "JOD", "KWD", "LYD", "OMR", "TND"], 3),
    **dict.fromkeys(["CLF", "UYW"], 4),
}

# IEC 80000-13: prefixes of powers of 1024.
BYTE_UNITS = ["KiB", "MiB", "GiB", "TiB"]

SUBTYPE_WORDS = {
    "PCM_16": "16 bit",
    "PCM_24": "24 bit",
    "PCM_32": "32 bit",
    "FLOAT": "32 bit float",
}

# Abbreviated English names, written out so that the server's locale has no say.
DAYS = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"]
MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]

PROSE_TAGS = {
    *("h1", "h2", "h3", "h4", "h5", "h6", "p", "br", "hr", "em", "strong", "del", "sub", "sup", "a"),
    *("code", "pre", "blockquote", "ul", "ol", "li", "dl", "dt", "dd"),
    *("table", "thead", "tbody", "tr", "th", "td"),
}
PROSE_ATTRIBUTES = {"a": {"href", "title"}, "ol": {"start"}}
PROSE_SCHEMES = {"http", "https", "mailto"}
HEADING = re.compile(r"<h([1-6])>")
HEADING_TAG = re.compile(r"(</?h)([1-6])>")


def _finite(value: object) -> float | None:
    """The value as a number; None for what is no number, NaN included. Infinities pass."""
    if value is None or isinstance(value, bool):
        return None
    try:
        number = float(value)  # type: ignore[arg-type]  # templates hand over anything
    except (TypeError, ValueError):
        return None
    return None if math.isnan(number) else number


def _digits(number: float, decimals: int, *, signed: bool = False) -> str:
    """Fixed decimals with a true minus sign. What rounds to zero has no sign."""
    text = f"{abs(number):,.{decimals}f}"
    if not any(digit in "123456789" for digit in text):
        return text
    if number < 0:
        return MINUS + text
    return "+" + text if signed else text


def _amount(value: object, unit: str, decimals: int, *, signed: bool = False, times: int = 1) -> str:
    """`times` the value with its unit. An en dash for what is not finite."""
    found = _finite(value)
    if found is None or math.isinf(found):
        return NOTHING
    return f"{_digits(found * times, decimals, signed=signed)}{NO_BREAK}{unit}"


def _level(value: object, unit: str, decimals: int) -> str:
    """A level with its unit. Minus infinity is the level of silence."""
    return "silence" if _finite(value) == -math.inf else _amount(value, unit, decimals)


@register.filter
def lufs(value: object, decimals: int = 1) -> str:
    """A loudness, `−14.2 LUFS` (unit: EBU Tech 3341, clause 2.1). `silence` for -inf, an en dash for None."""
    return _level(value, "LUFS", decimals)


@register.filter
def dbtp(value: object, decimals: int = 1) -> str:
    """A true peak, `−1.0 dBTP` (unit: ITU-R BS.1770, Annex 2). `silence` for -inf, an en dash for None."""
    return _level(value, "dBTP", decimals)


@register.filter
def dbfs(value: object, decimals: int = 1) -> str:
    """A sample peak, `−0.3 dBFS`. `silence` for -inf, an en dash for None."""
    return _level(value, "dBFS", decimals)


@register.filter
def db(value: object, decimals: int = 1) -> str:
    """A gain or a difference, signed: `+1.3 dB`, `−1.3 dB`, `0.0 dB`. An en dash for what is not finite."""
    return _amount(value, "dB", decimals, signed=True)


@register.filter
def lu(value: object, decimals: int = 1) -> str:
    """A range or distance of loudness, `7.3 LU`. An en dash for what is not finite."""
    return _amount(value, "LU", decimals)


@register.filter
def signed_lu(value: object, decimals: int = 1) -> str:
    """A difference of loudness, signed: `+1.3 LU`, `−1.3 LU`. An en dash for what is not finite."""
    return _amount(value, "LU", decimals, signed=True)


@register.filter
def milliseconds(seconds: object, decimals: int = 1) -> str:
    """A time given in seconds, signed: `+7.0 ms`. An en dash for what is not finite."""
    return _amount(seconds, "ms", decimals, signed=True, times=1000)


@register.filter
def number(value: object, decimals: int = 2) -> str:
    """A plain number with a true minus sign. An en dash for what is not finite."""
    found = _finite(value)
    if found is None or math.isinf(found):
        return NOTHING
    return _digits(found, decimals)


@register.filter
def khz(rate_hz: object) -> str:
    """A sample rate given in hertz, `44.1 kHz`, without zeros at its end. An en dash for None."""
    rate = _finite(rate_hz)
    if rate is None or not 0 < rate < math.inf:
        return NOTHING
    text = f"{rate / 1000:.3f}".rstrip("0").rstrip(".")
    return f"{text}{NO_BREAK}kHz"


@register.filter
def bpm(value: object) -> str:
    """A tempo, `96 bpm` or `96.5 bpm`. An en dash for None."""
    tempo = _finite(value)
    if tempo is None or math.isinf(tempo):
        return NOTHING
    return f"{tempo:.2f}".rstrip("0").rstrip(".") + f"{NO_BREAK}bpm"


@register.filter
def depth(subtype: object) -> str:
    """How samples are stored, from the subtype of a recording: `24 bit`, `32 bit float`."""
    return SUBTYPE_WORDS.get(str(subtype), str(subtype or NOTHING))


@register.filter
def channels(count: object) -> str:
    """`mono`, `stereo`, `6 channels`. An en dash for None."""
    found = _finite(count)
    if found is None:
        return NOTHING
    return {1: "mono", 2: "stereo"}.get(int(found), f"{int(found)}{NO_BREAK}channels")


@register.filter
def duration(seconds: object, decimals: int = 1) -> str:
    """A length of time, `3:24.5` or `1:03:24.5`. An en dash for what is not finite or below zero."""
    length_s = _finite(seconds)
    if length_s is None or not 0 <= length_s < math.inf:
        return NOTHING
    # Counted in the last digit shown, so that 59.96 s becomes 1:00.0 and never 0:60.0.
    ticks = round(length_s * 10**decimals)
    whole, rest = divmod(ticks, 10**decimals)
    minutes, second = divmod(whole, 60)
    hour, minute = divmod(minutes, 60)
    fraction = f".{rest:0{decimals}d}" if decimals else ""
    lead = f"{hour}:{minute:02d}" if hour else f"{minute}"
    return f"{lead}:{second:02d}{fraction}"


@register.filter
def size(count_bytes: object) -> str:
    """A size given in bytes, `812 B`, `12.3 MiB`. An en dash for None."""
    left = _finite(count_bytes)
    if left is None or not 0 <= left < math.inf:
        return NOTHING
    if left < 1024:
        return f"{left:.0f}{NO_BREAK}B"
    # What would be written as 1,024.0 of one unit is 1.0 of the next.
    for unit in BYTE_UNITS:  # noqa: B007  the last one is used below
        left /= 1024
        if round(left, 1) < 1024:
            break
    return f"{left:,.1f}{NO_BREAK}{unit}"


@register.filter
def money(amount: object, currency: str = "") -> str:
    """An amount with its ISO 4217 code and that currency's decimals, `EUR 1,250.00`. An en dash for None."""
    if amount is None or amount == "":
        return NOTHING
    code = str(currency).upper()
    exact = Decimal(str(amount)).quantize(Decimal(1).scaleb(-MINOR_DIGITS.get(code, 2)), ROUND_HALF_UP)
    text = f"{abs(exact):,f}"
    sign = MINUS if exact < 0 else ""
    return f"{code}{NO_BREAK}{sign}{text}" if code else f"{sign}{text}"


@register.filter
def percent(fraction: object, decimals: int = 0) -> str:
    """A fraction of one as `25%`. An en dash for what is not finite."""
    share = _finite(fraction)
    if share is None or math.isinf(share):
        return NOTHING
    return f"{_digits(share * 100, decimals)}%"


@register.filter
def moment(value: datetime | None, zone: str | tzinfo = "") -> str:
    """An aware time in a zone, with its offset: `Fri 4 Dec 2026, 18:00 (UTC+01:00, Europe/Madrid)`.

    `zone` is an IANA name or a tzinfo, else the site's; an unknown name falls back to UTC and says so.
    Seconds are shown only where there are some, because a deadline at 18:00 means 18:00:00. An en dash for
    None. Raises ValueError for a time without a zone, which would be a guess.
    """
    if value is None or value == "":
        return NOTHING
    if timezone.is_naive(value):
        raise ValueError("a moment needs a time with its zone")
    place = _zone(zone or settings.SITE_ZONE)
    there = value.astimezone(place)
    clock = f"{there:%H:%M:%S}" if there.second else f"{there:%H:%M}"
    name = str(place)
    where = _offset(there) if name.startswith(("UTC", "Etc/")) else f"{_offset(there)}, {name}"
    return f"{DAYS[there.weekday()]} {there.day} {MONTHS[there.month - 1]} {there.year}, {clock} ({where})"


def _zone(zone: str | tzinfo) -> tzinfo:
    if isinstance(zone, tzinfo):
        return zone
    try:
        return ZoneInfo(zone)
    except (ZoneInfoNotFoundError, ValueError):
        return ZoneInfo("UTC")


def _offset(there: datetime) -> str:
    """`UTC`, or `UTC+05:30` with a true minus sign west of Greenwich."""
    away = there.utcoffset()
    assert away is not None
    minutes = round(away.total_seconds() / 60)
    if minutes == 0:
        return "UTC"
    hour, minute = divmod(abs(minutes), 60)
    return f"UTC{'+' if minutes > 0 else MINUS}{hour:02d}:{minute:02d}"


@register.filter
def prose(text: str | None, top: int = 2) -> SafeString:
    """Markdown as clean HTML; its highest headings become level `top`, because a page has its own h1.

    Which level its writer began with does not matter: one that begins with `###` leaves no gap on the page.

    Scripts, pictures, styles and whatever else could carry something foreign are taken out; links keep http,
    https, mailto and the site's own addresses.
    """
    html = markdown.markdown(
        text or "",
        extensions=["tables", "sane_lists", "fenced_code", "def_list"],
        output_format="html",
    )
    clean = nh3.clean(
        html,
        tags=PROSE_TAGS,
        attributes=PROSE_ATTRIBUTES,
        url_schemes=PROSE_SCHEMES,
        link_rel="noopener noreferrer nofollow",
    )
    return mark_safe(_with_headings_from(top, clean))  # noqa: S308  cleaned above; only numbers of headings change


def _with_headings_from(top: int, html: str) -> str:
    levels = [int(level) for level in HEADING.findall(html)]
    lower_by = top - min(levels, default=top)
    return HEADING_TAG.sub(lambda tag: f"{tag[1]}{min(6, int(tag[2]) + lower_by)}>", html)
