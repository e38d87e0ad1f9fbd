"""Tend: the yard with today's tasks, and each pile with its entry form."""
