"""Addresses of this room."""

from __future__ import annotations

from django.urls import URLPattern, path

from heapwright.web.mix import ahead, build, views

urlpatterns: list[URLPattern] = [
    path("mix/", views.mix, name="mix"),
    path("mix/check/", views.check, name="mix-check"),
    path("mix/ahead/", ahead.ahead, name="mix-ahead"),
    path("mix/print/", views.print_sheet, name="mix-print"),
    path("mix/build/", build.build, name="mix-build"),
    path("mix/add/", build.add, name="mix-add"),
]
