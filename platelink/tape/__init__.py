"""Every input of a unit's core in order, to the bit: so that the same can be made of it again."""
