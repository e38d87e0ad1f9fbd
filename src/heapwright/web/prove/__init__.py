"""Prove: each batch against each rule."""
