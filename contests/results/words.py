"""What the arithmetic says, in plain words. Pure: numbers in, sentences out."""

from __future__ import annotations

from academy.templatetags.audio_text import number

# Krippendorff, Content Analysis, 2nd edition 2004, chapter 11 (from memory): conclusions may rest on data
# with alpha at .800 and above, tentative ones on .667 and above.
RELIABLE_ALPHA, TENTATIVE_ALPHA = 0.800, 0.667
SMALLEST_SHOWN = 0.005  # half of the last digit that a page shows


def agreement(alpha: float | None) -> str:
    """How far the judges agree once their severity is taken out, from Krippendorff's alpha."""
    if alpha is None:
        return "Agreement is not defined: no entry was heard by two judges, or no score differs."
    value = f"(alpha {number(alpha)})"
    if alpha >= RELIABLE_ALPHA:
        return f"The judges agree well {value}."
    if alpha >= TENTATIVE_ALPHA:
        return f"The judges agree fairly {value}; close places are tentative."
    if alpha > 0:
        return f"The judges agree little {value}: their tastes differ more than the entries do."
    return f"The judges agree no better than chance {value}."


def severity(value: float) -> str:
    """One judge beside the panel. Positive is stricter, in points of the total."""
    if abs(value) < SMALLEST_SHOWN:
        return "as the panel"
    return f"{'stricter' if value > 0 else 'more generous'} by {number(abs(value))}"


def adjustment(raw: float, adjusted: float) -> str:
    """Why an adjusted total is not the mean of its sheets, to the entrant."""
    # The difference of what the page shows, or a reader who subtracts would find us wrong by a hundredth.
    difference = round(adjusted, 2) - round(raw, 2)
    if abs(difference) < SMALLEST_SHOWN:
        return "Your judges were together as strict as the panel, so nothing was added or taken."
    if difference > 0:
        return (
            f"Your judges were together stricter than the panel, so {number(difference)} points were added."
        )
    return (
        "Your judges were together more generous than the panel, so "
        f"{number(-difference)} points were taken off."
    )
