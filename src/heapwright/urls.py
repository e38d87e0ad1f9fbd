"""The root of addresses: the pages and, where installed, the interface for other programs."""

from __future__ import annotations

from importlib.util import find_spec

from django.urls import URLPattern, URLResolver, include, path

urlpatterns: list[URLPattern | URLResolver] = [
    path(prefix, include(module))
    for prefix, module in (("api/", "heapwright.api.urls"), ("", "heapwright.web.urls"))
    if find_spec(module.rpartition(".")[0]) and find_spec(module)
]
