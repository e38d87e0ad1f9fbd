"""``python -m heapwright`` is the ``heapwright`` command."""

from heapwright.cli import main

if __name__ == "__main__":
    main()
