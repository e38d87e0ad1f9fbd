"""Addresses of the prints."""

from __future__ import annotations

from django.urls import path

from heapwright.reports import views

urlpatterns = [
    path("print/build-sheet/", views.build_sheet, name="print-build-sheet"),
    path("print/proof/<str:code>/", views.proof, name="print-proof"),
    path("print/log-sheet/", views.log_sheet, name="print-log-sheet"),
    path("print/label/<str:code>/", views.label, name="print-label"),
    path("print/labels/", views.labels, name="print-labels"),
]
