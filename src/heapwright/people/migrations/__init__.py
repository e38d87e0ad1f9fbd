"""Migrations of the accounts."""
