"""The host's forms: a sheet's facts, its text, a device, and a setting of each kind of value."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django import forms

from academy.packs.models import StemPack
from academy.recall.chain import (
    PAIRS,
    Choice,
    Clock,
    Detent,
    Device,
    Dial,
    EqBand,
    Kind,
    Nature,
    Path,
    Place,
    Position,
    Quantity,
    Setting,
    Side,
    Switch,
    Value,
    plain,
)
from academy.recall.numbers import LARGEST, LONGEST_SCALE, NotRead, read_amount, read_position
from academy.recall.phrases import LONGEST_NAME as LONGEST_SETTING_NAME
from academy.recall.phrases import LONGEST_REASON
from academy.recall.reading import (
    LONGEST_NAME,
    LONGEST_TEXT,
    LONGEST_TITLE,
    read_rate,
)
from academy.recall.reading import LONGEST_REASON as LONGEST_DEVICE_REASON
from academy.recall.sheets import LONGEST_NOTE
from academy.recall.vocabulary import EXPANSION, RATIO, UNITS
from academy.recall.writing import write_value
from analysis.dsp.curves.equaliser import SHELVES, Shape

TEXT_HELP = (
    "A line for each device, its settings below it as you would say them: ratio 4:1, attack 15 ms, "
    "drive 6 of 10, low shelf 60 Hz +1 dB. Why comes behind “--”."
)


def _listed(listing: type[Any]) -> list[tuple[str, str]]:
    return [(one.value, one.value.capitalize()) for one in listing]


class FactsForm(forms.Form):
    """What a sheet is called, what it is on, and at which rate sampled curves are drawn."""

    title = forms.CharField(label="Title", max_length=LONGEST_TITLE)
    place = forms.ChoiceField(label="What the chain is on", choices=_listed(Place))
    place_name = forms.CharField(
        label="Name of the track or group",
        max_length=LONGEST_NAME,
        required=False,
        help_text="The two-bus needs none. A track of a pack is named like its stem.",
    )
    pack = forms.ModelChoiceField(
        label="Stem pack",
        queryset=StemPack.objects.all(),
        required=False,
        empty_label="none: only lessons show it",
        help_text="Whoever may open the pack may read the sheet, once you show it.",
    )
    rate = forms.CharField(
        label="Sampling rate of the mix",
        initial="48 kHz",
        max_length=20,
        help_text="Software equalisers end at half of it, and their curves are drawn so.",
    )

    def clean_rate(self) -> int:
        """The rate in Hz."""
        try:
            return read_rate(self.cleaned_data["rate"])
        except NotRead as exc:
            raise forms.ValidationError(str(exc)) from exc

    def clean(self) -> dict[str, Any]:
        """A track and a group need their name."""
        given = super().clean() or {}
        if given.get("place") in {Place.TRACK, Place.GROUP} and not given.get("place_name"):
            self.add_error("place_name", f"Write the name of the {given['place']}.")
        return given


class TextForm(forms.Form):
    """A chain as text."""

    text = forms.CharField(
        label="The chain",
        required=False,
        strip=False,
        max_length=LONGEST_TEXT,
        widget=forms.Textarea(attrs={"rows": 24, "spellcheck": "false", "class": "chain-text"}),
        help_text=TEXT_HELP,
    )


class ImportForm(forms.Form):
    """A sheet from a file or pasted: text or JSON, as this site exports them."""

    file = forms.FileField(label="A .txt or .json file", required=False)
    text = forms.CharField(
        label="Or its text",
        required=False,
        strip=False,
        widget=forms.Textarea(attrs={"rows": 12, "spellcheck": "false", "class": "chain-text"}),
    )
    pack = FactsForm.base_fields["pack"]


class KeepForm(forms.Form):
    """A note to a version."""

    note = forms.CharField(label="What changed", max_length=LONGEST_NOTE, required=False)


class DeviceForm(forms.Form):
    """One device, without its settings."""

    kind = forms.ChoiceField(label="Kind", choices=_listed(Kind))
    nature = forms.ChoiceField(
        label="Made as",
        choices=_listed(Nature),
        help_text="Hardware is drawn with analogue curves, software with sampled ones.",
    )
    name = forms.CharField(label="Your name for it", max_length=LONGEST_NAME, required=False)
    bypassed = forms.BooleanField(label="Bypassed: it is there, but the sound goes past it", required=False)
    reason = forms.CharField(
        label="Why it is there",
        max_length=LONGEST_DEVICE_REASON,
        required=False,
        widget=forms.Textarea(attrs={"rows": 3}),
    )

    @staticmethod
    def initial_of(device: Device) -> dict[str, Any]:
        """The fields of a device that is there."""
        return {
            "kind": device.kind.value,
            "nature": device.nature.value,
            "name": device.name,
            "bypassed": device.is_bypassed,
            "reason": device.reason,
        }

    def facts(self) -> dict[str, Any]:
        """What the fields say, as a device's attributes."""
        given = self.cleaned_data
        return {
            "kind": Kind(given["kind"]),
            "nature": Nature(given["nature"]),
            "name": " ".join(given["name"].split()),
            "is_bypassed": given["bypassed"],
            "reason": " ".join(given["reason"].split()),
        }


class PathForm(forms.Form):
    """Where inside a device another one goes."""

    path = forms.ChoiceField(label="Where", choices=_listed(Path))


class NameForm(forms.Form):
    """A setting's name."""

    name = forms.CharField(label="Setting", max_length=LONGEST_SETTING_NAME, help_text="For instance attack.")


class BandNameForm(NameForm):
    """A band's name: most have none."""

    name = forms.CharField(
        label="Name of the band",
        max_length=LONGEST_SETTING_NAME,
        required=False,
        help_text="Write side-chain for a filter in front of the detector; most bands need no name.",
    )


class ReasonForm(forms.Form):
    """Why a setting is as it is."""

    reason = forms.CharField(label="Why", max_length=LONGEST_REASON, required=False)


class ValueForm(forms.Form):
    """A value. Each kind of value is a form of its own."""

    def value(self) -> Value:
        """What the fields say. Raises NotRead for what is no such value."""
        raise NotImplementedError

    @staticmethod
    def initial_of(value: Any) -> dict[str, Any]:
        """The fields of a value that is there."""
        raise NotImplementedError


class AmountField(forms.CharField):
    """A number, or `infinity`, as it may be typed in a text too."""

    def clean(self, value: Any) -> float:
        """The number. Raises ValidationError for what is none."""
        said = super().clean(value)
        try:
            return read_amount(said)
        except NotRead as exc:
            raise forms.ValidationError("Write a number, like 15 or −0.5, or infinity.") from exc


class QuantityForm(ValueForm):
    """A number with its unit."""

    amount = AmountField(label="Value", max_length=20)
    unit = forms.ChoiceField(
        label="Unit",
        choices=[
            *((unit, unit) for unit in UNITS),
            (RATIO, ":1, a ratio"),
            (EXPANSION, "1:, an expander’s"),
        ],
    )
    up_to = forms.FloatField(label="Up to", required=False, min_value=-LARGEST, max_value=LARGEST)
    about = forms.BooleanField(label="Only about so", required=False)

    def value(self) -> Quantity:
        """The quantity."""
        given = self.cleaned_data
        up_to = None if given["up_to"] is None else round(given["up_to"], 6)
        return Quantity(given["amount"], given["unit"], up_to, given["about"])

    @staticmethod
    def initial_of(value: Quantity) -> dict[str, Any]:
        """Its fields."""
        return {"amount": plain(value.amount), "unit": value.unit, "up_to": value.up_to, "about": value.about}


class DialForm(ValueForm):
    """A dial with a scale of its own."""

    at = forms.FloatField(label="It stands at", min_value=-LARGEST, max_value=LARGEST)
    low = forms.FloatField(label="The scale begins at", initial=0, min_value=-LARGEST, max_value=LARGEST)
    high = forms.FloatField(label="and ends at", initial=10, min_value=-LARGEST, max_value=LARGEST)

    def value(self) -> Dial:
        """The position."""
        given = self.cleaned_data
        return Dial(round(given["at"], 6), round(given["high"], 6), round(given["low"], 6))

    @staticmethod
    def initial_of(value: Dial) -> dict[str, Any]:
        """Its fields."""
        return {"at": plain(value.at), "low": plain(value.low), "high": plain(value.high)}


class DetentForm(ValueForm):
    """A stepped switch."""

    step = forms.IntegerField(label="Step", min_value=1, max_value=LONGEST_SCALE)
    of = forms.IntegerField(label="of", min_value=1, max_value=LONGEST_SCALE)

    def value(self) -> Detent:
        """The step."""
        return Detent(self.cleaned_data["step"], self.cleaned_data["of"])

    @staticmethod
    def initial_of(value: Detent) -> dict[str, Any]:
        """Its fields."""
        return {"step": value.step, "of": value.of}


class ClockForm(ValueForm):
    """A knob read as the hour hand of a clock."""

    hour = forms.IntegerField(label="Hour", min_value=1, max_value=12)
    minute = forms.IntegerField(label="Minute", min_value=0, max_value=59, initial=0)

    def value(self) -> Clock:
        """The position."""
        return Clock(self.cleaned_data["hour"], self.cleaned_data["minute"])

    @staticmethod
    def initial_of(value: Clock) -> dict[str, Any]:
        """Its fields."""
        return {"hour": value.hour, "minute": value.minute}


class ChoiceForm(ValueForm):
    """A position that has a name."""

    words = forms.CharField(label="Choice", max_length=LONGEST_SETTING_NAME, help_text="For instance slow.")

    def value(self) -> Choice:
        """The choice."""
        return Choice(" ".join(self.cleaned_data["words"].split()))

    @staticmethod
    def initial_of(value: Choice) -> dict[str, Any]:
        """Its fields."""
        return {"words": value.words}


class SwitchForm(ValueForm):
    """On or off."""

    state = forms.ChoiceField(label="It is", choices=[("on", "On"), ("off", "Off")])

    def value(self) -> Switch:
        """The switch."""
        return Switch(self.cleaned_data["state"] == "on")

    @staticmethod
    def initial_of(value: Switch) -> dict[str, Any]:
        """Its fields."""
        return {"state": "on" if value.is_on else "off"}


class EqBandForm(ValueForm):
    """A band of an equaliser, or a filter."""

    shape = forms.ChoiceField(label="Shape", choices=_listed(Shape))
    frequency = forms.FloatField(label="Frequency", min_value=0.001, max_value=LARGEST)
    frequency_unit = forms.ChoiceField(label="in", choices=[("Hz", "Hz"), ("kHz", "kHz")])
    gain_db = forms.FloatField(label="Gain in dB", required=False, min_value=-LARGEST, max_value=LARGEST)
    position = forms.CharField(
        label="Or the gain as a position",
        max_length=40,
        required=False,
        help_text="For a knob without dB: 3 of 10, two o’clock, step 2 of 5.",
    )
    is_read = forms.BooleanField(
        label="The gain is what is read at that frequency (shelves only)", required=False
    )
    width = forms.FloatField(label="Width or slope", required=False, min_value=0.001, max_value=LARGEST)
    width_unit = forms.ChoiceField(
        label="as",
        initial="Q",
        choices=[
            ("Q", "Q"),
            ("octaves", "octaves"),
            ("dB/octave", "dB/octave, of high- and low-pass"),
            ("slope", "shelf slope, 1 is steepest"),
        ],
    )

    def value(self) -> EqBand:
        """The band. Raises NotRead for a position that is none."""
        given = self.cleaned_data
        gain: Quantity | Position | None = None
        if given["gain_db"] is not None:
            gain = Quantity(round(given["gain_db"], 6), "dB")
        if given["position"]:
            if gain is not None:
                raise NotRead("a band has its gain in dB or as a position, not both")
            gain = read_position(given["position"])
        if given["is_read"] and Shape(given["shape"]) not in SHELVES:
            raise NotRead("only a shelf’s gain may be what is read at a frequency: a bell has its gain there")
        if given["is_read"] and not isinstance(gain, Quantity):
            raise NotRead("what is read at a frequency is a gain in dB: write it")
        width = None if given["width"] is None else Quantity(round(given["width"], 6), given["width_unit"])
        frequency = Quantity(round(given["frequency"], 6), given["frequency_unit"])
        return EqBand(Shape(given["shape"]), frequency, gain, width, given["is_read"])

    @staticmethod
    def initial_of(value: EqBand) -> dict[str, Any]:
        """Its fields."""
        fields: dict[str, Any] = {
            "shape": value.shape.value,
            "frequency": plain(value.frequency.amount),
            "frequency_unit": value.frequency.unit,
            "is_read": value.is_read,
        }
        if isinstance(value.gain, Quantity):
            fields["gain_db"] = plain(value.gain.amount)
        elif value.gain is not None:
            fields["position"] = write_value(value.gain)
        if value.width:
            fields |= {"width": plain(value.width.amount), "width_unit": value.width.unit}
        return fields


VALUE_FORMS: dict[str, tuple[str, type[ValueForm], type[Value]]] = {
    "quantity": ("a number with its unit", QuantityForm, Quantity),
    "band": ("a band or filter", EqBandForm, EqBand),
    "dial": ("a dial’s position", DialForm, Dial),
    "clock": ("a knob’s position as on a clock", ClockForm, Clock),
    "detent": ("a step of a switch", DetentForm, Detent),
    "choice": ("a choice", ChoiceForm, Choice),
    "switch": ("on or off", SwitchForm, Switch),
}
"""What a setting may be, by the word in its address: words, form, value."""

SPLITS: dict[str, tuple[Side, ...]] = {
    "both": (Side.BOTH,),
    **{f"{first.value}-{second.value}": (first, second) for first, second in PAIRS.items()},
    **{side.value: (side,) for side in Side if side is not Side.BOTH},
}
"""Which channels a setting is for, by the word in its address."""


def form_word_of(value: Value) -> str:
    """The word of the form that a value is edited with."""
    return next(word for word, (_, _, kind) in VALUE_FORMS.items() if isinstance(value, kind))


def split_word_of(setting: Setting) -> str:
    """The word of the channels that a setting is for."""
    sides = tuple(side for side, _ in setting.values)
    return next(word for word, known in SPLITS.items() if known == sides)


class SettingForms:
    """The forms of one setting: its name, a value for each channel that it is for, and the reason."""

    def __init__(self, word: str, split: str, *, data: Any = None, setting: Setting | None = None) -> None:
        form_class = VALUE_FORMS[word][1]
        names: Callable[..., NameForm] = BandNameForm if word == "band" else NameForm
        self.head = names(data, initial={"name": setting.name} if setting else None)
        self.reason = ReasonForm(data, initial={"reason": setting.reason} if setting else None)
        self.values: list[tuple[Side, ValueForm]] = []
        for side in SPLITS[split]:
            value = setting.value_for(side) if setting else None
            fits = value is not None and form_word_of(value) == word
            initial = form_class.initial_of(value) if fits else None
            self.values.append((side, form_class(data, initial=initial, prefix=side.value)))

    def is_valid(self) -> bool:
        """Whether every form is; each then has its errors beside its fields."""
        values = [form.is_valid() for _, form in self.values]
        return all([self.head.is_valid(), *values, self.reason.is_valid()])

    def setting(self) -> Setting:
        """The setting that the fields say. Raises NotRead for a value that is none."""
        values = tuple((side, form.value()) for side, form in self.values)
        name, reason = self.head.cleaned_data["name"], self.reason.cleaned_data["reason"]
        return Setting(" ".join(name.split()), values, " ".join(reason.split()))
