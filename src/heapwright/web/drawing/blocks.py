"""Blocks of lettering: a few short lines under a drawn thing, set together or not at all."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from xml.etree.ElementTree import Element

from heapwright.web.drawing.labels import Box, text_width, words, wrap
from heapwright.web.drawing.places import Pile, Place
from heapwright.web.drawing.svg import INK, PAPER, SOFT, Lettering, rect

LEADING = 1.22


@dataclass(frozen=True, slots=True)
class Run:
    """One run of words in a line.

    ``flag`` sets it in a filled box, as the number of a task to do today; ``hollow`` leaves the
    box empty, as for one that can wait.
    """

    text: str
    bold: bool = False
    flag: bool = False
    hollow: bool = False


@dataclass(frozen=True, slots=True)
class Block:
    """Lines of words in one type size, with the size that they take."""

    lines: tuple[tuple[Run, ...], ...]
    size: float

    @property
    def width(self) -> float:
        """Width of the widest line in pixels."""
        return max(map(self._line_width, self.lines), default=0.0)

    @property
    def height(self) -> float:
        """Height of all lines in pixels."""
        return len(self.lines) * self.size * LEADING

    def text(self) -> str:
        """Return the words as one string."""
        return ", ".join(" ".join(run.text for run in line) for line in self.lines)

    def box(self, x: float, y: float) -> Box:
        """Return the box that the block takes with its top left corner at (x, y)."""
        return Box(x, y, x + self.width, y + self.height, self.text())

    def write(
        self, x: float, y: float, lettering: Lettering, *, halo: bool = True
    ) -> list[Element]:
        """Write the block, centred, its top left corner at (x, y); return the flags' boxes."""
        lettering.boxes.append(self.box(x, y))
        flags = []
        for row, runs in enumerate(self.lines):
            at = x + (self.width - self._line_width(runs)) / 2
            baseline = y + row * self.size * LEADING + self.size * 0.92
            for run in runs:
                width = self._run_width(run)
                if run.flag:
                    flags.append(
                        rect(
                            at, baseline - self.size * 0.86, width, self.size * 1.08,
                            fill=PAPER if run.hollow else INK,
                            stroke=INK if run.hollow else "none",
                            stroke_width=1,
                        )
                    )  # fmt: skip
                lettering.write(
                    at + width / 2 if run.flag else at,
                    baseline,
                    run.text,
                    size=self.size,
                    bold=run.bold,
                    anchor="middle" if run.flag else "start",
                    fill=PAPER if run.flag and not run.hollow else INK if run.bold else SOFT,
                    halo=halo and not run.flag,
                    label=False,
                )
                at += width + self._space
        return flags

    @property
    def _space(self) -> float:
        return self.size * 0.32

    def _run_width(self, run: Run) -> float:
        return text_width(run.text, self.size, bold=run.bold) + (8 if run.flag else 0)

    def _line_width(self, runs: tuple[Run, ...]) -> float:
        return sum(map(self._run_width, runs)) + self._space * (len(runs) - 1)


def pile_blocks(place: Place, pile: Pile | None, size: float) -> list[Block]:
    """Return what may be written of a pile or an empty place, from most to least: six levels."""
    head: tuple[Run, ...] = (Run(place.stake(pile), bold=True),)
    if pile is None:
        said = Block((head,) if place.bare else (head, (Run("empty"),)), size)
        return [said, said, said, said, Block((head,), size), Block((head,), size)]
    plain = head
    act = act_runs(pile)
    if pile.task is not None:
        head = (Run(str(pile.task), bold=True, flag=True, hollow=pile.task_waits), *head)
    stage, day = (Run(pile.stage),), (Run(f"day {pile.day}"),)
    age = [(Run(pile.age_of_reading),)] if pile.age_of_reading else []
    full = [plain, act] if act else [head]
    levels = [
        [*full, stage, day, *age], [head, stage, day, *age], [head, stage, day], [head, stage],
        [head], [plain],
    ]  # fmt: skip
    return [Block(tuple(lines), size) for lines in levels]


def act_runs(pile: Pile) -> tuple[Run, ...]:
    """Return the line that says what a pile needs next: the task's number and its verb."""
    if pile.task is None or not pile.next_act:
        return ()
    number = Run(str(pile.task), bold=True, flag=True, hollow=pile.task_waits)
    return number, Run(pile.next_act, bold=not pile.task_waits)


def store_blocks(place: Place, size: float) -> list[Block]:
    """Return what may be written of a bunker, from most to least."""
    head = (Run(place.code, bold=True),)
    if place.stock is None:
        return _blocks([[head]] if place.bare else [[head, (Run("empty"),)], [head]], size)
    names = [(Run(text),) for text in wrap(place.stock.name, size * 8, size)[:2]]
    amount = (Run(place.stock.amount),)
    return _blocks([[head, *names, amount], [head, amount], [head]], size)


def name_blocks(place: Place, size: float, width: float, heaps: int = 0) -> list[Block]:
    """Return what may be written of a plain place, with how many heaps stand on it if any."""
    longest = max((text_width(word, size) for word in words(place.name)), default=0.0)
    wide = max(width - 6, min(longest, size * 14)) + 0.1
    name = [(Run(text),) for text in wrap(place.name, wide, size)[:3]]
    count = [(Run(f"{heaps} heap" if heaps == 1 else f"{heaps} heaps"),)] if heaps else []
    return _blocks([[*name, *count], name, [(Run(place.code),)]], size)


def _blocks(choices: Iterable[list[tuple[Run, ...]]], size: float) -> list[Block]:
    seen: list[Block] = []
    for lines in choices:
        block = Block(tuple(lines), size)
        if lines and block not in seen:
            seen.append(block)
    return seen
