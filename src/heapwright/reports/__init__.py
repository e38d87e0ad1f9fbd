"""The printed sheets: build sheet, log sheet, stake labels and proof, each a PDF.

A sheet is a frozen record of plain values in SI; one function turns it to a PDF for a paper
and a system of units. :mod:`heapwright.reports.of_lot` fills the records from the site's own
books. Texts reach the page as data, never as source.
"""
