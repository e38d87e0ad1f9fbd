"""The root of addresses: the pages and the prints."""

from __future__ import annotations

from django.urls import include, path

urlpatterns = [
    path("", include("heapwright.web.urls")),
    path("", include("heapwright.reports.urls")),
]
