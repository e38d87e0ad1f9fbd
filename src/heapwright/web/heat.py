"""The one colour scale, which means temperature and nothing else.

Five steps part at 20, 40, 55 and 65 °C. Each step has a colour that people with any of the
common kinds of colour vision tell from its neighbours, a text colour of contrast 4.5 or more
on it, a darker-page variant, and a name; the last step also has a pattern, so that it stands
out on a grey print. The number is always printed beside or on the colour.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from typing import Final, Literal

from heapwright.units import fahrenheit_from_celsius

TempUnit = Literal["C", "F"]

INK: Final = "#26211b"
PAPER: Final = "#faf6ec"
DARK_INK: Final = "#efe6d4"
DARK_PAPER: Final = "#181510"


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the scale.

    ``from_c`` is the lowest temperature of the step (``None`` for the first, open below).
    ``fill`` and ``text`` serve on light paper and in print, ``dark_fill`` and ``dark_text``
    on the dark page.
    """

    number: int
    name: str
    from_c: float | None
    fill: str
    text: str
    dark_fill: str
    dark_text: str
    patterned: bool = False


STEPS: Final = (
    Step(1, "slate", None, "#566a7a", PAPER, "#8299aa", DARK_PAPER),
    Step(2, "olive", 20.0, "#969c55", INK, "#9ba257", DARK_PAPER),
    Step(3, "amber", 40.0, "#f0c250", INK, "#f4c95e", DARK_PAPER),
    Step(4, "brick", 55.0, "#9c3d1c", PAPER, "#a6441e", DARK_INK),
    Step(5, "dark crimson", 65.0, "#5c0e1d", PAPER, "#6f1326", DARK_INK, patterned=True),
)
LIMITS_C: Final = tuple(step.from_c for step in STEPS if step.from_c is not None)


def step_of(temp_c: float) -> Step:
    """Return the step that holds a temperature; a limit belongs to the step above it."""
    return STEPS[bisect_right(LIMITS_C, temp_c)]


def shown(temp_c: float, unit: TempUnit = "C") -> int:
    """Return a temperature as the whole degree that is printed, in the unit asked for."""
    return round(temp_c if unit == "C" else fahrenheit_from_celsius(temp_c))


def degrees(temp_c: float, unit: TempUnit = "C") -> str:
    """Return the short print form, such as ``61°``; the unit stands in the key beside it."""
    return f"{shown(temp_c, unit)}°"


def with_unit(temp_c: float, unit: TempUnit = "C") -> str:
    """Return the full print form, such as ``61 °C``."""
    return f"{shown(temp_c, unit)} °{unit}"


def range_words(step: Step, unit: TempUnit = "C") -> str:
    """Return the range of a step in words, such as ``40 to 55`` or ``65 and over``."""
    upper = STEPS[step.number].from_c if step.number < len(STEPS) else None
    if step.from_c is None:
        return f"under {shown(LIMITS_C[0], unit)}"
    if upper is None:
        return f"{shown(step.from_c, unit)} and over"
    return f"{shown(step.from_c, unit)} to {shown(upper, unit)}"
