"""The records of the yard: places, sources, materials, lots, the ledger, readings, use cases.

Entries are written only by the use cases, one module a verb: :mod:`~heapwright.yard.receive`,
:mod:`~heapwright.yard.mix`, :mod:`~heapwright.yard.tend`, :mod:`~heapwright.yard.prove`,
:mod:`~heapwright.yard.use`, and :mod:`~heapwright.yard.strike` to take one back. What stands
where is read from :mod:`~heapwright.yard.state`, what happened from
:mod:`~heapwright.yard.history`, what it is made of from :mod:`~heapwright.yard.trace`, and
whether it all adds up from :mod:`~heapwright.yard.audit`.
"""
