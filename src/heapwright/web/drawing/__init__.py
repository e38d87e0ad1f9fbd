"""Drawings of the yard and its heaps: pure functions from plain records to SVG."""
