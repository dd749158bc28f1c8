"""Many units at once: what they say of themselves, and copies of their journals."""
