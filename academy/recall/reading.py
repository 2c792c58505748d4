"""A sheet read from text as an engineer types it: devices, their settings a line each, others inside them.

sheet: Two-bus
on: the two-bus
rate: 48 kHz

compressor (hardware): Gentle bus compressor
    why: It holds the choruses together.
    ratio 1.5:1
    attack 15 ms -- lets the stick through
    side-chain high-pass 90 Hz
    mid: reduction 2 dB | side: reduction 1 dB
    side chain:
        equaliser (hardware)
            high shelf 3 kHz +2 dB
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace

from academy.recall.chain import (
    DEFAULT_RATE_HZ,
    Device,
    Insert,
    Kind,
    Nature,
    Path,
    Place,
    Setting,
    Sheet,
    SheetRefused,
)
from academy.recall.numbers import (
    ANY_CASE,
    FREQUENCY,
    NotRead,
    frequency_of,
    hertz,
    quoted,
    require_printable,
)
from academy.recall.phrases import read_setting
from analysis.dsp.errors import RateError, require_rate

LONGEST_TEXT = 64 * 1024
LONGEST_LINE = 1_100  # a device’s reason behind its “why:”, with some room
LONGEST_TITLE, LONGEST_NAME, LONGEST_REASON = 120, 80, 1_000
DEEPEST = 4
MOST_DEVICES, MOST_SETTINGS = 100, 100
TAB = 4

KIND_WORDS = {
    **{kind.value: kind for kind in Kind},
    "eq": Kind.EQUALISER,
    "equalizer": Kind.EQUALISER,
    "deesser": Kind.DE_ESSER,
    "expander": Kind.GATE,
    "saturator": Kind.SATURATION,
}
PATH_WORDS = {
    "side chain": Path.SIDE_CHAIN,
    "side-chain": Path.SIDE_CHAIN,
    "sidechain": Path.SIDE_CHAIN,
    "parallel path": Path.PARALLEL,
    "parallel": Path.PARALLEL,
    "insert": Path.INSERT,
}
DEVICE_LINE = re.compile(
    rf"(?P<kind>{'|'.join(map(re.escape, KIND_WORDS))})(?: ?\((?P<marks>[^)]*)\))?(?: ?: ?(?P<name>.*))?",
    ANY_CASE,
)
PATH_LINE = re.compile(rf"(?P<path>{'|'.join(map(re.escape, PATH_WORDS))}) ?:", ANY_CASE)
HEAD_LINE = re.compile(r"(?P<word>sheet|on|rate) ?: ?(?P<rest>.*)", ANY_CASE)


@dataclass
class _OpenDevice:
    """A device whose lines are still coming."""

    indent: int
    device: Device
    settings: list[Setting] = field(default_factory=list)
    inserts: list[_OpenInsert] = field(default_factory=list)

    def closed(self) -> Device:
        inserts = tuple(
            Insert(one.path, tuple(inner.closed() for inner in one.devices)) for one in self.inserts
        )
        return replace(self.device, settings=tuple(self.settings), inserts=inserts)


@dataclass
class _OpenInsert:
    """A path inside a device whose devices are still coming."""

    indent: int
    path: Path
    devices: list[_OpenDevice] = field(default_factory=list)


class _Reader:
    """Takes one line after the other; what is wrong is collected with its line number."""

    def __init__(self) -> None:
        self.head: dict[str, str] = {}
        self.devices: list[_OpenDevice] = []
        self.troubles: list[str] = []
        self._open: list[_OpenDevice | _OpenInsert] = []
        self._count = 0
        self._number = 0

    def take(self, number: int, line: str) -> None:
        """One line as it stands in the text."""
        self._number = number
        bare = line.strip()
        if not bare or bare.startswith("#"):
            return
        indent = len(line) - len(line.lstrip())
        try:
            if len(bare) > LONGEST_LINE:
                raise NotRead(f"a line has {LONGEST_LINE:,} letters at most")
            require_printable(bare)
            self._take(indent, bare)
        except NotRead as exc:
            self.troubles.append(f"Line {number}: {exc}")

    def _take(self, indent: int, bare: str) -> None:
        head = HEAD_LINE.fullmatch(bare)
        if head and not self.devices:
            self.head[head["word"].lower()] = head["rest"].strip()
        elif path := PATH_LINE.fullmatch(bare):
            self._begin_insert(indent, PATH_WORDS[path["path"].lower()])
        elif self._is_device(indent, bare):
            self._begin_device(indent, bare)
        else:
            self._add_line(indent, bare)

    def _is_device(self, indent: int, bare: str) -> bool:
        found = DEVICE_LINE.fullmatch(bare)
        if not found:
            return False
        # Without its brackets, `width: wide` inside a device is a choice.
        inside = self._open and indent > self._open[-1].indent and isinstance(self._open[-1], _OpenDevice)
        return found["marks"] is not None or found["name"] is None or not inside

    def _begin_device(self, indent: int, bare: str) -> None:
        while self._open and self._open[-1].indent >= indent:
            self._open.pop()
        if self._open and isinstance(self._open[-1], _OpenDevice):
            raise NotRead(
                "a device inside another one needs a line before it that says where: "
                "“side chain:”, “parallel path:” or “insert:”"
            )
        if sum(isinstance(one, _OpenDevice) for one in self._open) >= DEEPEST:
            raise NotRead(f"devices nest {DEEPEST} deep at most")
        opened = _OpenDevice(indent, _device(bare))
        self._count += 1
        if self._count > MOST_DEVICES:
            raise NotRead(f"a sheet holds {MOST_DEVICES} devices at most")
        into = (
            self._open[-1].devices if self._open and isinstance(self._open[-1], _OpenInsert) else self.devices
        )
        into.append(opened)
        self._open.append(opened)

    def _begin_insert(self, indent: int, path: Path) -> None:
        owner = self._owner(indent, f"“{path}:”")
        opened = _OpenInsert(indent, path)
        owner.inserts.append(opened)
        self._open.append(opened)

    def _add_line(self, indent: int, bare: str) -> None:
        owner = self._owner(indent, quoted(bare))
        reason = re.fullmatch(r"why ?: ?(.+)", bare, ANY_CASE)
        if reason:
            if owner.device.reason:
                raise NotRead("a device has one “why:”")
            owner.device = replace(owner.device, reason=_short(reason[1], LONGEST_REASON, "a reason"))
            return
        if len(owner.settings) >= MOST_SETTINGS:
            raise NotRead(f"a device holds {MOST_SETTINGS} settings at most")
        owner.settings.append(read_setting(bare))

    def _owner(self, indent: int, what: str) -> _OpenDevice:
        """The device that a line belongs to, by its indent; a line as far left as the device is still its."""
        while self._open:
            last = self._open[-1]
            if isinstance(last, _OpenDevice) and last.indent <= indent:
                return last
            if isinstance(last, _OpenInsert) and last.indent < indent:
                raise NotRead(
                    f"{what} stands where a device is expected, for instance “equaliser (software)”"
                )
            self._open.pop()
        raise NotRead(
            f"{what} belongs to no device: write the device first, for instance “compressor (hardware)”"
        )


def read_sheet(text: str) -> Sheet:
    """The sheet that a text says. Raises SheetRefused, a sentence for each line that is not understood."""
    reader = _read(text)
    title, place, place_name, rate_hz = "", Place.TWO_BUS, "", DEFAULT_RATE_HZ
    for word, example in (("sheet", "sheet: Lead vocal"), ("on", "on: track Lead vocal")):
        if not reader.head.get(word):
            reader.troubles.insert(
                0, f"The line “{word}: …” is missing at the top, for instance “{example}”."
            )
    try:
        title = _short(reader.head.get("sheet", ""), LONGEST_TITLE, "a title")
        if reader.head.get("on"):
            place, place_name = read_place(reader.head["on"])
        if reader.head.get("rate"):
            rate_hz = read_rate(reader.head["rate"])
    except NotRead as exc:
        reader.troubles.insert(0, f"At the top: {exc}")
    if reader.troubles:
        raise SheetRefused(*reader.troubles)
    return Sheet(title, place, place_name, rate_hz, tuple(one.closed() for one in reader.devices))


def read_devices(text: str) -> tuple[Device, ...]:
    """The chain alone; lines for the top of a sheet are passed over. Raises SheetRefused as `read_sheet`."""
    reader = _read(text)
    if reader.troubles:
        raise SheetRefused(*reader.troubles)
    return tuple(one.closed() for one in reader.devices)


def read_place(said: str) -> tuple[Place, str]:
    """What a chain sits on: `track Lead vocal`, `group Drums`, `the two-bus`. Raises NotRead."""
    if re.fullmatch(r"(?:the )?two[- ]bus", said.strip(), ANY_CASE):
        return Place.TWO_BUS, ""
    found = re.fullmatch(r"(?P<place>track|group) (?P<name>.+)", said.strip(), ANY_CASE)
    if not found:
        raise NotRead("“on:” takes “track …”, “group …” or “the two-bus”")
    return Place(found["place"].lower()), _short(found["name"], LONGEST_NAME, "a name")


def read_rate(said: str) -> int:
    """The file's sampling rate in Hz: `48 kHz`, `44.1 kHz`, `96000 Hz`. Raises NotRead."""
    found = re.fullmatch(FREQUENCY, said.strip(), ANY_CASE)
    if not found:
        raise NotRead("“rate:” takes a sampling rate like 48 kHz")
    rate_hz = round(hertz(frequency_of(found)))
    try:
        require_rate(rate_hz)
    except RateError as exc:
        raise NotRead(str(exc)) from exc
    return rate_hz


def _read(text: str) -> _Reader:
    if len(text) > LONGEST_TEXT:
        raise SheetRefused(
            f"The text is longer than {LONGEST_TEXT // 1024} KiB. Split it into several sheets."
        )
    reader = _Reader()
    for number, line in enumerate(text.lstrip("\ufeff").splitlines(), start=1):
        reader.take(number, line.expandtabs(TAB).replace("\u00a0", " "))
    return reader


def _device(bare: str) -> Device:
    found = DEVICE_LINE.fullmatch(bare)
    assert found
    kind = KIND_WORDS[found["kind"].lower()]
    marks = [mark.strip().lower() for mark in (found["marks"] or "").split(",") if mark.strip()]
    natures = [Nature(mark) for mark in marks if mark in set(Nature)]
    unknown = [mark for mark in marks if mark not in {*Nature, "bypassed"}]
    if len(natures) != 1:
        raise NotRead(f"say whether the {kind} is hardware or software: “{kind} (hardware)”")
    if unknown:
        raise NotRead(
            f"{quoted(unknown[0])} is not understood; in the brackets stand hardware or software, "
            "and bypassed"
        )
    name = _short((found["name"] or "").strip(), LONGEST_NAME, "a device’s name")
    return Device(kind, natures[0], name, "bypassed" in marks)


def _short(said: str, longest: int, what: str) -> str:
    said = " ".join(said.split())
    if len(said) > longest:
        raise NotRead(f"{what} has {longest} letters at most")
    return said
