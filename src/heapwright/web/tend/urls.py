"""Addresses of this room: the yard, what one tap writes, each lot and its short forms."""

from __future__ import annotations

from django.urls import URLPattern, path

from heapwright.web.tend import acts, home, pile

urlpatterns: list[URLPattern] = [
    path("", home.yard, name="yard"),
    path("today/do/", home.do, name="today-do"),
    path("piles/<str:code>/", pile.page, name="pile"),
    path("piles/<str:code>/log/", acts.write, {"name": "log"}, name="pile-log"),
    path("piles/<str:code>/<slug:name>/", acts.write, name="pile-act"),
]
