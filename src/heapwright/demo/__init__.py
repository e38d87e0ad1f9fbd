"""An invented yard and its year, for showing and for trying: ``heapwright demo``.

Every name, place, person and figure in it is made up. :mod:`~heapwright.demo.plan` writes the
acts of the story from a fixed seed, :mod:`~heapwright.demo.story` tells them to a database
through the use cases of the yard, and :mod:`~heapwright.demo.kept` keeps a told one at hand.
"""
