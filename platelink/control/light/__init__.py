"""The exposure: its states while light is prepared, on, and over. Pure."""
