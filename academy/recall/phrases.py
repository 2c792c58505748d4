"""One setting as an engineer would say it: `attack 15 ms`, `tone two o'clock`, `low shelf 60 Hz +1 dB`."""

from __future__ import annotations

import math
import re

from academy.recall.chain import (
    PAIRS,
    Choice,
    Clock,
    Detent,
    Dial,
    EqBand,
    Position,
    Quantity,
    Setting,
    SheetRefused,
    Side,
    Switch,
    Value,
)
from academy.recall.vocabulary import (
    CARDINALS,
    CHOICE_NAMES,
    EXPANSION,
    GAINED,
    LAST_NAMES,
    LOWERS,
    ORDINALS,
    RAISES,
    RATIO,
    SHAPES,
    SHELVES_SPLIT_HZ,
    SPELLINGS,
    UNITS,
)
from analysis.dsp.curves.equaliser import Shape

LONGEST_NAME = 60
LONGEST_REASON = 500
LARGEST = 1e9
HOURS = 12
LONGEST_SCALE = 1_000

NUMBER = r"[+-]?\d+(?:\.\d+)?"
INFINITE = r"[+-]?(?:infinity|inf|∞)"
WORD_NUMBER = rf"(?:{NUMBER}|{'|'.join(CARDINALS)})"
UNIT = "|".join(re.escape(spelling) for spelling in sorted(SPELLINGS, key=len, reverse=True))
ABOUT = r"(?P<about>about |around |~ ?)?"
QUANTITY = (
    rf"{ABOUT}(?P<amount>{NUMBER}|{INFINITE})"
    rf"(?:(?: ?(?P<first_unit>{UNIT}))?(?: to |-)(?P<up_to>{NUMBER}))? ?(?P<unit>{UNIT})"
)
RATIO_SAID = rf"{ABOUT}(?:(?P<ratio>{NUMBER}|{INFINITE}) ?: ?1|1 ?: ?(?P<expansion>{NUMBER}|{INFINITE}))"
DIAL = rf"(?P<at>{WORD_NUMBER}) ?(?:of|out of|/) ?(?P<high>{WORD_NUMBER})"
DIAL_FROM = rf"(?P<at>{NUMBER}) from (?P<low>{NUMBER}) to (?P<high>{NUMBER})"
DETENT = (
    rf"(?:(?P<ordinal>{'|'.join(ORDINALS)}|\d+(?:st|nd|rd|th)) step|step (?P<step>{WORD_NUMBER})) "
    rf"of (?P<of>{WORD_NUMBER})"
)
CLOCK = (
    rf"(?:(?P<half>half past )(?P<past>{WORD_NUMBER})|(?P<hour>{WORD_NUMBER})(?::(?P<minute>\d\d))? ?o'clock)"
)
FREQUENCY = rf"{NUMBER} ?(?:kHz|Hz|k)"
SHAPE = "|".join(re.escape(said) for said in sorted(SHAPES, key=len, reverse=True))
MOVE = "|".join((*RAISES, *LOWERS))


def _unnamed(pattern: str) -> str:
    """A pattern whose groups have no names, to stand inside another one."""
    return re.sub(r"\(\?P<\w+>", "(?:", pattern)


POSITION = "|".join(_unnamed(pattern) for pattern in (DETENT, DIAL_FROM, DIAL, CLOCK))
DETAIL = (
    rf"(?:Q (?P<q>{NUMBER})|slope (?P<slope>{NUMBER})"
    rf"|(?P<wide>{NUMBER}) ?(?P<wide_unit>dB/octave|dB/oct|dB per octave|dB an octave|octaves?|oct)"
    rf"|(?P<gain>{NUMBER}) ?dB|(?P<position>{POSITION}))(?= |$)"
)


class NotRead(SheetRefused):
    """A phrase says nothing that is understood here; the sentence says what would be."""

    def __init__(self, words: str) -> None:
        super().__init__(f"{words[:1].upper()}{words[1:]}.")


def read_setting(phrase: str) -> Setting:
    """One line of a device as a setting. Raises NotRead with the sentence that helps.

    `name value`, perhaps ` -- reason` behind it; where the channels differ, one phrase each with `|` between.
    """
    said, reason = _parted(" ".join(phrase.split()))
    parts = [part.strip() for part in _plainer(said).split("|")]
    if len(parts) == 1:
        side, clause = _sided(parts[0])
        name, value = _read_clause(clause)
        return _checked(Setting(name, ((side, value),), reason))
    if len(parts) > 2:
        raise NotRead("a setting differs between two channels at most: left and right, or mid and side")
    (first, clause), (second, other) = (_sided(part) for part in parts)
    if PAIRS.get(first) != second:
        raise NotRead(
            "begin the two parts with “left:” and “right:”, or with “mid:” and “side:”, in that order"
        )
    name, value = _read_clause(clause)
    other_name, other_value = _read_second(name, other)
    if other_name != name:
        raise NotRead(f"both parts have to be one setting, not “{name}” and “{other_name}”: write two lines")
    return _checked(Setting(name, ((first, value), (second, other_value)), reason))


def read_quantity(phrase: str) -> Quantity:
    """A number with its unit alone: `15 ms`, `about 1 dB`, `5 to 9 kHz`, `4:1`. Raises NotRead."""
    found = re.fullmatch(RATIO_SAID, phrase, re.IGNORECASE) or re.fullmatch(QUANTITY, phrase, re.IGNORECASE)
    if not found:
        raise NotRead(f"“{phrase}” is no number with a unit")
    return _quantity(found)


def read_position(phrase: str) -> Position:
    """A place on a dial, a stepped switch or the clock alone. Raises NotRead."""
    for pattern, reader in POSITIONS:
        found = re.fullmatch(pattern, phrase, re.IGNORECASE)
        if found:
            return reader(found)
    raise NotRead(f"“{phrase}” is no position: write 6 of 10, two o’clock, or third step of five")


def _plainer(phrase: str) -> str:
    """One way of writing minus, dash, apostrophe and space."""
    for odd, usual in (("−", "-"), ("–", "-"), ("’", "'"), ("∶", ":"), ("‑", "-")):
        phrase = phrase.replace(odd, usual)
    return phrase


def _parted(said: str) -> tuple[str, str]:
    """What is set, and why: behind ` -- `, a long dash, or `, because `."""
    found = re.search(r" (?:--|—) |, because ", said)
    if not found:
        return said, ""
    reason = said[found.end() :].strip()
    if len(reason) > LONGEST_REASON:
        raise NotRead(f"a reason has {LONGEST_REASON} letters at most")
    return said[: found.start()].strip(), reason


def _sided(part: str) -> tuple[Side, str]:
    found = re.match(r"(left|right|mid|side) ?: ?", part, re.IGNORECASE)
    return (Side(found[1].lower()), part[found.end() :]) if found else (Side.BOTH, part)


def _read_second(name: str, clause: str) -> tuple[str, Value]:
    """The other channel's phrase; it may leave out the name."""
    try:
        return _read_clause(clause)
    except NotRead:
        return _read_clause(f"{name} {clause}")


def _read_clause(clause: str) -> tuple[str, Value]:
    if not clause:
        raise NotRead("a setting is missing")
    for reader in (_move, _band, _switch, _ratio, _position_said, _number_said, _turned_round, _choice):
        found = reader(clause)
        if found:
            return found
    raise NotRead(_advice(clause))


def _advice(clause: str) -> str:
    bare = re.fullmatch(rf"(?P<name>.*\D) (?P<number>{NUMBER})", clause)
    if bare:
        return (
            f"“{clause}” has a number without a unit or a scale: write the unit behind it, as in 15 ms, "
            f"or the scale, as in “{bare['name']} {bare['number']} of 10”"
        )
    united = re.fullmatch(rf"(?P<name>.*?) ?{NUMBER} ?(?P<unit>[^\d\s]\S*)", clause)
    if united:
        known = ", ".join(unit for unit in UNITS)
        return f"“{united['unit']}” is no unit that is known here; these are: {known}"
    return (
        f"“{clause}” has no value that can be read: write a number with its unit (attack 15 ms), a position "
        "with its scale (drive 6 of 10, tone two o’clock, third step of five), on or off, or a choice behind "
        "a colon (mode: slow)"
    )


def _move(clause: str) -> tuple[str, Value] | None:
    """`lift 1 dB at 22 kHz shelf`, `3 dB cut at 300 Hz Q 1.4`: said by what is read at a frequency."""
    found = re.fullmatch(
        rf"(?P<name>.*?)\b(?P<move>{MOVE}) (?P<gain>{NUMBER}) ?dB (?:at|around) (?P<rest>.+)",
        clause,
        re.IGNORECASE,
    ) or re.fullmatch(
        rf"(?:a )?(?P<name>)(?P<gain>{NUMBER}) ?dB (?P<move>{MOVE}) (?:at|around) (?P<rest>.+)",
        clause,
        re.IGNORECASE,
    )
    if not found:
        return None
    frequency, rest = _leading_frequency(found["rest"])
    said = re.match(r"(?P<shape>(?:(?:low|high)[ -])?shelf|bell)\b ?", rest, re.IGNORECASE)
    shape = _moved_shape(said["shape"].lower() if said else "bell", frequency)
    gain_db = _number(found["gain"])
    if found["move"].lower() in LOWERS:
        gain_db = -abs(gain_db)
    _, width = _details(rest[said.end() :] if said else rest, shape, takes_gain=False)
    band = EqBand(shape, frequency, Quantity(gain_db, "dB"), width, is_read=shape is not Shape.BELL)
    return found["name"].strip(), band


def _moved_shape(said: str, frequency: Quantity) -> Shape:
    if said == "bell":
        return Shape.BELL
    if said == "shelf":
        return Shape.HIGH_SHELF if hertz(frequency) >= SHELVES_SPLIT_HZ else Shape.LOW_SHELF
    return SHAPES[said]


def _band(clause: str) -> tuple[str, Value] | None:
    """`low shelf 60 Hz +1 dB`, `side-chain high-pass 90 Hz`, `80 Hz high-pass`, `1 dB low shelf at 60 Hz`.

    A shape without a frequency is the name of a setting like any other: `high-pass off`.
    """
    found = re.fullmatch(
        rf"(?P<name>.*?)\b(?P<shape>{SHAPE})(?: filter)?(?: at)? (?P<rest>{FREQUENCY}\b.*)",
        clause,
        re.IGNORECASE,
    )
    if found:
        name, rest = found["name"].strip(), found["rest"]
    else:
        found = re.fullmatch(
            rf"(?P<name>.*?)(?P<frequency>{FREQUENCY}) (?P<shape>{SHAPE})(?: filter)?(?P<rest>(?: .*)?)",
            clause,
            re.IGNORECASE,
        )
        if not found:
            return None
        name, rest = found["name"].strip(), found["frequency"] + found["rest"]
    before = re.fullmatch(rf"(?:a )?(?P<gain>{NUMBER} ?dB)", name, re.IGNORECASE)
    if before:
        name, rest = "", f"{rest} {before['gain']}"
    shape = SHAPES[found["shape"].lower()]
    frequency, rest = _leading_frequency(rest)
    gain, width = _details(rest, shape, takes_gain=shape in GAINED)
    return ("" if name.lower() == "a" else name), EqBand(shape, frequency, gain, width)


def _leading_frequency(said: str) -> tuple[Quantity, str]:
    found = re.match(rf"(?P<amount>{NUMBER}) ?(?P<unit>kHz|Hz|k)\b ?", said, re.IGNORECASE)
    if not found:
        raise NotRead(f"a band needs its frequency with Hz or kHz next, where “{said}” stands")
    quantity = Quantity(_number(found["amount"]), SPELLINGS[found["unit"].lower()])
    if quantity.amount <= 0:
        raise NotRead("a band needs a frequency above 0 Hz")
    return quantity, said[found.end() :].strip()


def _details(
    rest: str, shape: Shape, *, takes_gain: bool
) -> tuple[Quantity | Position | None, Quantity | None]:
    """Gain and width in any order, a comma between them if you like. What is left over is not understood."""
    gain: Quantity | Position | None = None
    width: Quantity | None = None
    rest = rest.replace(",", " ").strip()
    while rest:
        found = re.match(DETAIL, rest, re.IGNORECASE)
        if not found:
            raise NotRead(
                f"of a {shape.value}, “{rest}” is not understood: after the frequency come the gain (+3 dB) "
                "and the width (Q 0.7, 1 octave, slope 0.8, or 12 dB/octave for high- and low-pass)"
            )
        if found["gain"] or found["position"]:
            if gain or not takes_gain:
                raise NotRead(f"a {shape.value} takes {'one gain' if gain else 'no gain here'}")
            gain = (
                Quantity(_number(found["gain"]), "dB") if found["gain"] else read_position(found["position"])
            )
        else:
            if width:
                raise NotRead(f"a {shape.value} has one width")
            width = _width(found, shape)
        rest = rest[found.end() :].strip()
    return gain, width


def _width(found: re.Match[str], shape: Shape) -> Quantity:
    if found["q"]:
        width = Quantity(_number(found["q"]), "Q")
    elif found["slope"]:
        width = Quantity(_number(found["slope"]), "slope")
    else:
        width = Quantity(_number(found["wide"]), SPELLINGS[found["wide_unit"].lower()])
    passes = shape in {Shape.HIGH_PASS, Shape.LOW_PASS}
    shelves = shape in {Shape.LOW_SHELF, Shape.HIGH_SHELF}
    fits = {"Q": True, "octaves": not passes and not shelves, "dB/octave": passes, "slope": shelves}
    if not fits[width.unit]:
        raise NotRead(f"a {shape.value} has no width in {width.unit}")
    if width.amount <= 0:
        raise NotRead(f"a width has to be above 0, not {width.amount:g}")
    return width


def _switch(clause: str) -> tuple[str, Value] | None:
    found = re.fullmatch(r"(?P<name>.+?) (?P<state>on|off)", clause, re.IGNORECASE)
    return (found["name"], Switch(found["state"].lower() == "on")) if found else None


def _ratio(clause: str) -> tuple[str, Value] | None:
    found = re.fullmatch(rf"(?:(?P<name>.+?) )?{RATIO_SAID}", clause, re.IGNORECASE)
    return (found["name"] or "ratio", _quantity(found)) if found else None


def _position_said(clause: str) -> tuple[str, Value] | None:
    for pattern, reader in POSITIONS:
        found = re.fullmatch(rf"(?P<name>.+?)(?: at)? {pattern}", clause, re.IGNORECASE)
        if found:
            return found["name"], reader(found)
    return None


def _number_said(clause: str) -> tuple[str, Value] | None:
    found = re.fullmatch(rf"(?P<name>.+?) {QUANTITY}", clause, re.IGNORECASE)
    return (found["name"], _quantity(found)) if found else None


def _turned_round(clause: str) -> tuple[str, Value] | None:
    """`15 ms attack`, for the names that are often said last."""
    found = re.fullmatch(rf"{QUANTITY} (?P<name>{'|'.join(LAST_NAMES)})", clause, re.IGNORECASE)
    return (found["name"], _quantity(found)) if found else None


def _choice(clause: str) -> tuple[str, Value] | None:
    found = re.fullmatch(r"(?P<name>[^:]+?) ?: ?(?P<words>.+)", clause) or re.fullmatch(
        rf"(?P<name>{'|'.join(CHOICE_NAMES)}) (?P<words>\D.*)", clause, re.IGNORECASE
    )
    return (found["name"], Choice(found["words"])) if found else None


def _quantity(found: re.Match[str]) -> Quantity:
    groups = found.groupdict()
    about = bool(groups.get("about"))
    if groups.get("ratio"):
        return Quantity(_number(groups["ratio"]), RATIO, about=about)
    if groups.get("expansion"):
        return Quantity(_number(groups["expansion"]), EXPANSION, about=about)
    unit = SPELLINGS[groups["unit"].lower()]
    if groups["first_unit"] and SPELLINGS[groups["first_unit"].lower()] != unit:
        raise NotRead(f"both ends of a range have one unit, not {groups['first_unit']} and {groups['unit']}")
    up_to = _number(groups["up_to"]) if groups["up_to"] else None
    return Quantity(_number(groups["amount"]), unit, up_to, about)


def _dial(found: re.Match[str]) -> Dial:
    groups = found.groupdict()
    at, low, high = (_number(groups.get(name) or "0") for name in ("at", "low", "high"))
    if not low < high:
        raise NotRead("the scale of a dial has to end above where it begins")
    if not low <= at <= high:
        raise NotRead(f"the dial cannot stand at {at:g} on a scale from {low:g} to {high:g}")
    return Dial(at, high, low)


def _detent(found: re.Match[str]) -> Detent:
    ordinal = (found["ordinal"] or "").lower()
    step = (ORDINALS.get(ordinal) or int(re.sub(r"\D", "", ordinal))) if ordinal else _number(found["step"])
    of = _number(found["of"])
    if of != int(of) or step != int(step) or not 1 <= step <= of <= LONGEST_SCALE:
        raise NotRead(f"a switch of {of:g} steps has no step {step:g}")
    return Detent(int(step), int(of))


def _clock(found: re.Match[str]) -> Clock:
    hour = _number(found["past"] or found["hour"])
    minute = 30 if found["half"] else int(found["minute"] or 0)
    if hour != int(hour) or not 1 <= hour <= HOURS or minute >= 60:
        raise NotRead("a knob’s clock goes from one to twelve o’clock")
    return Clock(int(hour), minute)


def _number(said: str) -> float:
    word = said.lower()
    if word in CARDINALS:
        return float(CARDINALS[word])
    if re.fullmatch(INFINITE, word):
        return -math.inf if word.startswith("-") else math.inf
    number = round(float(word), 6)
    if abs(number) > LARGEST:
        raise NotRead(f"{said} is too large a number for a setting")
    return number


def _checked(setting: Setting) -> Setting:
    if len(setting.name) > LONGEST_NAME:
        raise NotRead(f"a setting’s name has {LONGEST_NAME} letters at most")
    for _, value in setting.values:
        if isinstance(value, Choice) and len(value.words) > LONGEST_NAME:
            raise NotRead(f"a choice has {LONGEST_NAME} letters at most")
        if isinstance(value, Quantity) and value.unit in {RATIO, EXPANSION} and value.amount < 1:
            raise NotRead("a ratio is 1:1 or more")
    return setting


def hertz(frequency: Quantity) -> float:
    """A frequency said in Hz or kHz, in Hz."""
    return frequency.amount * (1_000.0 if frequency.unit == "kHz" else 1.0)


POSITIONS = (
    (DETENT, _detent),
    (DIAL_FROM, _dial),
    (DIAL, _dial),
    (CLOCK, _clock),
)
