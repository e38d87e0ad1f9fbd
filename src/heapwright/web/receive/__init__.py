"""Receive: deliveries and what is on hand."""
