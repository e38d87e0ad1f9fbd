"""The science: pure functions over floats and NumPy arrays in SI units.

No input, no output, no clock, no framework. Tables of facts are passed in by the caller;
``heapwright.data`` holds them. Import the module of the topic, for example
``from heapwright.science import mixing``.
"""
