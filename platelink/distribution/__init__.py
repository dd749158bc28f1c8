"""Recipes, people and calibrations from one place: signed revisions, taken or refused by units."""
