"""What a unit's own record tells of its lamps and its oven: curves fitted, days foretold."""
