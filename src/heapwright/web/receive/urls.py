"""Addresses of this room."""

from __future__ import annotations

from django.urls import URLPattern, path

from heapwright.web.receive import deliveries, stock

urlpatterns: list[URLPattern] = [
    path("stock/", stock.on_hand, name="receive"),
    path("stock/new/", stock.new_delivery, name="delivery-new"),
    path("stock/deliveries/", deliveries.deliveries, name="deliveries"),
    path("stock/contamination/", deliveries.contamination, name="contamination"),
]
