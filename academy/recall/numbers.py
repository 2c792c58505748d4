"""Numbers as engineers say them: with a unit, on a dial, on a stepped switch, on the clock."""

from __future__ import annotations

import math
import re

from academy.recall.chain import Clock, Detent, Dial, Position, Quantity, SheetRefused
from academy.recall.vocabulary import CARDINALS, EXPANSION, ORDINALS, RATIO, SPELLINGS

ANY_CASE = re.IGNORECASE | re.ASCII  # without the second, “ſ” would pass for an “s”
LARGEST = 1e9
HOURS = 12
LONGEST_SCALE = 1_000
LONGEST_QUOTE = 60

NUMBER = r"[+-]?\d{1,12}(?:\.\d{1,12})?"
INFINITE = r"[+-]?(?:infinity|inf|∞)"
WORD_NUMBER = rf"(?:{NUMBER}|{'|'.join(CARDINALS)})"
UNIT = "|".join(re.escape(spelling) for spelling in sorted(SPELLINGS, key=len, reverse=True))
ABOUT = r"(?P<about>about |around |~ ?)?"
QUANTITY = (
    rf"{ABOUT}(?P<amount>{NUMBER}|{INFINITE})"
    rf"(?:(?: ?(?P<first_unit>{UNIT}))?(?: to |-)(?P<up_to>{NUMBER}))? ?(?P<unit>{UNIT})"
)
FREQUENCY = rf"(?P<amount>{NUMBER}) ?(?P<unit>kHz|Hz|k)"
RATIO_SAID = rf"{ABOUT}(?:(?P<ratio>{NUMBER}|{INFINITE}) ?: ?1|1 ?: ?(?P<expansion>{NUMBER}|{INFINITE}))"
DIAL = rf"(?P<at>{WORD_NUMBER}) ?(?:of|out of|/) ?(?P<high>{WORD_NUMBER})"
DIAL_FROM = rf"(?P<at>{NUMBER}) from (?P<low>{NUMBER}) to (?P<high>{NUMBER})"
DETENT = (
    rf"(?:(?P<ordinal>{'|'.join(ORDINALS)}|\d{{1,4}}(?:st|nd|rd|th)) step|step (?P<step>{WORD_NUMBER})) "
    rf"of (?P<of>{WORD_NUMBER})"
)
CLOCK = (
    rf"(?:(?P<half>half past )(?P<past>{WORD_NUMBER})|(?P<hour>{WORD_NUMBER})(?::(?P<minute>\d\d))? ?o'clock)"
)


class NotRead(SheetRefused):
    """A phrase says nothing that is understood here; the sentence says what would be."""

    def __init__(self, words: str) -> None:
        super().__init__(f"{words[:1].upper()}{words[1:]}.")


def plainer(phrase: str) -> str:
    """One way of writing minus, dash, apostrophe, colon and space."""
    for odd, usual in (("−", "-"), ("–", "-"), ("’", "'"), ("∶", ":"), ("‑", "-")):
        phrase = phrase.replace(odd, usual)
    return " ".join(phrase.split())


def require_printable(said: str) -> None:
    """Raise NotRead for signs that no page shows, nor every database takes: a null, half a surrogate pair."""
    if not said.isprintable():
        raise NotRead("the line holds a sign that cannot be printed")


def quoted(said: str) -> str:
    """What somebody wrote, in quotation marks, cut where it would drown the sentence around it."""
    return f"“{said}”" if len(said) <= LONGEST_QUOTE else f"“{said[:LONGEST_QUOTE].rstrip()}…”"


def read_amount(phrase: str) -> float:
    """A number alone, or `infinity`. Raises NotRead."""
    said = plainer(phrase)
    if not re.fullmatch(rf"{NUMBER}|{INFINITE}", said, ANY_CASE):
        raise NotRead(f"{quoted(phrase)} is no number")
    return number_of(said)


def read_position(phrase: str) -> Position:
    """A place on a dial, a stepped switch or the clock alone. Raises NotRead."""
    said = plainer(phrase)
    for pattern, reader in POSITIONS:
        found = re.fullmatch(pattern, said, ANY_CASE)
        if found:
            return reader(found)
    raise NotRead(f"{quoted(phrase)} is no position: write 6 of 10, two o’clock, or third step of five")


def quantity_of(found: re.Match[str]) -> Quantity:
    """The quantity of a phrase that RATIO_SAID or QUANTITY has matched. Raises NotRead for two units."""
    groups = found.groupdict()
    about = bool(groups.get("about"))
    if groups.get("ratio"):
        return Quantity(number_of(groups["ratio"]), RATIO, about=about)
    if groups.get("expansion"):
        return Quantity(number_of(groups["expansion"]), EXPANSION, about=about)
    unit = SPELLINGS[groups["unit"].lower()]
    if groups["first_unit"] and SPELLINGS[groups["first_unit"].lower()] != unit:
        raise NotRead(f"both ends of a range have one unit, not {groups['first_unit']} and {groups['unit']}")
    up_to = number_of(groups["up_to"]) if groups["up_to"] else None
    return Quantity(number_of(groups["amount"]), unit, up_to, about)


def _dial(found: re.Match[str]) -> Dial:
    groups = found.groupdict()
    at, low, high = (number_of(groups.get(name) or "0") for name in ("at", "low", "high"))
    if not low < high:
        raise NotRead("the scale of a dial has to end above where it begins")
    if not low <= at <= high:
        raise NotRead(f"the dial cannot stand at {at:g} on a scale from {low:g} to {high:g}")
    return Dial(at, high, low)


def _detent(found: re.Match[str]) -> Detent:
    ordinal = (found["ordinal"] or "").lower()
    step = (ORDINALS.get(ordinal) or int(re.sub(r"\D", "", ordinal))) if ordinal else number_of(found["step"])
    of = number_of(found["of"])
    if of != int(of) or step != int(step) or not 1 <= step <= of <= LONGEST_SCALE:
        raise NotRead(f"a switch of {of:g} steps has no step {step:g}")
    return Detent(int(step), int(of))


def _clock(found: re.Match[str]) -> Clock:
    hour = number_of(found["past"] or found["hour"])
    minute = 30 if found["half"] else int(found["minute"] or 0)
    if hour != int(hour) or not 1 <= hour <= HOURS or minute >= 60:
        raise NotRead("a knob’s clock goes from one to twelve o’clock")
    return Clock(int(hour), minute)


def number_of(said: str) -> float:
    """A number in digits or as a word, or infinity; six decimals count. Raises NotRead beyond LARGEST."""
    word = said.lower()
    if word in CARDINALS:
        return float(CARDINALS[word])
    if re.fullmatch(INFINITE, word):
        return -math.inf if word.startswith("-") else math.inf
    number = round(float(word), 6)
    if abs(number) > LARGEST:
        raise NotRead(f"{said} is too large a number for a setting")
    return number


def frequency_of(found: re.Match[str]) -> Quantity:
    """The frequency of a phrase that FREQUENCY has matched."""
    return Quantity(number_of(found["amount"]), SPELLINGS[found["unit"].lower()])


def hertz(frequency: Quantity) -> float:
    """A frequency said in Hz or kHz, in Hz."""
    return frequency.amount * (1_000.0 if frequency.unit == "kHz" else 1.0)


POSITIONS = (
    (DETENT, _detent),
    (DIAL_FROM, _dial),
    (DIAL, _dial),
    (CLOCK, _clock),
)
