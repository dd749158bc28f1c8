"""Recipes and what they are carried out with: revisions, stock lots, screens, and their store."""
