"""The pages, one folder a room."""

from __future__ import annotations

from django.urls import include, path

urlpatterns = [
    path("", include("heapwright.web.tend.urls")),
    path("", include("heapwright.web.receive.urls")),
    path("", include("heapwright.web.mix.urls")),
    path("", include("heapwright.web.prove.urls")),
    path("", include("heapwright.web.more.urls")),
]
