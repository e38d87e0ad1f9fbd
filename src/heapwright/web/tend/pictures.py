"""Pictures of checks, as the story of a lot and the page of an entry show them."""

from __future__ import annotations

from uuid import UUID

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils.html import format_html
from django.utils.safestring import SafeString
from django.utils.translation import gettext as _
from django.views.decorators.cache import cache_control
from django.views.decorators.http import require_safe

from heapwright.yard.models import Entry, Photo
from heapwright.yard.photos import path_of

SHOWN_PX = 240


@require_safe
@cache_control(private=True, max_age=31_536_000, immutable=True)
def photo(_request: HttpRequest, entry_id: UUID) -> HttpResponse:
    """Return the picture of a check to whoever may read the records."""
    found = get_object_or_404(Photo, entry__uuid=entry_id)
    try:
        data = path_of(found.digest).read_bytes()
    except FileNotFoundError:
        raise Http404(_("The file of this photo is not there any more.")) from None
    return HttpResponse(data, content_type="image/jpeg")


def shown_photo(entry: Entry, what: str) -> SafeString | str:
    """Return the picture of an entry, small, leading to its full size; blank without one.

    ``what`` says what it is of, where nobody said what it shows.
    """
    found = getattr(entry, "photo", None)
    if found is None:
        return ""
    scale = min(SHOWN_PX / max(found.width_px, found.height_px), 1.0)
    return format_html(
        '<a href="{href}"><img class="photo" src="{href}" alt="{alt}" width="{width}" '
        'height="{height}" loading="lazy"></a>',
        href=reverse("photo", args=[entry.uuid]),
        alt=found.alt or _("Photo of %(what)s; nobody said what it shows") % {"what": what},
        width=max(round(found.width_px * scale), 1),
        height=max(round(found.height_px * scale), 1),
    )
