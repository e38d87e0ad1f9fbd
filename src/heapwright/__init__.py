"""heapwright: receive, mix, tend, prove, use, account and plan compost."""

__version__ = "0.1.0"
