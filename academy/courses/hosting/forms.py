"""The forms of the courses' desk."""

from __future__ import annotations

from typing import Any

from django import forms
from django.http import HttpRequest

from academy.courses import free_part
from academy.courses.authoring import LessonText
from academy.courses.chapters import clock, read_clock
from academy.courses.containers import ACCEPTED
from academy.courses.models import Course, Lesson
from academy.members.models import Tier
from academy.moment_fields import WallField, by_the_sites_clocks
from academy.packs.models import StemPack
from academy.recall.models import RecallSheet
from analysis.intake.forms import SentFileForm

Sent = tuple[Any, Any] | tuple[None, None]

EVERYBODY, MEMBERS = "everybody", "members"
MEDIA_ENDINGS = ".mp4,.m4a,.m4v,.webm,.ogg,.oga,.opus,.mp3,.wav,.flac,audio/*,video/*"


def sent(request: HttpRequest) -> Sent:
    """What a form is bound to: fields and files of a POST, an empty one too; nothing of a GET."""
    return (request.POST, request.FILES) if request.method == "POST" else (None, None)


class CourseForm(forms.Form):
    """What a course says of itself."""

    title = forms.CharField(
        label="Title", max_length=120, error_messages={"required": "Give the course a title."}
    )
    summary = forms.CharField(
        label="Summary",
        required=False,
        widget=forms.Textarea(attrs={"rows": 5}),
        help_text="What is mixed, and what somebody learns by it. Markdown.",
    )
    pack = forms.ModelChoiceField(
        label="Stem pack",
        queryset=StemPack.objects.all(),
        required=False,
        empty_label="none",
        help_text="The raw tracks that the course is about.",
    )

    @classmethod
    def of(cls, course: Course) -> CourseForm:
        """Filled in with what there is."""
        return cls(initial={"title": course.title, "summary": course.summary, "pack": course.pack_id})


class LessonForm(forms.Form):
    """What a lesson says, and to whom it is open."""

    title = forms.CharField(
        label="Title", max_length=120, error_messages={"required": "Give the lesson a title."}
    )
    summary = forms.CharField(
        label="In one sentence",
        max_length=300,
        required=False,
        help_text="Everybody reads it, also where the lesson is locked.",
    )
    text = forms.CharField(
        label="Text",
        required=False,
        widget=forms.Textarea(attrs={"rows": 18}),
        help_text=f"Markdown. A line {free_part.MARKED_LINE} ends what is free to read of a locked lesson.",
    )
    opens_to = forms.ChoiceField(label="Open to")
    is_kept_back = forms.BooleanField(
        label="Keep this lesson back: only hosts see it, even in a published course", required=False
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        tiers = [(f"tier-{tier.slug}", f"{tier.name} and tiers above it") for tier in Tier.objects.all()]
        self.fields["opens_to"].choices = [  # type: ignore[attr-defined]  # it is a ChoiceField
            (EVERYBODY, "everybody"),
            (MEMBERS, "every member"),
            *tiers,
        ]

    @classmethod
    def of(cls, lesson: Lesson) -> LessonForm:
        """Filled in with what there is."""
        opens_to = MEMBERS if lesson.is_for_members else EVERYBODY
        return cls(
            initial={
                "title": lesson.title,
                "summary": lesson.summary,
                "text": lesson.text,
                "opens_to": f"tier-{lesson.tier.slug}" if lesson.tier else opens_to,
                "is_kept_back": lesson.is_kept_back,
            }
        )

    def clean_text(self) -> str:
        """At most one line may end the free part."""
        text: str = self.cleaned_data["text"].replace("\r\n", "\n")
        if free_part.marked_lines(text) > 1:
            raise forms.ValidationError(f"There are two lines {free_part.MARKED_LINE}. Keep one.")
        return text

    def written(self) -> LessonText:
        """What was filled in, for the service."""
        filled = self.cleaned_data
        opens_to = filled["opens_to"]
        is_tier = opens_to.startswith("tier-")
        return LessonText(
            title=filled["title"],
            summary=filled["summary"],
            text=filled["text"],
            tier=Tier.objects.get(slug=opens_to.removeprefix("tier-")) if is_tier else None,
            is_for_members=opens_to == MEMBERS,
            is_kept_back=filled["is_kept_back"],
        )


class RecordingForm(SentFileForm):
    """The recording of a lesson."""

    file_label = "Audio or video file"
    file_help = f"{ACCEPTED}. The file itself is looked at, not its name."
    file_accept = MEDIA_ENDINGS


class ClockField(forms.Field):
    """A time in a recording, typed as 1:30; seconds."""

    widget = forms.TextInput(attrs={"maxlength": 14})

    def to_python(self, value: Any) -> float | None:
        """Seconds; None for nothing. Raises ValidationError for what is no time."""
        text = str(value or "").strip()
        if not text:
            return None
        seconds = read_clock(text)
        if seconds is None:
            raise forms.ValidationError("Write minutes and seconds, as in 1:30 or 0:05.5.")
        return seconds


class FreePartForm(forms.Form):
    """From where to where everybody may hear a recording."""

    from_s = ClockField(label="From", error_messages={"required": "Say where the free part begins."})
    until_s = ClockField(label="Until", error_messages={"required": "Say where the free part ends."})

    @classmethod
    def of(cls, lesson: Lesson) -> FreePartForm:
        """Filled in with what there is."""
        if lesson.free_from_s is None or lesson.free_until_s is None:
            return cls(initial={"from_s": "0:00"})
        return cls(initial={"from_s": clock(lesson.free_from_s), "until_s": clock(lesson.free_until_s)})


class ExcerptForm(RecordingForm):
    """The free part as a file of its own, and where in the whole it begins."""

    from_s = ClockField(
        label="Where in the whole it begins",
        initial="0:00",
        help_text="Captions and chapters of the whole are moved by so much.",
        error_messages={"required": "Say where in the whole the part begins."},
    )
    field_order = ["upload", "from_s", "file"]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **{"auto_id": "part_%s"} | kwargs)  # it shares its page with the whole's form


class ChaptersForm(forms.Form):
    """Chapters as text."""

    chapters = forms.CharField(
        label="Chapters",
        required=False,
        strip=False,
        widget=forms.Textarea(attrs={"rows": 12, "class": "key"}),
        help_text="A time and a title a line: 0:00 The raw tracks, then 1:30 The bass.",
    )


class CaptionsForm(forms.Form):
    """A caption file and its language."""

    language = forms.CharField(
        label="Language",
        max_length=35,
        initial="en",
        help_text="As a tag: en, de, pt-BR. Captions there are in this language are replaced.",
    )
    file = forms.FileField(
        label="Caption file",
        allow_empty_file=True,
        widget=forms.FileInput(attrs={"accept": ".vtt,text/vtt"}),
        help_text="WebVTT in UTF-8. It is checked line by line.",
        error_messages={"required": "Choose a caption file; none arrived."},
    )


class AttachmentForm(forms.Form):
    """A file to take home."""

    title = forms.CharField(
        label="Title",
        max_length=120,
        error_messages={"required": "Say what the file is, for who takes it home."},
    )
    file = forms.FileField(
        label="File",
        allow_empty_file=True,
        widget=forms.FileInput(attrs={"accept": ".pdf,.txt,.zip"}),
        help_text="A PDF, a plain text or a ZIP, 100 MiB at most.",
        error_messages={"required": "Choose a file; none arrived."},
    )


class DemoForm(forms.Form):
    """What a demo lets hear."""

    title = forms.CharField(
        label="Title", max_length=120, error_messages={"required": "Give the demo a title."}
    )
    explanation = forms.CharField(
        label="What to listen for",
        required=False,
        widget=forms.Textarea(attrs={"rows": 4}),
        help_text="Markdown.",
    )


class VariantForm(SentFileForm):
    """One variant of a demo."""

    file_label = "WAV or FLAC file"

    label = forms.CharField(
        label="Name of the variant",
        max_length=60,
        error_messages={"required": "Name it: Before, After, Too much."},
    )
    is_exaggerated = forms.BooleanField(
        label="Exaggerated on purpose, so that the ear learns where to listen", required=False
    )
    field_order = ["upload", "label", "is_exaggerated", "file"]


class SheetsForm(forms.Form):
    """Which recall sheets a lesson shows. One of which no version is kept has nothing to show yet."""

    sheets = forms.ModelMultipleChoiceField(
        label="Recall sheets",
        queryset=RecallSheet.objects.filter(versions__isnull=False).distinct(),
        required=False,
        widget=forms.CheckboxSelectMultiple,
    )


class ScheduleForm(forms.Form):
    """When a course is to appear."""

    publish_at = WallField(
        label="Appears at",
        error_messages={
            "required": "Say when the course is to appear.",
            "invalid": "Write the date and time as in 2031-03-20 18:00.",
        },
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["publish_at"].help_text = by_the_sites_clocks()

    @classmethod
    def of(cls, course: Course) -> ScheduleForm:
        """Filled in with when it appears, if it is scheduled."""
        return cls(initial={"publish_at": course.publish_at} if course.publish_at else {})
