"""People: the lead adds them and gives them their role; each has a page of their own."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import segno
from django import forms
from django.conf import settings
from django.contrib import messages
from django.contrib.auth import update_session_auth_hash
from django.contrib.auth.forms import PasswordChangeForm
from django.contrib.auth.tokens import default_token_generator
from django.core.exceptions import ValidationError
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils.encoding import force_bytes
from django.utils.http import urlsafe_base64_encode
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_POST

from heapwright.people.models import Role, User
from heapwright.web.answers import done
from heapwright.web.more.rows import SeenForm
from heapwright.web.more.signing import say_passwords, set_language
from heapwright.web.shell import lead_only

LOCALE = Path(__file__).resolve().parents[1] / "locale"
"""Where the project's own translations lie."""

DAYS_OF_LINK = settings.PASSWORD_RESET_TIMEOUT // 86_400


def languages() -> list[tuple[str, str]]:
    """Return the languages in which the pages speak: English, and those translated."""
    return [
        (code, name)
        for code, name in settings.LANGUAGES
        if code == "en" or (LOCALE / code / "LC_MESSAGES" / "django.mo").exists()
    ]


class AddPersonForm(forms.ModelForm):  # type: ignore[type-arg]
    """A new account; its owner chooses the password through a one-time link."""

    class Meta:
        """What the lead states of a person."""

        model = User
        fields = ("username", "first_name", "last_name", "role", "units")
        labels = {"username": gettext_lazy("Name to sign in with")}  # noqa: RUF012
        help_texts = {  # noqa: RUF012
            "username": gettext_lazy("Short, without spaces, such as sam or sam.k")
        }


class PersonForm(SeenForm):
    """An account as the lead may change it."""

    class Meta:
        """What the lead may change of a person."""

        model = User
        fields = ("first_name", "last_name", "role")

    def clean_role(self) -> str:
        """Refuse to leave the site without a lead."""
        role: str = self.cleaned_data["role"]
        if role != Role.LEAD and is_last_lead(self.instance):
            raise ValidationError(_("This is the only lead; make somebody else lead first."))
        return role


class OwnPageForm(SeenForm):
    """What a person chooses for themselves."""

    class Meta:
        """Name, units and language."""

        model = User
        fields = ("first_name", "last_name", "units", "language")
        widgets = {"units": forms.RadioSelect}  # noqa: RUF012

    language = forms.ChoiceField(label=gettext_lazy("Language"), choices=languages)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if len(languages()) == 1:
            self.fields["language"].widget = forms.HiddenInput()  # nothing to choose


def is_last_lead(person: User) -> bool:
    """Tell whether no other active lead is there."""
    others = User.objects.filter(role=Role.LEAD, is_active=True).exclude(pk=person.pk)
    was_lead = User.objects.filter(pk=person.pk, role=Role.LEAD, is_active=True).exists()
    return was_lead and not others.exists()


@lead_only
def people(request: HttpRequest) -> HttpResponse:
    """List everybody; add somebody."""
    form = AddPersonForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        person = form.save(commit=False)
        person.set_unusable_password()
        person.save()
        said = _("%(who)s may come in. Hand on the link below.") % {"who": person}
        return done(request, said, "person", person.username)
    order = list(Role)
    everybody = sorted(
        User.objects.all(),
        key=lambda one: (not one.is_active, order.index(Role(one.role)), str(one).casefold()),
    )
    return render(request, "heapwright/more/people.html", {"form": form, "everybody": everybody})


@lead_only
def person(request: HttpRequest, username: str) -> HttpResponse:
    """Show one account to the lead: role, and the one-time link while no password is chosen."""
    one = get_object_or_404(User, username=username)
    form = PersonForm(request.POST or None, instance=one)
    if request.method == "POST":
        with transaction.atomic():
            if form.is_valid():
                form.save()
                return done(request, _("Kept: %(who)s.") % {"who": one}, "person", one.username)
        one.refresh_from_db()
    waiting = one.is_active and not one.has_usable_password()
    link = one_time_link(request, one) if waiting else ""
    context = {
        "one": one,
        "form": form,
        "link": link,
        "code": segno.make(link, micro=False).svg_data_uri(scale=4) if link else "",
        "days": DAYS_OF_LINK,
        "last_lead": is_last_lead(one),
    }
    return render(request, "heapwright/more/person.html", context)


def one_time_link(request: HttpRequest, person: User) -> str:
    """Return the address at which a person may choose a password, once."""
    where = reverse(
        "choose-password",
        kwargs={
            "uidb64": urlsafe_base64_encode(force_bytes(person.pk)),
            "token": default_token_generator.make_token(person),
        },
    )
    return request.build_absolute_uri(where)


@lead_only
@require_POST
def reset_password(request: HttpRequest, username: str) -> HttpResponse:
    """Make the old password useless; the person's page then shows a one-time link."""
    one = get_object_or_404(User, username=username)
    if one == request.user:
        said = _("Change your own password on your own page.")
        return done(request, said, "person", username, level=messages.ERROR)
    one.set_unusable_password()
    one.save(update_fields=["password"])
    said = _("The old password of %(who)s no longer works. Hand on the link below.")
    return done(request, said % {"who": one}, "person", username)


@lead_only
@require_POST
def deactivate(request: HttpRequest, username: str) -> HttpResponse:
    """Close an account; what the person entered stays."""
    with transaction.atomic():
        one = get_object_or_404(User, username=username)
        if is_last_lead(one):
            said = _("%(who)s is the only lead; make somebody else lead first.") % {"who": one}
            return done(request, said, "person", username, level=messages.ERROR)
        one.is_active = False
        one.save(update_fields=["is_active"])
    said = _("%(who)s can no longer come in; what they entered stays.") % {"who": one}
    return done(request, said, "person", username)


@lead_only
@require_POST
def activate(request: HttpRequest, username: str) -> HttpResponse:
    """Open a closed account again."""
    one = get_object_or_404(User, username=username)
    one.is_active = True
    one.save(update_fields=["is_active"])
    return done(request, _("%(who)s may come in again.") % {"who": one}, "person", username)


def me(request: HttpRequest) -> HttpResponse:
    """Show a person's own page: name, units, language."""
    form = OwnPageForm(request.POST or None, instance=request.user)
    if request.method == "POST" and form.is_valid():
        form.save()
        response = done(request, _("Kept."), "me")
        set_language(response, form.instance.language)
        return response
    roles = Role.choices if settings.DEMO else ()
    context: dict[str, Any] = {"form": form, "roles": roles, "languages": languages()}
    return render(request, "heapwright/more/me.html", context)


@sensitive_post_parameters()
def my_password(request: HttpRequest) -> HttpResponse:
    """Change one's own password; other devices are signed out."""
    form = PasswordChangeForm(request.user, request.POST or None)
    say_passwords(form.fields["new_password1"], form.fields["new_password2"])
    form.fields["new_password1"].label = _("New password")
    if request.method == "POST" and form.is_valid():
        form.save()
        update_session_auth_hash(request, form.user)
        return done(request, _("Your password is changed."), "me")
    context = {"form": form, "act_word": _("Change it"), "back": reverse("me")}
    context |= {"title": _("Your password"), "lede": _("Other devices are signed out by it.")}
    return render(request, "heapwright/more/form.html", context)
