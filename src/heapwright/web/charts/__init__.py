"""Charts: Vega-Lite specifications as plain dictionaries, drawn to SVG on the server.

:mod:`~heapwright.web.charts.temperature` draws temperatures by what they mean,
:mod:`~heapwright.web.charts.levels` any other quantity; both stack their sheet from
:mod:`~heapwright.web.charts.layers` and have it drawn by :mod:`~heapwright.web.charts.engine`.
A chart comes with the same figures as rows, for the table beside it.
"""
