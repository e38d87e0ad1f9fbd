"""Accounts and what each may do."""
