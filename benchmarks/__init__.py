"""Ratios against named peers, measured in one run."""
