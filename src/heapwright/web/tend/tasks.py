"""Today's tasks as ``parts/task.html`` takes them, with the one tap that a person may make."""

from __future__ import annotations

from typing import Any
from uuid import uuid4

from django.urls import reverse
from django.utils.translation import gettext as _

from heapwright.people.models import User
from heapwright.web.tend.rooms import way
from heapwright.yard.today import Tap, Task


def shown_task(task: Task, number: int, person: User) -> dict[str, Any]:
    """Return a task as ``parts/task.html`` takes it."""
    shown = {
        "number": number,
        "title": task.title,
        "why": f"{task.how_much} {task.why}".strip(),
        "left": task.left,
        "act_href": "",
        "href": "",
        "place": task.place,
        "compare_href": f"{reverse('compare', args=[task.lot])}#{anchor(task.compares)}"
        if task.compares
        else "",
    }
    tap = task.tap
    if tap is not None and person.may_log and (person.may_lead or not tap.lead_only):
        shown["act_href"] = reverse("today-do")
        shown["act_word"] = tap.word
        shown["hidden"] = _hidden(tap)
    elif task.form and person.may_log:
        shown["href"], shown["place"] = _form(task)
    if not shown["href"] and task.lot:
        shown["href"] = reverse("pile", args=[task.lot])
    return shown


def anchor(kind: str) -> str:
    """Return where the comparison of a decision stands on its page."""
    return kind.replace(" ", "-")


def _hidden(tap: Tap) -> list[tuple[str, str]]:
    turned = [("turned", "yes")] if tap.turned else []
    return [("kind", tap.kind.value), ("entry_id", str(uuid4())), *turned, *tap.fields]


def _form(task: Task) -> tuple[str, str]:
    """Return the address of the form that serves a task, and its name in “Open …”."""
    if task.form in ("mix", "receive"):
        return way(task.form), _("the mix") if task.form == "mix" else _("the stock")
    if task.form == "prove":
        return way("prove-lot", task.lot) or way("prove"), _("its proof")
    return (
        reverse("pile-log", args=[task.lot])
        if task.form == "log"
        else reverse("pile-act", args=[task.lot, task.form]),
        _("the form for %(heap)s") % {"heap": task.place},
    )
