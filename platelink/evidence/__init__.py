"""Seals: that a record is what it was when it closed can be proven to others."""
