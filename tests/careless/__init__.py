"""Careless changes, and whether the tests notice them."""
