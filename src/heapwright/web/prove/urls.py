"""Addresses of this room."""

from __future__ import annotations

from django.urls import URLPattern, path

from heapwright.web.prove import views

urlpatterns: list[URLPattern] = [
    path("proof/", views.lots, name="prove"),
    path("proof/<str:code>/", views.lot, name="prove-lot"),
]
