"""Signing in and out, choosing a password by a one-time link, and the doors of the demo."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.contrib.auth import get_user_model, login
from django.contrib.auth.decorators import login_not_required
from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.password_validation import MinimumLengthValidator
from django.contrib.auth.views import LoginView, PasswordResetConfirmView
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse, reverse_lazy
from django.utils.decorators import method_decorator
from django.utils.http import url_has_allowed_host_and_scheme
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST

from heapwright.people.models import Role, User

MODEL_BACKEND = "django.contrib.auth.backends.ModelBackend"


def set_language(response: HttpResponse, language: str) -> None:
    """Let the person's language hold for the pages to come."""
    response.set_cookie(
        settings.LANGUAGE_COOKIE_NAME,
        language,
        max_age=settings.SESSION_COOKIE_AGE,
        samesite="Lax",
    )


def say_passwords(first: Any, second: Any) -> None:
    """Ask for a new password and for the same once more, in the words of the house."""
    first.label = _("Password")
    first.help_text = _(
        "At least %(count)d characters; no common password, and not like your name."
    ) % {"count": MinimumLengthValidator().min_length}
    second.label = _("The same password again")
    second.help_text = ""


@method_decorator(login_not_required, name="dispatch")
class SignIn(LoginView):
    """Name and password; on a site that nobody has set up, the way to set it up."""

    template_name = "heapwright/more/sign_in.html"
    redirect_authenticated_user = True

    def dispatch(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        """Send the first visitor of a new site to its set-up."""
        if not get_user_model().objects.exists():
            return redirect("set-up")
        return super().dispatch(request, *args, **kwargs)

    def get_form(self, form_class: Any = None) -> AuthenticationForm:
        """Return the form in the words of the house."""
        form: AuthenticationForm = super().get_form(form_class)
        form.fields["username"].label = _("Name")
        form.error_messages["invalid_login"] = _(
            "This name and this password do not go together. Both mind capitals."
        )
        return form

    def form_valid(self, form: AuthenticationForm) -> HttpResponse:
        """Sign in and speak the person's language."""
        response = super().form_valid(form)
        set_language(response, form.get_user().language)
        return response

    def get_context_data(self, **kwargs: Any) -> dict[str, Any]:
        """Add the roles through whose doors a visitor of the demo may come in."""
        context = super().get_context_data(roles=Role.choices if settings.DEMO else (), **kwargs)
        context.pop("site_name", None)  # the view's own would hide the yard's name
        return context


class ChoosePassword(PasswordResetConfirmView):
    """A link that works once: choose a password and be signed in."""

    template_name = "heapwright/more/choose_password.html"
    success_url = reverse_lazy("yard")
    post_reset_login = True
    post_reset_login_backend = MODEL_BACKEND
    reset_url_token = "choose"

    def get_form(self, form_class: Any = None) -> Any:
        """Return the form in the words of the house."""
        form = super().get_form(form_class)
        say_passwords(form.fields["new_password1"], form.fields["new_password2"])
        return form


@login_not_required
@require_POST
def come_in(request: HttpRequest, role: str) -> HttpResponse:
    """Sign a visitor of the demo in as lead, helper or reader; elsewhere there is no such page."""
    if not settings.DEMO or role not in Role.values:
        raise Http404
    person = get_object_or_404(User, username=role, role=role, is_active=True)
    login(request, person, backend=MODEL_BACKEND)
    wanted = request.POST.get("next", "")
    here = url_has_allowed_host_and_scheme(wanted, {request.get_host()}, request.is_secure())
    response = HttpResponseRedirect(wanted if here else reverse("yard"), status=303)
    set_language(response, person.language)
    return response
