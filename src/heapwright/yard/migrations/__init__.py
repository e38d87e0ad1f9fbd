"""Migrations of the records."""
