"""Addresses of this room: the yard, what one tap writes, each lot and its short forms."""

from __future__ import annotations

from django.urls import URLPattern, path

from heapwright.web.tend import acts, compare, home, outlooks, pictures, pile

urlpatterns: list[URLPattern] = [
    path("", home.yard, name="yard"),
    path("outlook/", outlooks.outlooks, name="outlooks"),
    path("today/do/", home.do, name="today-do"),
    path("photos/<uuid:entry_id>.jpg", pictures.photo, name="photo"),
    path("piles/<str:code>/", pile.page, name="pile"),
    path("piles/<str:code>/compare/", compare.page, name="compare"),
    path("piles/<str:code>/log/", acts.write, {"name": "log"}, name="pile-log"),
    path("piles/<str:code>/<slug:name>/", acts.write, name="pile-act"),
]
