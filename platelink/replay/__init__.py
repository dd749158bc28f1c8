"""The same inputs once more through the unit of this release, and what came otherwise."""
